//! Where exactly each rule of the check begins: what lies on the limit is allowed, the least more is
//! refused.

use super::{arrangement, known, rig, seen, standing, unlimited};
use crate::allowance::{Evidence, Point};
use crate::check::{Drive, Known, LoopMeasured};
use crate::refusal::Refusal;
use crate::rig::Rig;
use crate::state::{Arrangement, loop_low};
use quantity::{Amps, Ohms, Seconds, Volts, Watts};

/// A step from zero to 60 % of the arrangement's top current, without any evidence.
fn step(rig: &Rig, arrangement: &Arrangement) -> Result<Drive, Refusal> {
    let evidence = Evidence::default();
    let target = arrangement.range.top * 0.6;
    known(rig, &evidence).drive(&standing(arrangement, Volts::ZERO), target, Seconds::ZERO)
}

fn below(limit: Amps) -> Amps {
    Amps::new(limit.get().next_down())
}

#[test]
fn the_allowance() {
    let mut rig = unlimited();
    let arrangement = arrangement(&rig, 1);
    let Drive { bound, .. } = step(&rig, &arrangement).unwrap();
    rig.limits.first_touch = bound;
    assert_eq!(step(&rig, &arrangement).unwrap().bound, bound);
    let allowance = below(bound);
    rig.limits.first_touch = allowance;
    let refusal = Refusal::Allowance { bound, allowance };
    assert_eq!(step(&rig, &arrangement), Err(refusal));
}

/// Set to zero, the supply may give 1 mV; a contact that stays closed may double the current.
#[test]
fn the_allowance_of_an_arrangement() {
    let mut rig = unlimited();
    let (evidence, next) = (Evidence::default(), arrangement(&rig, 0));
    let idle = Volts::milli(1.0) / rig.range_low(&next.range);
    for stuck in [1.0, 2.0] {
        let bound = idle * stuck;
        for (allowance, allowed) in [(bound, true), (below(bound), false)] {
            rig.limits.first_touch = allowance;
            let known = Known {
                stuck,
                ..known(&rig, &evidence)
            };
            let refusal = Refusal::Allowance { bound, allowance };
            let expected = if allowed { Ok(()) } else { Err(refusal) };
            assert_eq!(known.arrange(&next), expected);
        }
    }
}

#[test]
fn a_contact_that_stays_closed_counts_in_the_bound() {
    let rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let known = Known {
        stuck: 2.0,
        ..known(&rig, &evidence)
    };
    let (state, target) = (
        standing(&arrangement, Volts::ZERO),
        arrangement.range.top * 0.6,
    );
    let drive = known.drive(&state, target, Seconds::ZERO).unwrap();
    assert_eq!(drive.bound, step(&rig, &arrangement).unwrap().bound * 2.0);
}

#[test]
fn the_highest_set_point() {
    let rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let state = standing(&arrangement, Volts::ZERO);
    let ohms = rig.range_low(&arrangement.range);
    let to =
        |volts: f64| known(&rig, &evidence).drive(&state, Volts::new(volts) / ohms, Seconds::ZERO);
    assert_eq!(to(8.0).unwrap().volts, Volts::new(8.0));
    assert!(matches!(to(8.000_1), Err(Refusal::Range { .. })));
    assert!(matches!(to(-0.000_1), Err(Refusal::Range { .. })));
    assert_eq!(to(0.0).unwrap().volts, Volts::ZERO);
}

#[test]
fn only_finite_currents_and_ramps() {
    let rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let state = standing(&arrangement, Volts::ZERO);
    let known = known(&rig, &evidence);
    for (micro, seconds) in [
        (f64::INFINITY, 1.0),
        (f64::NAN, 1.0),
        (1.0, f64::INFINITY),
        (1.0, f64::NAN),
        (1.0, -0.1),
    ] {
        let answer = known.drive(&state, Amps::micro(micro), Seconds::new(seconds));
        assert!(
            matches!(answer, Err(Refusal::Order(_))),
            "{micro} µA, {seconds} s: {answer:?}"
        );
    }
    known
        .drive(&state, Amps::micro(1.0), Seconds::ZERO)
        .unwrap();
}

/// Whatever has been learned meanwhile, the rig may stay as it is: that is neither a raise, which
/// the rating would forbid here, nor a fall, which could end at nothing with the shunt closed.
#[test]
fn a_drive_to_the_present_set_point() {
    let mut rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let mut arrangement = arrangement(&rig, 1);
    arrangement.shunt = vec![3];
    rig.paths[arrangement.range.path].fixed.power = Watts::micro(1.0);
    let drive = |from: Volts, target: Amps, over: f64| {
        let state = standing(&arrangement, from);
        known(&rig, &evidence).drive(&state, target, Seconds::new(over))
    };
    let target = Amps::micro(50.0);
    let above = rig.range_low(&arrangement.range) * Amps::micro(52.0);
    let here = drive(above, target, 60.0).unwrap().volts;
    assert_eq!(drive(here, target, 0.0).unwrap().volts, here);
    let falls = drive(here, target * 0.99, 0.0);
    assert!(
        matches!(falls, Err(Refusal::Undershoot { .. })),
        "{falls:?}"
    );
    let rises = drive(here, target * 1.01, 0.0);
    assert!(matches!(rises, Err(Refusal::Rating { .. })), "{rises:?}");
}

/// While nothing has moved, nobody knows which way is up-scale: reversed, no more may flow than
/// what moved nothing, within 1 %.
#[test]
fn backwards_while_up_scale_is_unknown() {
    let rig = unlimited();
    let mut arrangement = arrangement(&rig, 1);
    let bound = step(&rig, &arrangement).unwrap().bound;
    arrangement.reversed = true;
    // The value of which 1 % more is the bound, to the last digit.
    let still = bound.get() / 1.01;
    let still = [still, still.next_up(), still.next_down()]
        .into_iter()
        .find(|still| still * 1.01 == bound.get());
    let still = Amps::new(still.unwrap());
    let (evidence, state) = (Evidence::default(), standing(&arrangement, Volts::ZERO));
    let reversed = |still: Amps| {
        let known = Known {
            still,
            ..known(&rig, &evidence)
        };
        known.drive(&state, arrangement.range.top * 0.6, Seconds::ZERO)
    };
    assert_eq!(reversed(still).unwrap().bound, bound);
    let limit = Amps::new(still.get().next_down());
    assert_eq!(reversed(limit), Err(Refusal::Backwards { bound, limit }));
}

/// Once up-scale is known, that polarity is held to the allowance alone; the other one to 1.5 % of
/// the full-scale current that is proven, here the allowance less the 2 % above the mark.
#[test]
fn backwards_once_up_scale_is_known() {
    let mut rig = unlimited();
    let arrangement = arrangement(&rig, 1);
    let bound = step(&rig, &arrangement).unwrap().bound;
    rig.limits.first_touch = bound;
    let evidence = Evidence::default();
    for (reversed, upscale) in [(false, false), (true, true), (false, true), (true, false)] {
        let arrangement = Arrangement {
            reversed,
            ..arrangement.clone()
        };
        let known = Known {
            upscale: Some(upscale),
            ..known(&rig, &evidence)
        };
        let state = standing(&arrangement, Volts::ZERO);
        let answer = known.drive(&state, arrangement.range.top * 0.6, Seconds::ZERO);
        if reversed == upscale {
            assert_eq!(answer.unwrap().bound, bound);
        } else {
            let limit = bound / 1.02 * 0.015;
            assert_eq!(answer, Err(Refusal::Backwards { bound, limit }));
        }
    }
}

/// Each element that carries the current, at 4096 Ω without tolerance: I²R is exact.
#[test]
fn the_ratings_of_elements() {
    // The range of first touch: some of the series elements are in the circuit, some are shorted.
    let arrangement = arrangement(&rig(), 0);
    let range = &arrangement.range;
    let used = range.series.iter().position(|used| *used).unwrap();
    let unused = range.series.iter().position(|used| !*used).unwrap();
    let change = |place: usize, power: Watts| {
        let mut rig = unlimited();
        let element = match place {
            0 => &mut rig.paths[range.path].fixed,
            1 => &mut rig.sense[range.sense],
            _ => &mut rig.series[used],
        };
        (element.ohms, element.tolerance) = (Ohms::new(4096.0), 0.0);
        element.power = power;
        // One that its relay shorts carries nothing.
        rig.series[unused].power = Watts::new(1e-15);
        rig
    };
    for place in 0..3 {
        let bound = step(&change(place, Watts::new(1e6)), &arrangement)
            .unwrap()
            .bound
            .get();
        let takes = bound * bound * 4096.0;
        step(&change(place, Watts::new(takes)), &arrangement).unwrap();
        let refused = step(&change(place, Watts::new(takes.next_down())), &arrangement);
        assert!(
            matches!(refused, Err(Refusal::Rating { power, .. }) if power.get() == takes),
            "{place}: {refused:?}"
        );
    }
}

/// Drop and power of a movement of 1024 Ω: IR and I²R are exact.
#[test]
fn the_limits_of_the_movement() {
    let mut rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let drive = |rig: &Rig| {
        let measured = Some(LoopMeasured {
            ohms: rig.range_low(&arrangement.range) + Ohms::new(1024.0),
            u: 0.0,
            volts: Volts::new(1.0),
            movement: Some(Ohms::new(1024.0)),
            rest: None,
        });
        let known = Known {
            measured,
            ..known(rig, &evidence)
        };
        let state = standing(&arrangement, Volts::ZERO);
        known.drive(&state, arrangement.range.top * 0.6, Seconds::ZERO)
    };
    let bound = drive(&rig).unwrap().bound.get();
    let (drop, power) = (bound * 1024.0, bound * bound * 1024.0);
    (rig.limits.drop, rig.limits.power) = (Volts::new(drop), Watts::new(power));
    drive(&rig).unwrap();
    for (drop, power) in [(drop.next_down(), power), (drop, power.next_down())] {
        (rig.limits.drop, rig.limits.power) = (Volts::new(drop), Watts::new(power));
        let refused = drive(&rig);
        assert!(
            matches!(refused, Err(Refusal::Movement { .. })),
            "{refused:?}"
        );
    }
}

/// At the ceiling itself the needle may stand. Lowering the ceiling lowers the allowance as well, but
/// not below this drive.
#[test]
fn the_ceiling() {
    let mut rig = unlimited();
    let evidence = seen(0.0, &[0.4, 0.6]);
    let arrangement = arrangement(&rig, 1);
    let ohms = rig.range_low(&arrangement.range);
    let state = standing(&arrangement, ohms * Amps::micro(60.0));
    let ramp =
        |rig: &Rig| known(rig, &evidence).drive(&state, Amps::micro(65.0), Seconds::new(4.5));
    let peak = ramp(&rig).unwrap().peak.unwrap();
    rig.limits.ceiling = peak;
    assert_eq!(ramp(&rig).unwrap().peak, Some(peak));
    let ceiling = peak.next_down();
    rig.limits.ceiling = ceiling;
    assert_eq!(ramp(&rig), Err(Refusal::Overshoot { peak, ceiling }));
}

/// A step of an unknown needle may swing as far below zero as it stood above: 2.2 % of scale is the
/// limit.
#[test]
fn the_lowest_swing() {
    let rig = unlimited();
    let arrangement = arrangement(&rig, 1);
    let low = rig.range_low(&arrangement.range);
    for (stood, allowed) in [(0.021_999, true), (0.022_001, false)] {
        let evidence = seen(0.0, &[0.01, stood]);
        // Accuracy and offset of the supply may make it just the current at which it stood.
        let volts = (low * Amps::micro(100.0 * stood) - Volts::milli(1.0)) / 1.0005;
        let state = standing(&arrangement, volts);
        let fall = known(&rig, &evidence).drive(&state, Amps::ZERO, Seconds::ZERO);
        assert_eq!(fall.is_ok(), allowed, "{stood}: {fall:?}");
    }
}

/// A ramp counts as one from beyond 1.4 periods on; up to there it may leave as much as a step.
#[test]
fn the_shortest_ramp_that_counts() {
    let mut rig = unlimited();
    rig.limits.slowest_period = Seconds::new(1.0);
    let evidence = seen(0.0, &[0.4, 0.6]);
    let arrangement = arrangement(&rig, 1);
    let ohms = rig.range_low(&arrangement.range);
    let state = standing(&arrangement, ohms * Amps::micro(60.0));
    for (over, left) in [
        (1.4, 1.0),
        // 1/(π n (n² − 1)) at n = 1.41.
        (1.41, 1.0 / (std::f64::consts::PI * 1.41 * 0.988_1)),
    ] {
        let measured = Some(LoopMeasured {
            ohms,
            u: 0.0,
            volts: state.volts,
            movement: Some(Ohms::ZERO),
            rest: None,
        });
        let known = Known {
            measured,
            ..known(&rig, &evidence)
        };
        let drive = known
            .drive(&state, Amps::micro(65.0), Seconds::new(over))
            .unwrap();
        let end = evidence.deflection_high(drive.bound).unwrap();
        let start = (60e-6 * ohms.get() - 1e-3) / ohms.get();
        let start = evidence.deflection_low(Amps::new(start)).unwrap();
        let (found, expected) = (drive.peak.unwrap(), end + left * (end - start));
        assert!((found - expected).abs() < 1e-9, "{found}, {expected}");
    }
}

/// The lightest path needs no evidence; a heavier one as much as its share of the fault current
/// asks for, and the ladder of the rig file must lead to it.
#[test]
fn paths_without_evidence_and_up_to_the_heaviest() {
    let rig = rig();
    let nothing = Evidence::default();
    known(&rig, &nothing)
        .arrange(&arrangement(&rig, 0))
        .unwrap();
    let mut evidence = Evidence::default();
    evidence.saw_zero(0.0);
    for deflection in [0.2, 0.4] {
        // 5 mA for the whole scale: more than 5 % of what the second path's fault drives, 2 mA.
        evidence.stood(Point {
            current: Amps::milli(5.0 * deflection),
            deflection,
            u: 0.0,
            fell: false,
        });
    }
    let second = rig.creep_ranges().into_iter().find(|range| range.path == 1);
    let next = Arrangement {
        range: second.unwrap(),
        ..arrangement(&rig, 0)
    };
    for (heaviest, allowed) in [(0, false), (1, true), (2, true)] {
        let known = Known {
            heaviest,
            ..known(&rig, &evidence)
        };
        let answer = known.arrange(&next);
        assert_eq!(answer.is_ok(), allowed, "{heaviest}: {answer:?}");
    }
}

/// A range goes as far as the supply drives through its least resistance, and not at all is no range.
#[test]
fn the_top_of_a_range() {
    let rig = unlimited();
    let (evidence, mut next) = (Evidence::default(), arrangement(&rig, 1));
    let supply = &rig.supply;
    let most = supply.highest(supply.max_voltage, Volts::ZERO) / loop_low(&rig, &next);
    for (top, refused) in [
        (most.get(), false),
        (most.get().next_up(), true),
        (f64::MIN_POSITIVE, false),
        (0.0, true),
        (-1e-6, true),
        (f64::NAN, true),
    ] {
        next.range.top = Amps::new(top);
        let answer = known(&rig, &evidence).arrange(&next);
        assert_eq!(answer.is_err(), refused, "{top}: {answer:?}");
    }
}
