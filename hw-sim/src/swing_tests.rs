//! The needle against closed forms.

use super::*;
use crate::spec::MovementSpec;
use std::f64::consts::{PI, TAU};

fn free(period: f64, damping: f64) -> Plant {
    let omega = TAU / period;
    Plant {
        stiffness: omega * omega,
        drag: 2.0 * damping * omega,
        friction: 0.0,
        breakaway: 0.0,
        stops: (-1e9, 1e9),
        restitution: 0.3,
    }
}

/// Runs under constant pull and gives (time, d, v) after every step.
fn run(plant: &Plant, swing: &mut Swing, pull: f64, seconds: f64, h: f64) -> Vec<(f64, f64, f64)> {
    let steps = (seconds / h).round() as usize;
    (1..=steps)
        .map(|k| {
            swing.step(plant, Pull::constant(pull), h);
            (k as f64 * h, swing.d, swing.v)
        })
        .collect()
}

/// Unit step response of a damped second-order system (any control textbook).
fn closed_form(t: f64, period: f64, damping: f64) -> f64 {
    let w = TAU / period;
    if damping < 1.0 {
        let wd = w * (1.0 - damping * damping).sqrt();
        let phase = damping / (1.0 - damping * damping).sqrt();
        1.0 - (-damping * w * t).exp() * ((wd * t).cos() + phase * (wd * t).sin())
    } else if damping == 1.0 {
        1.0 - (1.0 + w * t) * (-w * t).exp()
    } else {
        let root = (damping * damping - 1.0).sqrt();
        let (slow, fast) = (w * (damping - root), w * (damping + root));
        1.0 - (fast * (-slow * t).exp() - slow * (-fast * t).exp()) / (fast - slow)
    }
}

#[test]
fn step_response_follows_the_closed_form() {
    for damping in [0.08, 0.2, 0.3, 0.5, 0.8, 1.0, 1.5, 3.0] {
        let period = 1.2;
        let plant = free(period, damping);
        let h = (period / 100.0).min(0.25 / plant.drag);
        let mut swing = Swing::at_rest(0.0, &plant);
        for (t, d, _) in run(&plant, &mut swing, 1.0, 5.0, h) {
            let expected = closed_form(t, period, damping);
            assert!(
                (d - expected).abs() < 2e-6,
                "damping {damping} at {t} s: {d} {expected}"
            );
        }
    }
}

#[test]
fn overshoot_and_time_of_peak() {
    // Overshoot exp(-πζ/√(1-ζ²)) at half a damped period.
    for (damping, overshoot, at) in [
        (0.2, 0.526_620_599, 0.510_310_363),
        (0.5, 0.163_033_534, 0.577_350_269),
    ] {
        let plant = free(1.0, damping);
        let mut swing = Swing::at_rest(0.0, &plant);
        let course = run(&plant, &mut swing, 1.0, 2.0, 0.01);
        assert!(
            (swing.highest - 1.0 - overshoot).abs() < 2e-6,
            "{}",
            swing.highest
        );
        let turned = course
            .windows(2)
            .find(|pair| pair[0].2 > 0.0 && pair[1].2 <= 0.0)
            .unwrap();
        assert!(turned[0].0 <= at && at <= turned[1].0);
    }
}

#[test]
fn coulomb_friction_takes_the_same_from_every_half_swing() {
    // Without viscous damping each half swing loses twice Tf/k: 10 % of scale falls by 0.6 % each
    // time at Tf/k = 0.3 % (closed form, textbook on vibration).
    let plant = Plant {
        friction: 0.003,
        breakaway: 0.003,
        ..free(1.0, 0.0)
    };
    let mut swing = Swing::at_rest(0.1, &plant);
    let mut extremes = Vec::new();
    let mut last = 0.0;
    for (_, d, v) in run(&plant, &mut swing, 0.0, 12.0, 0.002) {
        if v * last < 0.0 || (v == 0.0 && last != 0.0) {
            extremes.push(d.abs());
        }
        last = v;
    }
    for (k, extreme) in extremes.iter().enumerate() {
        let expected = (0.1 - 0.006 * (k + 1) as f64).abs();
        assert!(
            (extreme - expected).abs() < 2e-5,
            "half swing {k}: {extreme} {expected}"
        );
    }
    // It stays once an extreme lies within the friction band: after the 17th.
    assert_eq!(extremes.len(), 17);
    assert_eq!(swing.hold, Hold::Friction);
    assert!(swing.d.abs() <= 0.003);
}

#[test]
fn stiction_holds_until_breakaway_then_lets_go_with_a_jump() {
    let plant = Plant {
        friction: 0.004,
        breakaway: 0.006,
        ..free(1.0, 0.4)
    };
    let mut swing = Swing::at_rest(0.0, &plant);
    run(&plant, &mut swing, 0.005_9, 2.0, 0.01);
    assert_eq!(swing.d, 0.0);
    run(&plant, &mut swing, 0.006_1, 2.0, 0.01);
    assert!(
        swing.d > 0.001_9 && swing.hold == Hold::Friction,
        "{}",
        swing.d
    );
}

/// A complete set of constants of a sensitive movement, worked by hand from the equations of the
/// d'Arsonval movement: 50 µA, 2 kΩ, 90° arc, 0.03 N·m/A, period 1.2 s, open damping 0.2.
fn sensitive() -> MovementSpec {
    MovementSpec {
        back_emf: 0.03 * PI / 2.0,
        lower_stop: -1e9,
        upper_stop: 1e9,
        zero: 0.0,
        scale_error: [0.0; 3],
        ..crate::library::find("heron").unwrap()
    }
}

#[test]
fn damping_by_the_circuit() {
    let spec = sensitive();
    for (external, damping) in [
        (0.0, 1.433_700_550),
        (1e3, 1.022_467_033),
        (1e4, 0.405_616_758),
        (1e5, 0.224_190_207),
    ] {
        let found = spec.damping_into(external, 20.0);
        assert!((found - damping).abs() < 1e-8, "{external} Ω: {found}");
    }
    assert!((spec.damping_into(1_084.251_375_340_424, 20.0) - 1.0).abs() < 1e-10);
}

#[test]
fn current_step_to_eighty_percent() {
    // Independently integrated to 1e-10: pointer peak 122.129 648 %, terminal voltage between
    // 1.399 215 and 229.255 052 mV around 80 mV.
    let spec = sensitive();
    let plant = free(1.2, 0.2);
    let mut swing = Swing::at_rest(0.0, &plant);
    let standing = 0.8 * spec.coil_full_scale * spec.copper;
    let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
    for (_, _, v) in run(&plant, &mut swing, 0.8, 4.0, 0.001) {
        let volts = standing + spec.back_emf * v;
        (low, high) = (low.min(volts), high.max(volts));
    }
    assert!(
        (swing.highest - 1.221_296_479).abs() < 1e-7,
        "{}",
        swing.highest
    );
    assert!((low - 1.399_215e-3).abs() < 2e-6, "{low}");
    assert!((high - 229.255_052e-3).abs() < 2e-6, "{high}");
}

#[test]
fn stops_are_hit_once_per_approach_and_told_apart() {
    let plant = Plant {
        stops: (-0.04, 1.07),
        ..free(1.0, 0.1)
    };
    // A step to 80 % overshoots into the upper stop though the pull is below it: not driven.
    let mut swing = Swing::at_rest(0.0, &plant);
    run(&plant, &mut swing, 0.8, 10.0, 0.01);
    assert_eq!(swing.hits.len(), 1);
    assert!(swing.hits[0].upper && !swing.hits[0].driven);
    assert_eq!(swing.highest, 1.07);
    assert!((swing.d - 0.8).abs() < 1e-3);
    // A pull of three full scales drives it there and holds it.
    run(&plant, &mut swing, 3.0, 10.0, 0.01);
    assert!(swing.hits.len() >= 2 && swing.hits[1..].iter().all(|hit| hit.driven));
    assert!(
        swing
            .hits
            .windows(2)
            .skip(1)
            .all(|pair| pair[1].speed < pair[0].speed)
    );
    assert_eq!((swing.d, swing.hold), (1.07, Hold::Stop(true)));
    // Resting on a stop from the start is no hit.
    let resting = Swing::at_rest(-1.0, &plant);
    assert_eq!(
        (resting.d, resting.hold, resting.hits.len()),
        (-0.04, Hold::Stop(false), 0)
    );
}

#[test]
fn rebound_keeps_the_stated_share_of_speed() {
    let plant = Plant {
        stops: (-0.04, 0.5),
        ..free(1.0, 0.0)
    };
    let mut swing = Swing::at_rest(0.0, &plant);
    let course = run(&plant, &mut swing, 1.0, 0.4, 0.000_5);
    let speed = swing.hits[0].speed;
    // From rest at 0 under pull 1 the speed at 0.5 is ω √(1 - 0.25).
    assert!((speed - TAU * 0.75_f64.sqrt()).abs() < 1e-5, "{speed}");
    let back = course.iter().map(|point| point.2).fold(0.0, f64::min);
    assert!((back + 0.3 * speed).abs() < 0.02, "{back}");
}
