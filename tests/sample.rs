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

/// Rests a little below full scale, whose drop a thermal EMF of 60 µV has made less than at full scale:
/// the line through them shows next to no scatter and misses the resistance by one per cent. It is no
/// measurement.
#[test]
fn rests_close_together_give_no_slope() {
    let heron = hw_sim::find("heron").unwrap();
    let (statement, kept) = observed(&PICTURELESS_RIG, &heron, 7, Depth::Full).unwrap();
    let current = |o: &Observation| o.loop_current().unwrap_or(Amps::ZERO);
    let mut rests: Vec<Observation> = (kept.iter())
        .filter(|o| o.purpose == Purpose::Rising || o.purpose == Purpose::ZeroBefore)
        .cloned()
        .collect();
    let most = rests.iter().map(current).fold(Amps::ZERO, Amps::max);
    rests.retain(|o| o.purpose == Purpose::ZeroBefore || current(o) > most * 0.9);
    for lower in rests.iter_mut().filter(|o| current(o) < most * 0.97) {
        if let Some(drop) = lower.drop.as_mut() {
            drop.value -= 60e-6;
        }
    }
    assert!(rests.len() >= 5, "{}", rests.len());
    let whole = analyse(&statement, &kept).resistance.unwrap();
    let found = analyse(&statement, &rests).resistance;
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
