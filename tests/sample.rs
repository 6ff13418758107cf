//! A sample of the campaign; the whole of it is `cargo xtask campaign`.

use evidence::{Observation, Purpose};
use movement::analysis::analyse;
use needlerig::session::PICTURELESS_RIG;
use needlerig_tests::campaign::{Summary, observed, seed, trial};
use procedure::Depth;
use quantity::{Amps, Uncertain};

/// Movements in the sample.
const COUNT: u64 = 120;

#[test]
fn a_sample_of_random_movements_keeps_the_promise() {
    let trials: Vec<_> = (0..COUNT)
        .map(|n| trial(&PICTURELESS_RIG, seed("sample", n), Depth::Full).unwrap())
        .collect();
    let summary = Summary::new(&trials);
    println!("{summary}");
    assert!(summary.broken(1.02).is_empty(), "{summary}");
    assert!(summary.results() >= 0.97, "{summary}");
    assert!(summary.covers(), "{summary}");
}

/// Rests near full scale alone: between them a few microvolts of thermal EMF turn the line by more than
/// its scatter shows, so that it says nothing about the resistance.
#[test]
fn rests_close_together_give_no_slope() {
    let heron = hw_sim::find("heron").unwrap();
    let (statement, kept) = observed(&PICTURELESS_RIG, &heron, 7, Depth::Full).unwrap();
    let most = kept.iter().filter_map(|o| o.loop_current());
    let most = most.fold(Amps::ZERO, Amps::max);
    let close = |o: &&Observation| {
        let near = o.loop_current().is_some_and(|i| i > most * 0.8);
        o.purpose == Purpose::ZeroBefore || near
    };
    let close: Vec<_> = kept.iter().filter(close).cloned().collect();
    let rests = close.iter().filter(|o| o.purpose == Purpose::Rising);
    assert!(rests.count() >= 4);
    let whole = analyse(&statement, &kept).resistance.unwrap();
    // What the drop said on the way may be used, with its own large uncertainty.
    let found = analyse(&statement, &close).resistance;
    let wrong = |found: &Uncertain| (found.value() - whole.value()).abs() > 3.0 * found.u();
    assert!(!found.as_ref().is_ok_and(wrong), "{found:?}, not {whole:?}");
}

/// A sitting that was cut short, here on another movement with its own resistance, adds nothing to the
/// figures of the one that was begun anew.
#[test]
fn only_the_last_sitting_counts() {
    let sitting = |name: &str| {
        let movement = hw_sim::find(name).unwrap();
        observed(&PICTURELESS_RIG, &movement, 7, Depth::Quick).unwrap()
    };
    let (_, before) = sitting("gossamer");
    let (statement, last) = sitting("heron");
    let both: Vec<_> = before.iter().chain(&last).cloned().collect();
    let found = analyse(&statement, &last);
    assert!(found.resistance.is_ok() && found.full_scale.is_ok());
    assert_eq!(analyse(&statement, &both), found);
}
