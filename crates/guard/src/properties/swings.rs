//! How far the check lets the needle swing, against the same worked out in words of its own.

use super::{amps, arrangement, close, known, least, seen, standing, unlimited};
use crate::allowance::{Evidence, Point};
use crate::check::{Dynamics, Known, LoopMeasured};
use crate::refusal::Refusal;
use crate::rig::Rig;
use crate::state::State;
use quantity::{Amps, Ohms, Seconds, Volts};

const CALM: Dynamics = Dynamics {
    period: Seconds::new(1.0),
    damping: 0.5,
};

/// The movement's share of the loop.
const OF_LOOP: f64 = 0.01 / 1.01;

/// The loop measured at 60 µA, so that the bound is a target's own share above it: all that the file
/// grants, and the movement.
fn at_sixty<'a>(rig: &'a Rig, evidence: &'a Evidence) -> (Known<'a>, State, f64) {
    let arrangement = arrangement(rig, 1);
    let ohms = least(rig, &arrangement) * 1.01;
    let volts = 60e-6 * ohms;
    let measured = Some(LoopMeasured {
        ohms: Ohms::new(ohms),
        u: 0.0,
        volts: Volts::new(volts),
        movement: Some(Ohms::new(OF_LOOP * ohms)),
        rest: None,
    });
    let known = Known {
        measured,
        dynamics: Some(CALM),
        ..known(rig, evidence)
    };
    (known, standing(&arrangement, Volts::new(volts)), ohms)
}

/// What flows at the least at the set-point `volts` where 60 µA are measured: there may be diodes in the
/// movement, and its drop stay what it was. The loop is known to twice `u`.
fn flows(volts: f64, ohms: f64, u: f64) -> f64 {
    let then = 60e-6 * ohms;
    let driven = then - (then - volts) / (1.0 - OF_LOOP);
    (driven * (1.0 - 2.0 * u) - 1e-3).max(0.0) / ohms
}

/// Where the needle stands at least: the offset of 1 mV may take that much from the current.
fn lowest(evidence: &Evidence, state: &State, ohms: f64) -> f64 {
    let current = (state.volts - Volts::milli(1.0)) / Ohms::new(ohms);
    evidence.deflection_low(current).unwrap()
}

/// Where the needle can get by a step: the overshoot of 0.8 × the damping, e^(−πζ/√(1−ζ²)) of the
/// way; 0.253 83 at ζ = 0.4.
#[test]
fn the_peak_of_a_step() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, ohms) = at_sixty(&rig, &evidence);
    let drive = known.drive(&state, amps(70.0), Seconds::ZERO).unwrap();
    let end = evidence.deflection_high(drive.bound).unwrap();
    let start = lowest(&evidence, &state, ohms);
    assert!((0.596..0.6).contains(&start), "{start}");
    let overshoot = 0.253_827;
    let expected = end + overshoot * (end - start);
    let peak = drive.peak.unwrap();
    assert!((peak - expected).abs() < 1e-6, "{peak}, {expected}");
    // 0.6 × (0.97 × 7/6 + 0.03 × (7/6)²) = 0.703 5, more for the bound's own margin: overshoot, offset,
    // and a hundredth of the step that the movement need not take.
    assert!((0.703_5..0.7075).contains(&end), "{end}");
}

/// What a knob that is turned evenly over n periods leaves, 1/(πn), once it takes longer than one; 0.881 9 is
/// the overshoot at 0.8 × a damping of 0.05.
#[test]
fn the_peak_of_a_turn_of_the_hand() {
    let mut rig = unlimited();
    rig.supply.resource = drivers::Resource::ByHand;
    let evidence = seen(0.0, &[0.3, 0.4]);
    let lively = Dynamics {
        damping: 0.05,
        ..CALM
    };
    let (known, state, ohms) = at_sixty(&rig, &evidence);
    let known = Known {
        dynamics: Some(lively),
        ..known
    };
    let start = lowest(&evidence, &state, ohms);
    let overshoot = 0.881_9;
    for (n, left) in [
        (0.5, overshoot),
        (0.99, overshoot),
        (1.0, overshoot),
        (1.01, 1.0 / (1.01 * std::f64::consts::PI)),
        (3.0, 1.0 / (3.0 * std::f64::consts::PI)),
    ] {
        let over = CALM.period * 1.15 * n;
        let drive = known.drive(&state, amps(70.0), over).unwrap();
        let end = evidence.deflection_high(drive.bound).unwrap();
        let expected = end + left * (end - start);
        let peak = drive.peak.unwrap();
        assert!((peak - expected).abs() < 2e-4, "{n}: {peak}, {expected}");
    }
}

/// What a raised cosine of n periods leaves, 1/(πn(n²−1)); the period is trusted to 15 %.
#[test]
fn the_peak_of_a_ramp() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, ohms) = at_sixty(&rig, &evidence);
    let start = lowest(&evidence, &state, ohms);
    for (n, left) in [(2.0, 1.0 / (6.0 * std::f64::consts::PI)), (1.39, 0.253_827)] {
        let over = Seconds::new(n * 1.15);
        let drive = known.drive(&state, amps(80.0), over).unwrap();
        let end = evidence.deflection_high(drive.bound).unwrap();
        let expected = end + left * (end - start);
        let peak = drive.peak.unwrap();
        assert!((peak - expected).abs() < 1e-6, "{n}: {peak}, {expected}");
    }
}

/// A slower needle than the rig file prepares for is not believed; an unknown one is that slow, and
/// without damping a step of it leaves the whole way.
#[test]
fn the_peak_without_dynamics_or_with_slow_ones() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, ohms) = at_sixty(&rig, &evidence);
    let start = lowest(&evidence, &state, ohms);
    let slow = Dynamics {
        period: Seconds::new(10.0),
        damping: 0.05,
    };
    let left = 1.0 / (6.0 * std::f64::consts::PI);
    for dynamics in [None, Some(slow)] {
        let known = Known { dynamics, ..known };
        let drive = known.drive(&state, amps(70.0), Seconds::new(6.0)).unwrap();
        let end = evidence.deflection_high(drive.bound).unwrap();
        let expected = end + left * (end - start);
        assert!((drive.peak.unwrap() - expected).abs() < 1e-6);
    }
    let unknown = Known {
        dynamics: None,
        ..known
    };
    let drive = unknown.drive(&state, amps(70.0), Seconds::ZERO).unwrap();
    let end = evidence.deflection_high(drive.bound).unwrap();
    assert!((drive.peak.unwrap() - (end + (end - start))).abs() < 1e-6);
}

/// From nothing the whole way overshoots, by 25.4 % of it. Seen at 90 %, the needle may stand at
/// 90 % × √(I/90 µA): 81.3 %, which overshoots to 102 %, are reached at 73.5 µA.
#[test]
fn a_step_from_nothing_overshoots_by_the_whole_way() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.6, 0.9]);
    let (known, state, _) = at_sixty(&rig, &evidence);
    let state = State {
        volts: Volts::ZERO,
        ..state
    };
    for (micro, refused) in [(71.5, false), (74.0, true)] {
        let step = known.drive(&state, amps(micro), Seconds::ZERO);
        let found = matches!(step, Err(Refusal::Overshoot { peak, .. }) if peak > 1.02);
        assert_eq!(found, refused, "{micro}: {step:?}");
        assert_eq!(step.is_ok(), !refused);
    }
}

#[test]
fn an_overdamped_needle_does_not_swing() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, _) = at_sixty(&rig, &evidence);
    let dynamics = Some(Dynamics {
        damping: 1.3,
        ..CALM
    });
    let known = Known { dynamics, ..known };
    let drive = known.drive(&state, amps(90.0), Seconds::ZERO).unwrap();
    close(
        drive.peak.unwrap(),
        evidence.deflection_high(drive.bound).unwrap(),
    );
}

/// The peak of a way down is where it starts.
#[test]
fn the_peak_of_a_fall() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, _) = at_sixty(&rig, &evidence);
    let drive = known.drive(&state, amps(58.0), Seconds::ZERO).unwrap();
    close(drive.peak.unwrap(), 0.6);
}

/// A fall from d swings 0.253 83 d below zero: 2.2 % of scale are reached from 8.667 %.
#[test]
fn a_fall_to_zero_at_its_limit() {
    let rig = unlimited();
    for (from, refused) in [(0.0863, false), (0.0870, true)] {
        let evidence = seen(0.0, &[0.04, from]);
        let (known, mut state, ohms) = at_sixty(&rig, &evidence);
        state.volts = Volts::new(from * 100e-6 * ohms);
        let measured = known.measured.map(|m| LoopMeasured {
            volts: state.volts,
            ..m
        });
        let known = Known { measured, ..known };
        let fall = known.drive(&state, Amps::ZERO, Seconds::ZERO);
        let undershoot = matches!(fall, Err(Refusal::Undershoot { lowest }) if lowest < -0.022);
        assert_eq!(undershoot, refused, "{from}: {fall:?}");
        assert_eq!(fall.is_ok(), !refused);
    }
}

/// Undamped, a needle falls as far below its zero as it stood above: from just 2.2 % it may.
#[test]
fn a_fall_that_just_may_be() {
    let rig = unlimited();
    let nothing = Evidence::default();
    let (known, mut state, _) = at_sixty(&rig, &nothing);
    let here = |state: &State| known.drive(state, amps(60.0), Seconds::ZERO).unwrap();
    // On the supply's own grid.
    state.volts = here(&state).volts;
    let flows = here(&state).bound;
    for (stands, refused) in [(0.022, false), (0.022_f64.next_up(), true)] {
        let mut evidence = seen(0.0, &[]);
        for (share, deflection) in [(0.5, 0.01), (1.0, stands)] {
            evidence.stood(Point {
                current: flows * share,
                deflection,
                u: 0.0,
                fell: false,
            });
        }
        let known = Known {
            evidence: &evidence,
            dynamics: None,
            ..known
        };
        let fall = known.drive(&state, Amps::ZERO, Seconds::ZERO);
        assert_eq!(fall.is_err(), refused, "{stands}: {fall:?}");
    }
}

/// Part of the way down: the end is where a convex law can be at the least, and the supply's offset
/// may take 1 mV more.
#[test]
fn a_fall_part_of_the_way() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, ohms) = at_sixty(&rig, &evidence);
    for (target, refused) in [(14.5, false), (11.5, true)] {
        let fall = known.drive(&state, amps(target), Seconds::ZERO);
        let volts = (target * 1e-6 * ohms / 1e-4 + 1e-9).floor() * 1e-4;
        let end = 0.6 * (1.0 - 1.03 * (1.0 - flows(volts, ohms, 0.0) / 60e-6));
        let lowest = end - 0.253_827 * (0.6 - end);
        assert_eq!(lowest < -0.022, refused, "the case itself: {lowest}");
        match fall {
            Err(Refusal::Undershoot { lowest: found }) => {
                assert!(
                    refused && (found - lowest).abs() < 1e-4,
                    "{found}, {lowest}"
                );
            }
            other => assert!(!refused && other.is_ok(), "{other:?}"),
        }
    }
    // With the shunt closed the movement may carry next to nothing.
    let mut shunted = state.clone();
    if let Some(arrangement) = &mut shunted.arrangement {
        arrangement.shunt = vec![3];
    }
    let fall = known.drive(&shunted, amps(50.0), Seconds::ZERO);
    assert!(matches!(fall, Err(Refusal::Undershoot { .. })), "{fall:?}");
}

/// Where the loop is known to 2 %, the end of a fall may lie twice that lower, and the start is what
/// the file has at most.
#[test]
fn a_fall_through_a_loop_in_doubt() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, ohms) = at_sixty(&rig, &evidence);
    let measured = known.measured.map(|m| LoopMeasured { u: 0.02, ..m });
    let known = Known { measured, ..known };
    let fall = known.drive(&state, amps(9.0), Seconds::ZERO);
    let volts = (9e-6 * ohms / 1e-4 + 1e-9).floor() * 1e-4;
    let end = 0.6 * (1.0 - 1.03 * (1.0 - flows(volts, ohms, 0.02) / 60e-6));
    let start = (state.volts.get() * 1.000_5 + 1e-3) / (ohms / 1.01);
    let start = evidence.deflection_high(Amps::new(start)).unwrap();
    let lowest = end - 0.253_827 * (start - end);
    assert!(
        matches!(fall, Err(Refusal::Undershoot { lowest: found }) if (found - lowest).abs() < 1e-5),
        "{fall:?}, {lowest}"
    );
}

/// The largest accepted target is accepted, and a little more is not.
#[test]
fn the_furthest_is_the_edge() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let (known, state, _) = at_sixty(&rig, &evidence);
    let arrangement = state.arrangement.as_ref().unwrap();
    let furthest = known.furthest(arrangement);
    let slowly = Seconds::new(60.0);
    known.drive(&state, furthest * 0.9995, slowly).unwrap();
    let more = known.drive(&state, furthest * 1.001, slowly);
    assert!(matches!(more, Err(Refusal::Allowance { .. })), "{more:?}");
    // Where nothing was measured it follows from the file.
    let known = Known {
        measured: None,
        ..known
    };
    let ohms = least(&rig, arrangement);
    let allowance = evidence.allowance(&rig.limits).get();
    let volts = (allowance * ohms - 1e-3 - 1e-4 * 0.02) / 1.0005;
    let found = known.furthest(arrangement).get();
    assert!((found / (volts / ohms) - 1.0).abs() < 1e-5, "{found}");
}

/// After one sighting of motion: gently, or no further than 70 % of the allowance.
#[test]
fn after_one_sighting_only_gently() {
    let rig = unlimited();
    let evidence = seen(0.0, &[0.6]);
    let (known, state, _) = at_sixty(&rig, &evidence);
    let hard = known.drive(&state, amps(61.0), Seconds::ZERO);
    assert!(matches!(hard, Err(Refusal::Order(_))), "{hard:?}");
    // 1/(πn(n²−1)) is 0.1 at n = 1.697.
    let n = |n: f64| Seconds::new(n * 1.15);
    assert!(known.drive(&state, amps(61.0), n(1.68)).is_err());
    known.drive(&state, amps(61.0), n(1.71)).unwrap();
    // 70 % of 60 µA × 1.004/0.92.
    known.drive(&state, amps(45.6), Seconds::ZERO).unwrap();
    assert!(known.drive(&state, amps(46.0), Seconds::ZERO).is_err());
}

/// The last steps of a ramp on a coarse grid are steps for the needle as well. An unknown one, undamped,
/// swings as far again at each that comes a period after the one before; damping lets 1/(1 − o²) of
/// them last.
#[test]
fn the_peak_on_a_coarse_grid() {
    let mut rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    rig.supply.resolution = Volts::new(0.01);
    let (known, state, ohms) = at_sixty(&rig, &evidence);
    for (dynamics, share, over) in [
        (None, None, 60.0),
        // One and a half of the slowest periods, which may be shorter by the square of 1.15.
        (None, Some(1.5 * 1.15 * 1.15), 4.5),
        (
            Some(CALM),
            Some(0.253_827 / (1.0 - 0.253_827 * 0.253_827)),
            60.0,
        ),
    ] {
        let known = Known { dynamics, ..known };
        let drive = known.drive(&state, amps(66.0), Seconds::new(over)).unwrap();
        // The loop was measured along with what the supply was off by.
        let offset = |volts: f64| {
            let at = state.volts.get();
            1e-3 * (at / (at - 1e-3)) * (volts / at - 1.0).abs()
        };
        let at = |volts: f64, over: f64| {
            // What more the supply gives meets all but the movement.
            let at = state.volts.get();
            let more = ((volts - at).max(0.0) * 1.0005 + offset(volts) + over) / (1.0 - OF_LOOP);
            let amps = (at + more) / ohms;
            evidence.deflection_high(Amps::new(amps)).unwrap()
        };
        let end = at(drive.volts.get(), 0.01 * 0.02);
        let before = at(drive.volts.get() - 0.01, 0.0);
        let peak = drive.peak.unwrap();
        assert!(end - before > 0.001, "{end}, {before}");
        let steps = (drive.volts - state.volts).get() / 0.01;
        assert!((1.5..4.0).contains(&steps), "{steps}");
        let share = share.unwrap_or(steps);
        let expected = end + share * (end - before);
        assert!(
            (peak - expected).abs() < 1e-6,
            "{peak}, {expected}, {end}, {before}"
        );
    }
}
