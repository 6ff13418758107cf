//! Proposals that the guard refuses: not one line goes to an instrument, and the run goes on.

use super::callers::{first_arrangement, look_at_zero};
use super::scene::{Stage, assert_at_rest, paused};
use guard::{Arrangement, Guard, Halt, Proposal, Refusal, Report, Rig};
use quantity::{Amps, Seconds, Volts};
use std::future::Future;

fn on_stage<F: Future<Output = Guard>>(body: impl FnOnce(Guard, Witness) -> F) {
    paused(async {
        let mut stage = Stage::new("heron");
        let tap = Box::new(stage.tap.clone());
        let guard = stage.guard(tap).await.unwrap();
        let witness = Witness {
            arrangement: first_arrangement(&stage.rig),
            stage,
        };
        let bench = witness.stage.bench.clone();
        let guard = body(guard, witness).await;
        let ending = guard.end().await.unwrap();
        assert!(ending.fault.is_none(), "{:?}", ending.fault);
        assert!(ending.safe.verified);
        let mut bench = bench.lock().unwrap();
        bench.catch_up();
        assert_at_rest(&bench.truth());
    });
}

struct Witness {
    stage: Stage,
    arrangement: guard::Arrangement,
}

impl Witness {
    /// Proposes what must be refused, and sees that the instruments heard nothing of it.
    async fn refused(&self, guard: &mut Guard, proposal: Proposal) -> Refusal {
        let before = self.stage.truth();
        let kept = self.stage.tap.take().len();
        assert!(kept < 10_000);
        let answer = guard.propose(proposal).await;
        let after = self.stage.truth();
        assert_eq!(after.lines, before.lines, "an instrument was spoken to");
        assert_eq!(after.current, before.current);
        match answer {
            Err(Halt::Refused(refusal)) => refusal,
            Err(Halt::Fault(fault)) => panic!("a fault: {fault}"),
            Ok(report) => panic!("carried out: {report:?}"),
        }
    }

    async fn arrange(&self, guard: &mut Guard) {
        let proposal = Proposal::Arrange(self.arrangement.clone());
        guard.propose(proposal).await.unwrap();
    }
}

fn drive(micro: f64) -> Proposal {
    Proposal::Drive {
        target: Amps::micro(micro),
        over: Seconds::new(1.0),
    }
}

#[test]
fn driving_before_anything_is_arranged() {
    on_stage(|mut guard, witness| async move {
        let refusal = witness.refused(&mut guard, drive(0.5)).await;
        assert!(matches!(refusal, Refusal::Order(_)), "{refusal}");
        let refusal = witness.refused(&mut guard, Proposal::Wiggle).await;
        assert!(matches!(refusal, Refusal::Order(_)), "{refusal}");
        witness.arrange(&mut guard).await;
        guard.propose(drive(0.5)).await.unwrap();
        guard
    });
}

#[test]
fn a_target_above_the_allowance() {
    on_stage(|mut guard, witness| async move {
        witness.arrange(&mut guard).await;
        let refusal = witness.refused(&mut guard, drive(1.2)).await;
        assert!(
            matches!(refusal, Refusal::Allowance { bound, allowance } if bound > allowance),
            "{refusal}"
        );
        let refusal = witness.refused(&mut guard, drive(1e6)).await;
        assert!(matches!(refusal, Refusal::Range { .. }), "{refusal}");
        let refusal = witness.refused(&mut guard, drive(-0.1)).await;
        assert!(matches!(refusal, Refusal::Range { .. }), "{refusal}");
        guard.propose(drive(0.5)).await.unwrap();
        guard
    });
}

#[test]
fn a_target_or_ramp_that_is_no_number() {
    on_stage(|mut guard, witness| async move {
        witness.arrange(&mut guard).await;
        witness.refused(&mut guard, drive(f64::NAN)).await;
        for over in [f64::NAN, f64::INFINITY, -1.0] {
            let proposal = Proposal::Drive {
                target: Amps::micro(0.5),
                over: Seconds::new(over),
            };
            witness.refused(&mut guard, proposal).await;
        }
        guard
    });
}

#[test]
fn a_path_that_is_not_earned() {
    on_stage(|mut guard, witness| async move {
        for range in witness.stage.rig.creep_ranges() {
            if range.path == 0 {
                continue;
            }
            let arrangement = guard::Arrangement {
                range,
                ..witness.arrangement.clone()
            };
            let refusal = witness
                .refused(&mut guard, Proposal::Arrange(arrangement))
                .await;
            assert!(matches!(refusal, Refusal::NotEarned { .. }), "{refusal}");
        }
        guard
    });
}

#[test]
fn moving_contacts_under_current() {
    on_stage(|mut guard, witness| async move {
        witness.arrange(&mut guard).await;
        guard.propose(drive(0.5)).await.unwrap();
        let other = guard::Arrangement {
            reversed: true,
            largest_drop: Volts::new(0.1),
            ..witness.arrangement.clone()
        };
        let refusal = witness.refused(&mut guard, Proposal::Arrange(other)).await;
        assert!(matches!(refusal, Refusal::Order(_)), "{refusal}");
        guard
    });
}

#[test]
fn backwards_before_anything_is_known_of_the_polarity() {
    on_stage(|mut guard, witness| async move {
        let reversed = guard::Arrangement {
            reversed: true,
            ..witness.arrangement.clone()
        };
        let arranged = guard.propose(Proposal::Arrange(reversed)).await;
        arranged.unwrap();
        let refusal = witness.refused(&mut guard, drive(0.9)).await;
        assert!(
            matches!(refusal, Refusal::Backwards { bound, limit } if bound > limit),
            "{refusal}"
        );
        guard
    });
}

#[test]
fn a_resistor_beyond_its_rating() {
    paused(async {
        let mut stage = Stage::new("heron");
        let arrangement = first_arrangement(&stage.rig);
        // 0.9 µA in 40 kΩ is 32 nW.
        stage.edit(
            "power = \"0.25 W\"\nchannel = 111",
            "power = \"10 nW\"\nchannel = 111",
        );
        let tap = Box::new(stage.tap.clone());
        let mut guard = stage.guard(tap).await.unwrap();
        let witness = Witness { stage, arrangement };
        witness.arrange(&mut guard).await;
        let refusal = witness.refused(&mut guard, drive(0.9)).await;
        assert!(
            matches!(&refusal, Refusal::Rating { element, power, rating }
                if element.contains("111") && power > rating),
            "{refusal}"
        );
        guard.propose(drive(0.4)).await.unwrap();
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}

/// A needle that is stuck, driven as far as the guard lets one who never throws the polarity.
#[test]
fn growth_without_motion_past_a_milestone() {
    paused(async {
        let mut stage = Stage::new("boulder");
        let arrangement = first_arrangement(&stage.rig);
        let tap = Box::new(stage.tap.clone());
        let mut guard = stage.guard(tap).await.unwrap();
        let witness = Witness { stage, arrangement };
        witness.arrange(&mut guard).await;
        let mut ended = None;
        for range in witness.stage.rig.creep_ranges().into_iter().take(3) {
            let top = range.top;
            let next = guard::Arrangement {
                range,
                ..witness.arrangement.clone()
            };
            if ended.is_some() {
                break;
            }
            guard.propose(drive(0.0)).await.unwrap();
            guard.propose(Proposal::Arrange(next)).await.unwrap();
            let mut target = Amps::micro(0.5);
            while ended.is_none() && target < top {
                let report = guard.propose(step_to(target)).await.unwrap();
                ended = report.quiet_end.map(|_| target);
                target = report.furthest * 0.98;
            }
        }
        let here = ended.expect("growth never ended");
        let refusal = witness.refused(&mut guard, step_to(here * 1.005)).await;
        assert!(matches!(refusal, Refusal::Quiet(_)), "{refusal}");
        assert!(refusal.to_string().contains("let go"), "{refusal}");
        // 0.5 mV over 100 Ω.
        let peak = witness.stage.truth().peak_current;
        assert!((4.8e-6..5.3e-6).contains(&peak), "{peak} A");
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}

fn step_to(target: Amps) -> Proposal {
    let over = Seconds::ZERO;
    Proposal::Drive { target, over }
}

/// A needle whose scale begins at four fifths of its current passes all of it within a quarter more. The
/// guard stops a ramp at the first motion, however far its end was permitted when nothing moved.
#[test]
fn a_ramp_without_motion_ends_at_the_first_motion() {
    paused(async {
        let mut movement = hw_sim::find("heron").unwrap();
        movement.law = hw_sim::Law::Suppressed(0.8);
        movement.copper = 900.0;
        let mut stage = Stage::of(&movement, 7);
        stage.edit("unseen_drop = \"20 mV\"", "unseen_drop = \"50 mV\"");
        let arrangement = first_arrangement(&stage.rig);
        let tap = Box::new(stage.tap.clone());
        let mut guard = stage.guard(tap).await.unwrap();
        let here = grown_unseen(&mut guard, &stage.rig, arrangement, Amps::micro(38.0)).await;
        assert!(!here.moved, "{here:?}");
        let full_scale = stage.truth().full_scale_current.unwrap();
        let target = here.furthest * 0.97;
        assert!(
            target.get() > 1.05 * full_scale,
            "{target} of {full_scale} A"
        );
        let over = Seconds::new(3.0);
        let ramp = guard.propose(Proposal::Drive { target, over }).await;
        assert!(ramp.unwrap().cut_short);
        guard.propose(hold(3.0)).await.unwrap();
        let truth = stage.truth();
        assert!(
            truth.peak_deflection < 1.0 && truth.driven_stop_hits == 0,
            "{truth:?}"
        );
        assert!(guard.end().await.unwrap().fault.is_none());
    });
}

/// Grows the current to `enough` as a procedure does that sees nothing move, and holds it until half
/// as much again is permitted.
async fn grown_unseen(guard: &mut Guard, rig: &Rig, first: Arrangement, enough: Amps) -> Report {
    guard
        .propose(Proposal::Arrange(first.clone()))
        .await
        .unwrap();
    guard.propose(look_at_zero()).await.unwrap();
    let mut ranges = rig.creep_ranges().into_iter();
    let mut range = ranges.next().unwrap();
    let mut target = Amps::micro(0.5);
    for _ in 0..200 {
        guard.propose(step_to(target)).await.unwrap();
        let here = guard.propose(hold(1.0)).await.unwrap();
        if here.quiet_end.is_some() {
            let after = guard.propose(Proposal::LetGo).await.unwrap();
            assert_eq!(after.quiet_end, None);
        } else if target < enough {
            target = (target * 1.3).min(here.furthest).min(enough);
        } else if here.furthest > enough * 1.5 {
            return here;
        }
        if target > range.top {
            guard.propose(drive(0.0)).await.unwrap();
            range = ranges.next().unwrap();
            let range = range.clone();
            let next = Arrangement {
                range,
                ..first.clone()
            };
            guard.propose(Proposal::Arrange(next)).await.unwrap();
        }
    }
    panic!("the guard permits no more than {target}");
}

fn hold(seconds: f64) -> Proposal {
    Proposal::Hold(Seconds::new(seconds))
}
