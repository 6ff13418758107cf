//! What a procedure says and does is not believed: the guard sees for itself.

use super::callers::{first_arrangement, look_at_zero};
use super::scene::{Stage, assert_at_rest, paused};
use evidence::Purpose;
use guard::{Arrangement, Dynamics, Fault, Guard, Halt, Proposal, Refusal, Report, Settle};
use hw_sim::{Bench, Faults, Kind, Place, find};
use quantity::{Amps, Seconds};
use tokio::time::sleep;

const REST: Settle = Settle {
    purpose: Purpose::Rising,
    window: Seconds::new(2.4),
    slow: Seconds::new(1.0),
    tolerance: 0.001,
};

fn drive(target: Amps, over: f64) -> Proposal {
    let over = Seconds::new(over);
    Proposal::Drive { target, over }
}

fn hold(seconds: f64) -> Proposal {
    Proposal::Hold(Seconds::new(seconds))
}

async fn started(stage: &mut Stage) -> Guard {
    let tap = Box::new(stage.tap.clone());
    stage.guard(tap).await.unwrap()
}

/// The same with the first arrangement made and the zero seen.
async fn begun(stage: &mut Stage) -> Guard {
    let mut guard = started(stage).await;
    let first = first_arrangement(&stage.rig);
    guard.propose(Proposal::Arrange(first)).await.unwrap();
    guard.propose(look_at_zero()).await.unwrap();
    guard
}

/// The lightest range that reaches 60 µA.
fn reaching(stage: &Stage) -> Arrangement {
    let ranges = stage.rig.creep_ranges();
    let range = ranges
        .into_iter()
        .find(|range| range.top > Amps::micro(60.0));
    Arrangement {
        range: range.unwrap(),
        ..first_arrangement(&stage.rig)
    }
}

/// Up, as far as is permitted each time, until the needle rests above `deflection`; the current there.
async fn bring(guard: &mut Guard, deflection: f64) -> Amps {
    guard.propose(look_at_zero()).await.unwrap();
    let mut target = Amps::micro(0.5);
    for _ in 0..400 {
        let here = match guard.propose(drive(target, 7.0)).await {
            Err(Halt::Refused(Refusal::Quiet(_))) => {
                guard.propose(Proposal::LetGo).await.unwrap();
                continue;
            }
            here => here.unwrap(),
        };
        let flows = here.current.unwrap();
        if here.moved {
            let here = guard.propose(Proposal::Settle(REST)).await.unwrap();
            let rest = here.observation.unwrap();
            if rest.needle.unwrap().deflection > deflection {
                return rest.loop_current().unwrap();
            }
            target = (here.furthest * 0.99).min(flows * 1.3);
        } else {
            let here = guard.propose(hold(1.0)).await.unwrap();
            target = here.furthest.min(flows * 1.2).max(Amps::micro(0.5));
        }
    }
    panic!("not brought to {deflection}");
}

fn assert_order(answer: Result<Report, Halt>, words: &str) {
    match answer {
        Err(Halt::Refused(Refusal::Order(why))) => assert!(why.contains(words), "{why}"),
        other => panic!("{words}: {other:?}"),
    }
}

/// A look that is too short would call a needle that is still on its way at rest, and let the current
/// grow by what it has not shown yet.
#[test]
fn a_rest_that_was_not_looked_at_is_no_evidence() {
    paused(async {
        let mut stage = Stage::new("heron");
        let mut guard = begun(&mut stage).await;
        for hasty in [
            Settle {
                window: Seconds::new(0.35),
                ..REST
            },
            Settle {
                slow: Seconds::new(0.05),
                ..REST
            },
            Settle {
                tolerance: 1.0,
                ..REST
            },
            Settle {
                tolerance: f64::NAN,
                ..REST
            },
            Settle {
                window: Seconds::new(f64::NAN),
                ..REST
            },
        ] {
            assert_order(guard.propose(Proposal::Settle(hasty)).await, "looked at");
        }
        guard.propose(drive(Amps::micro(0.5), 1.0)).await.unwrap();
        let zero = Settle {
            purpose: Purpose::ZeroBefore,
            ..REST
        };
        assert_order(
            guard.propose(Proposal::Settle(zero)).await,
            "without current",
        );
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}

/// A needle is identified in a loop of its own, and what no needle has is no identification.
#[test]
fn what_no_needle_has_is_not_identified() {
    paused(async {
        let mut stage = Stage::new("heron");
        let mut guard = started(&mut stage).await;
        let found = |period: f64, damping: f64| {
            let period = Seconds::new(period);
            Proposal::Identified(Dynamics { period, damping })
        };
        assert_order(guard.propose(found(1.0, 0.5)).await, "closed loop");
        let first = first_arrangement(&stage.rig);
        guard.propose(Proposal::Arrange(first)).await.unwrap();
        for (period, damping) in [
            (1e-3, 0.5),
            (f64::NAN, 0.5),
            (f64::INFINITY, 0.5),
            (1.0, 100.0),
            (1.0, f64::NAN),
            (1.0, -0.1),
        ] {
            assert_order(guard.propose(found(period, damping)).await, "anew");
        }
        guard.propose(found(1.0, 0.5)).await.unwrap();
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}

/// A range that claims more than its resistance lets flow would make the loop meter's watch blind.
#[test]
fn a_range_that_claims_too_much_is_refused() {
    paused(async {
        let mut stage = Stage::new("heron");
        let mut guard = started(&mut stage).await;
        let first = first_arrangement(&stage.rig);
        for top in [10.0, f64::NAN, 0.0] {
            let mut claimed = first.clone();
            claimed.range.top = Amps::new(top);
            assert_order(
                guard.propose(Proposal::Arrange(claimed)).await,
                "no further",
            );
        }
        guard.propose(Proposal::Arrange(first)).await.unwrap();
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}

/// Nothing is proposed any more, and current flows: the rig is watched all the same.
#[test]
fn a_procedure_that_does_nothing_is_watched() {
    paused(async {
        let mut stage = Stage::new("fennel");
        let mut guard = begun(&mut stage).await;
        guard.propose(drive(Amps::micro(0.5), 1.0)).await.unwrap();
        sleep(Seconds::new(30.0).duration()).await;
        let flows = stage.truth().current;
        assert!(flows > 3e-7, "nothing happened, and it flows on: {flows}");
        stage.bench.lock().unwrap().run_away();
        sleep(Seconds::new(1.0).duration()).await;
        assert_at_rest(&stage.truth());
        let ending = guard.end().await.unwrap();
        assert!(
            matches!(ending.fault, Some(Fault::Current { .. })),
            "{:?}",
            ending.fault
        );
    });
}

/// Leads swapped, a current at once, and then only watching: the needle is let back before it is on its
/// lower stop.
#[test]
fn a_hold_lets_a_reversed_needle_back() {
    paused(async {
        let mut movement = find("gossamer").unwrap();
        movement.condition = hw_sim::Condition::Reversed;
        let mut stage = Stage::of(&movement, 7);
        let mut guard = begun(&mut stage).await;
        guard.propose(drive(Amps::micro(0.97), 0.0)).await.unwrap();
        let held = guard.propose(hold(5.0)).await.unwrap();
        assert!(held.backwards, "{held:?}");
        let truth = stage.truth();
        assert_eq!(truth.driven_stop_hits, 0, "{truth:?}");
        assert!(truth.current < 0.5e-6, "{truth:?}");
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}

/// Seen at 60 % and brought back to zero, this needle then hangs there. A ramp up to where it stood ends long
/// before it would let go, and no other begins.
#[test]
fn a_ramp_ends_under_a_needle_that_hangs() {
    paused(async {
        let movement = find("heron").unwrap();
        let mut hangs = hw_sim::Fault::new(Place::Movement, Kind::Sticks).sized(0.5);
        hangs.after_seconds = 600.0;
        let faults = Faults { fault: vec![hangs] };
        let mut stage = Stage::on(Bench::faulty(&movement, 7, &faults));
        let mut guard = started(&mut stage).await;
        let arrangement = reaching(&stage);
        guard.propose(Proposal::Arrange(arrangement)).await.unwrap();
        let reached = bring(&mut guard, 0.6).await;
        let dynamics = Dynamics {
            period: Seconds::new(movement.period),
            damping: movement.damping,
        };
        guard.propose(Proposal::Identified(dynamics)).await.unwrap();
        guard.propose(drive(Amps::ZERO, 12.0)).await.unwrap();
        guard.propose(hold(700.0)).await.unwrap();
        for _ in 0..2 {
            let up = guard.propose(drive(reached * 0.95, 20.0)).await;
            assert!(
                matches!(up, Err(Halt::Refused(Refusal::Sticks { .. }))),
                "{up:?}"
            );
        }
        let truth = stage.truth();
        assert!(truth.current < 0.3 * reached.get(), "{truth:?}");
        assert!(truth.deflection < 0.1, "it never let go: {truth:?}");
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}
