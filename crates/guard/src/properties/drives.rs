//! What the check answers to a drive, against the same worked out in words of its own. The rig is
//! the simulated one: set-points true within 0.05 % and 1 mV, 2 % overshoot, steps of 0.1 mV.

use super::{arrangement, close, known, least, standing, unlimited};
use crate::allowance::Evidence;
use crate::check::{Dynamics, Known, LoopMeasured};
use quantity::{Amps, Ohms, Seconds, Volts};

#[test]
fn the_slower_time_constant() {
    let slow = |period: f64, damping: f64| {
        let period = Seconds::new(period);
        Dynamics { period, damping }.slow().get()
    };
    // Below critical damping that of the envelope, 1/(ζω); above it 1/(ω(ζ − √(ζ²−1))).
    close(slow(std::f64::consts::TAU, 0.25), 4.0);
    close(slow(2.0 * std::f64::consts::TAU, 0.5), 4.0);
    close(slow(std::f64::consts::TAU, 1.25), 2.0);
    close(slow(std::f64::consts::TAU, 2.6), 5.0);
    // Nothing is believed to be damped less than a hundredth of critical.
    close(slow(std::f64::consts::TAU, 0.0), 100.0);
}

/// A loop of twice the resistance damps half as much at the least, one of half of it no more.
#[test]
fn damping_in_another_loop() {
    let found = Dynamics {
        period: Seconds::new(1.0),
        damping: 0.6,
    };
    for (now, damping) in [(2e3, 0.3), (1e3, 0.6), (500.0, 0.6)] {
        let there = found.in_loop(Ohms::new(1e3), Ohms::new(now));
        close(there.damping, damping);
        assert_eq!(there.period, found.period);
    }
}

#[test]
fn without_a_measurement_the_file_alone_counts() {
    let rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let known = known(&rig, &evidence);
    let ohms = least(&rig, &arrangement);
    let target = arrangement.range.top * 0.6;
    for (over, from, share) in [
        (0.0, 0.0, 1.0),
        // One set-point is a step, two may be one step as well.
        (0.05, 0.0, 1.0),
        (0.1, 0.0, 1.0),
        // The steepest of twenty is twice as steep as their mean.
        (1.0, 0.0, 0.1),
        (1.0, 1.0, 0.1),
    ] {
        let state = standing(&arrangement, Volts::new(from));
        let drive = known.drive(&state, target, Seconds::new(over)).unwrap();
        let volts = (target.get() * ohms / 1e-4 + 1e-9).floor() * 1e-4;
        close(drive.volts.get(), volts);
        // No finer than the supply's own steps.
        let step = ((volts - from) * share / 1e-4 - 1e-9).ceil() * 1e-4;
        close(
            drive.bound.get(),
            (volts * 1.0005 + 1e-3 + step * 0.02) / ohms,
        );
        assert_eq!(drive.peak, None);
    }
    // Contacts that may be closed raise what can flow, not what is expected to.
    let doubtful = Known {
        stuck: 1.2,
        ..known
    };
    let drive = doubtful
        .drive(
            &standing(&arrangement, Volts::new(0.0)),
            target,
            Seconds::ZERO,
        )
        .unwrap();
    close(drive.bound.get(), drive.expected.get() * 1.2);
    // Downwards nothing overshoots.
    let drive = known
        .drive(
            &standing(&arrangement, Volts::new(7.0)),
            target,
            Seconds::ZERO,
        )
        .unwrap();
    close(
        drive.bound.get(),
        (drive.volts.get() * 1.0005 + 1e-3) / ohms,
    );
}

/// However slow the ramp, each of its steps is one of the supply's own, and overshoots as such.
#[test]
fn a_ramp_on_a_coarse_grid_goes_by_its_steps() {
    let mut rig = unlimited();
    rig.supply.resolution = Volts::new(0.25);
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let state = standing(&arrangement, Volts::new(1.0));
    let ohms = least(&rig, &arrangement);
    for (volts, step) in [(3.0, 0.25), (1.25, 0.25), (1.0, 0.0)] {
        let target = Amps::new((volts + 0.1) / ohms);
        let drive = known(&rig, &evidence)
            .drive(&state, target, Seconds::new(60.0))
            .unwrap();
        close(drive.volts.get(), volts);
        close(
            drive.bound.get(),
            (volts * 1.0005 + 1e-3 + step * 0.02) / ohms,
        );
    }
}

/// A hand sets a supply to the nearest of its digits of 10 mV, anew each time: what it gives is off by up
/// to 6 mV, either way, when the loop is measured and again when it is driven. Ohm's law with the worst
/// of both must stay within the bound.
#[test]
fn what_a_hand_sets_is_within_the_bound() {
    let mut rig = unlimited();
    rig.supply.resource = drivers::Resource::ByHand;
    rig.supply.resolution = Volts::milli(10.0);
    rig.supply.offset = Volts::milli(6.0);
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let ohms = least(&rig, &arrangement) * 1.01;
    let mut by_loop = 0;
    for (measured_at, driven_at) in [
        (0.05, 0.06),
        (0.1, 0.11),
        (0.1, 0.4),
        (0.4, 0.1),
        (2.0, 2.1),
    ] {
        for (then, now) in [(-6e-3, 6e-3), (6e-3, 6e-3), (6e-3, -6e-3)] {
            let loop_ohms = measured_at * ohms / (measured_at + then);
            let known = Known {
                measured: Some(LoopMeasured {
                    ohms: Ohms::new(loop_ohms),
                    u: 0.3 * 0.01 / measured_at,
                    volts: Volts::new(measured_at),
                    movement: None,
                    rest: None,
                }),
                ..known(&rig, &evidence)
            };
            let state = standing(&arrangement, Volts::new(driven_at - 0.01));
            let target = Amps::new((driven_at + 1e-6) / loop_ohms);
            let drive = known.drive(&state, target, Seconds::ZERO).unwrap();
            close(drive.volts.get(), driven_at);
            let flows = Amps::new((driven_at + now) / ohms);
            let bound = drive.bound;
            assert!(bound >= flows, "{measured_at} {driven_at}: {bound} {flows}");
            // By the file, or by the loop as measured: at its worst 12 mV of the set-point drove nothing
            // then, and 6 mV more drive now; 10 mV of step overshoot by 2 %.
            let (larger, over) = (measured_at / (measured_at - 12e-3), 0.01 * 0.02);
            let change = 6e-3 * (1.0 + (1.0 - driven_at / measured_at).abs());
            let looped =
                (driven_at + larger * change + over) / (loop_ohms * (1.0 - 0.006 / measured_at));
            let stated = (driven_at * 1.0005 + 6e-3 + over) / least(&rig, &arrangement);
            close(bound.get(), looped.min(stated));
            by_loop += u32::from(looped < stated);
        }
    }
    assert!(by_loop >= 3, "{by_loop}");
}

#[test]
fn a_measured_loop_counts_where_it_gives_less() {
    let rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let ohms = least(&rig, &arrangement) * 1.02;
    let measured = |u: f64, ohms: f64| {
        Some(LoopMeasured {
            ohms: Ohms::new(ohms),
            u,
            volts: Volts::new(2.0),
            movement: Some(Ohms::ZERO),
            rest: None,
        })
    };
    let state = standing(&arrangement, Volts::new(1.0));
    for target in [0.3, 0.7] {
        let target = arrangement.range.top * target;
        let known = Known {
            measured: measured(5e-4, ohms),
            ..known(&rig, &evidence)
        };
        let drive = known.drive(&state, target, Seconds::new(1.0)).unwrap();
        let volts = (target.get() * ohms / 1e-4 + 1e-9).floor() * 1e-4;
        close(drive.volts.get(), volts);
        // The offset was measured along with the loop at 2 V; at its most negative, 1.999 V of them
        // drove the current.
        let offset = 1e-3 * (1.0 - volts / 2.0).abs() * 2.0 / 1.999;
        let step = ((volts - 1.0).max(0.0) * 0.1 / 1e-4 - 1e-9).ceil() * 1e-4;
        let more = offset + step * 0.02;
        let proportional = (volts + more) / (ohms * 0.999);
        // Beyond 2 V no more than what the file grants resists the rest.
        let grown =
            2.0 / (ohms * 0.999) + ((volts - 2.0) * 1.0005 + more) / least(&rig, &arrangement);
        let stated = (volts * 1.0005 + 1e-3 + step * 0.02) / least(&rig, &arrangement);
        close(
            drive.bound.get(),
            stated.min(if volts < 2.0 { proportional } else { grown }),
        );
    }
    // Measurements worse than the file, or that say nothing: the file counts.
    let nothing = |volts: f64| {
        measured(0.0, ohms).map(|m| LoopMeasured {
            volts: Volts::new(volts),
            ..m
        })
    };
    for worse in [
        measured(0.05, ohms),
        measured(0.5, ohms),
        measured(0.7, ohms),
        nothing(1e-3),
        nothing(0.5e-3),
    ] {
        let known = Known {
            measured: worse,
            ..known(&rig, &evidence)
        };
        let drive = known
            .drive(&state, arrangement.range.top * 0.7, Seconds::ZERO)
            .unwrap();
        let (volts, least) = (drive.volts.get(), least(&rig, &arrangement));
        close(
            drive.bound.get(),
            (volts * 1.0005 + 1e-3 + (volts - 1.0) * 0.02) / least,
        );
    }
}

/// A rectifier, or diodes across the coil, and no resistor: between two points of such a movement more flows
/// than a resistor of the first one's size would let. Its drop grows with the current, and that is all
/// that is granted.
#[test]
fn a_movement_need_not_be_a_resistor() {
    let rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let rest = least(&rig, &arrangement);
    // Silicon: n·Vt = 50 mV and 1 nA; germanium: 26 mV and 1 µA. One or two of them, and 1 kΩ of coil; or
    // the coil with one across it; or a wire that has a fifth more resistance once it is hot.
    let drop = |kind: usize, amps: f64| match kind {
        0 => 2.0 * 0.05 * (amps / 1e-9).ln_1p() + 1e3 * amps,
        1 => 2.0 * 0.026 * (amps / 1e-6).ln_1p() + 1e3 * amps,
        2 => 0.026 * (amps / 1e-6).ln_1p(),
        _ => 1e3 * amps * (1.0 + 0.2 * (amps / 1e-3).powi(2).min(1.0)),
    };
    let flows = |kind: usize, volts: f64| {
        let (mut low, mut high) = (0.0, volts / rest);
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            match rest * middle + drop(kind, middle) < volts {
                true => low = middle,
                false => high = middle,
            }
        }
        high
    };
    let (mut useful, mut cases) = (0, 0);
    for kind in 0..4 {
        for measured_at in [0.05, 0.25, 1.0, 4.0] {
            for driven_at in [0.04, 0.2, 0.5, 0.9, 1.1, 2.0, 3.6, 8.0] {
                let there = flows(kind, measured_at);
                let known = Known {
                    measured: Some(LoopMeasured {
                        ohms: Ohms::new(measured_at / there),
                        u: 0.0,
                        volts: Volts::new(measured_at),
                        movement: Some(Ohms::new(drop(kind, there) / there)),
                        rest: None,
                    }),
                    ..known(&rig, &evidence)
                };
                let state = standing(&arrangement, Volts::ZERO);
                let target = Amps::new((driven_at + 1e-6) * there / measured_at);
                let drive = known.drive(&state, target, Seconds::ZERO).unwrap();
                let flows = flows(kind, drive.volts.get());
                let bound = drive.bound.get();
                let case = format!("{kind}: {driven_at} V, measured at {measured_at} V");
                assert!(bound >= flows, "{case}: {flows} above {bound}");
                // From 0.5 V on the offset of 1 mV counts for little.
                cases += u32::from(driven_at > 0.4);
                useful += u32::from(driven_at > 0.4 && bound < 1.3 * flows);
            }
        }
    }
    assert!(useful * 2 > cases, "{useful} of {cases}");
}

/// At the very set-point of the measurement, and with a contact that may be stuck.
#[test]
fn what_more_flows_than_was_measured() {
    let rig = unlimited();
    let (evidence, arrangement) = (Evidence::default(), arrangement(&rig, 1));
    let (rest, volts) = (least(&rig, &arrangement), 2.0);
    // As much again as the file grants, and a movement of a tenth of it.
    let ohms = 2.0 * rest;
    let measured = Some(LoopMeasured {
        ohms: Ohms::new(ohms),
        u: 0.0,
        volts: Volts::new(volts),
        movement: Some(Ohms::new(0.1 * rest)),
        rest: None,
    });
    let state = standing(&arrangement, Volts::ZERO);
    for stuck in [1.0, 1.2] {
        let known = Known {
            measured,
            stuck,
            ..known(&rig, &evidence)
        };
        let target = Amps::new((volts + 1e-6) / ohms);
        let drive = known.drive(&state, target, Seconds::ZERO).unwrap();
        close(drive.volts.get(), volts);
        // All of the step overshoots by 2 %.
        close(drive.bound.get(), volts / ohms + 0.04 * stuck / rest);
    }
}
