//! The length of a ramp: what the guard reckons a needle's swing by, on fast and slow instruments.

use super::callers::{AtZero, first_arrangement, look_at_zero};
use super::proxy::{Rule, Wrong};
use super::scene::{Stage, paused};
use guard::{Proposal, Report};
use quantity::{Amps, Seconds};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use tokio::time::{Duration, Instant};

/// How long a ramp of 6 s to most of first touch takes, s, on a stage `altered` so.
fn ramp_on(altered: impl FnOnce(&mut Stage)) -> (f64, Report) {
    paused(async {
        let mut stage = Stage::new("fennel");
        altered(&mut stage);
        let tap = Box::new(stage.tap.clone());
        let arrangement = first_arrangement(&stage.rig);
        let mut guard = stage.guard(tap).await.unwrap();
        let arrange = Proposal::Arrange(arrangement);
        guard.propose(arrange).await.unwrap();
        guard.propose(look_at_zero()).await.unwrap();
        let began = Instant::now();
        let (target, over) = (Amps::micro(0.8), Seconds::new(6.0));
        let ramp = guard.propose(Proposal::Drive { target, over }).await;
        let took = began.elapsed().as_secs_f64();
        assert!(guard.end().await.unwrap().fault.is_none());
        (took, ramp.unwrap())
    })
}

/// Meters and reader that are quick with their answers don't shorten it: a shorter ramp would leave
/// more swing than was reckoned with.
#[test]
fn a_ramp_is_never_shorter_than_was_asked_for() {
    let (took, ramp) = ramp_on(|_| ());
    assert!((6.0..6.5).contains(&took), "{took} s");
    assert!(!ramp.cut_short && ramp.ticks.len() == 120);
}

/// A supply with steps of 10 mV that answers late is told each of the thirty or so set-points once, not
/// every 50 ms again, which would take more than 24 s. Lost time is not made up for.
#[test]
fn a_slow_supply_with_a_coarse_grid_is_told_no_set_point_twice() {
    let (took, _) = ramp_on(|stage| {
        stage.edit("resolution = \"0.1 mV\"", "resolution = \"10 mV\"");
        let rule = Rule {
            wrong: Wrong::Late(Duration::from_millis(150)),
            prefix: ":VOLT?",
            skip: 0,
            armed: Arc::new(AtomicBool::new(true)),
        };
        stage.spoil("supply", rule);
    });
    assert!((6.0..16.0).contains(&took), "{took} s");
}

/// Looks at the needle, and cycles, within two seconds on meters that answer that much `later`.
fn looks_on_meters(later: Duration) -> (usize, usize) {
    paused(async {
        let mut stage = Stage::new("fennel");
        let arrangement = first_arrangement(&stage.rig);
        let rule = Rule {
            wrong: Wrong::Late(later),
            prefix: ":READ?",
            skip: 0,
            armed: Arc::new(AtomicBool::new(true)),
        };
        stage.spoil("drop", rule);
        let looks = Arc::new(AtomicUsize::new(0));
        let counted = AtZero {
            looks: Arc::clone(&looks),
            most: usize::MAX,
        };
        let mut guard = stage.seen_by(counted).await;
        guard.propose(Proposal::Arrange(arrangement)).await.unwrap();
        let before = looks.load(Ordering::Relaxed);
        let report = guard.propose(Proposal::Hold(Seconds::new(2.0))).await;
        let after = looks.load(Ordering::Relaxed);
        assert!(guard.end().await.unwrap().fault.is_none());
        (after - before, report.unwrap().ticks.len())
    })
}

/// A picture that has waited for the meters says little about now: it is taken anew.
#[test]
fn a_picture_that_waits_for_slow_meters_is_taken_anew() {
    let (looks, cycles) = looks_on_meters(Duration::from_millis(20));
    assert_eq!(looks, cycles);
    let (looks, cycles) = looks_on_meters(Duration::from_millis(400));
    assert!(cycles >= 4, "{cycles}");
    assert_eq!(looks, 2 * cycles);
}
