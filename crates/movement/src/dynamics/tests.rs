use super::*;
use quantity::{Amps, Ohms};

fn seconds(value: f64) -> Seconds {
    Seconds::new(value)
}

/// Integrates the equation of motion of a needle that follows `current` (Runge–Kutta).
fn integrate(needle: Damped, current: impl Fn(f64) -> f64, end: f64) -> (f64, f64) {
    let omega = needle.omega();
    let push = |t: f64, y: f64, v: f64| {
        omega * omega * (current(t) - y) - 2.0 * needle.damping * omega * v
    };
    let (steps, mut y, mut v) = (4000, 0.0, 0.0);
    let h = end / f64::from(steps);
    for k in 0..steps {
        let t = f64::from(k) * h;
        let (v1, a1) = (v, push(t, y, v));
        let (v2, a2) = (
            v + h / 2.0 * a1,
            push(t + h / 2.0, y + h / 2.0 * v1, v + h / 2.0 * a1),
        );
        let (v3, a3) = (
            v + h / 2.0 * a2,
            push(t + h / 2.0, y + h / 2.0 * v2, v + h / 2.0 * a2),
        );
        let (v4, a4) = (v + h * a3, push(t + h, y + h * v3, v + h * a3));
        y += h / 6.0 * (v1 + 2.0 * v2 + 2.0 * v3 + v4);
        v += h / 6.0 * (a1 + 2.0 * a2 + 2.0 * a3 + a4);
    }
    (y, v)
}

#[test]
fn closed_forms_agree_with_the_integrated_equation() {
    for damping in [0.05, 0.3, 0.999999, 1.0, 1.000001, 1.7, 6.0] {
        let needle = Damped::new(seconds(1.3), damping);
        for end in [0.2, 0.9, 2.3] {
            let (y, v) = integrate(needle, |_| 1.0, end);
            assert!(
                (needle.step(seconds(end)) - y).abs() < 1e-8,
                "step, ζ {damping}"
            );
            assert!(
                (needle.rate(seconds(end)) - v).abs() < 1e-7,
                "rate, ζ {damping}"
            );
            for how in [Move::Ramp, Move::Smooth] {
                let duration = seconds(0.9);
                let drive = |t: f64| how.done(duration, seconds(t));
                let (y, v) = integrate(needle, drive, end);
                let (at, speed) = needle.follow(how, duration, seconds(end));
                assert!(
                    (at - y).abs() < 1e-6,
                    "{how:?}, ζ {damping}, t {end}: {at} {y}"
                );
                assert!((speed - v).abs() < 1e-5, "{how:?}, ζ {damping}, t {end}");
            }
        }
    }
}

#[test]
fn peaks_after_a_move_are_those_of_the_motion() {
    for damping in [0.02, 0.15, 0.3, 0.8, 1.0, 2.0] {
        let needle = Damped::new(seconds(1.0), damping);
        for (how, span) in [
            (Move::Ramp, 0.3),
            (Move::Ramp, 1.9),
            (Move::Smooth, 0.7),
            (Move::Smooth, 2.2),
        ] {
            let duration = seconds(span);
            let all = (0..200_000).map(|k| f64::from(k) * 2e-5 * 3.0);
            let at = |t: f64| needle.follow(how, duration, seconds(t)).0 - 1.0;
            let beyond = all.clone().map(at).fold(0.0, f64::max);
            let residual = all
                .filter(|t| *t >= span)
                .map(|t| at(t).abs())
                .fold(0.0, f64::max);
            assert!(
                (needle.peak_beyond(how, duration) - beyond).abs() < 1e-4,
                "{how:?} {damping}"
            );
            assert!(
                (needle.residual(how, duration) - residual).abs() < 1e-4,
                "{how:?} {damping}"
            );
        }
    }
}

#[test]
fn a_smooth_move_of_two_periods_leaves_less_than_a_ramp() {
    let needle = Damped::new(seconds(1.0), 0.1);
    let two = seconds(2.0);
    assert!(needle.residual(Move::Smooth, two) < 0.3 * needle.residual(Move::Ramp, seconds(2.5)));
}

#[test]
fn settling_is_the_last_entry_into_the_band() {
    for damping in [0.05, 0.2, 0.45, 0.69, 0.8, 0.95, 1.0, 1.0 + 1e-9, 3.0] {
        let needle = Damped::new(seconds(1.0), damping);
        for band in [0.3, 0.05, 0.015] {
            let last = needle.settling(band).unwrap().get();
            let inside = |t: f64| needle.left(seconds(t)).abs() <= band * (1.0 + 1e-9);
            assert!(
                (0..4000).all(|k| inside(last * (1.0 + f64::from(k) * 1e-3))),
                "ζ {damping}"
            );
            assert!(!inside(last * (1.0 - 1e-6)), "ζ {damping}, band {band}");
            assert!(needle.first_entry(band).unwrap().get() <= last);
        }
    }
    assert_eq!(Damped::new(seconds(1.0), 0.0).settling(0.01), None);
    assert_eq!(Damped::new(seconds(1.0), 0.5).settling(0.0), None);
}

#[test]
fn two_part_steps_end_at_rest() {
    let needle = Damped::new(seconds(1.2), 0.2);
    let (first, later) = needle.two_part_step().unwrap();
    for after in [0.0, 0.1, 0.7] {
        let t = later + seconds(after);
        let at = first * needle.step(t) + (1.0 - first) * needle.step(seconds(after));
        assert!((at - 1.0).abs() < 1e-12, "{at}");
    }
}

#[test]
fn braking_is_found_from_ring_downs_without_a_reading_of_the_coil() {
    let coil = MovingCoil::new(
        Amps::micro(50.0),
        1.5,
        0.03,
        Damped::new(seconds(1.2), 0.2),
        Ohms::new(2000.0),
    );
    let points = [500.0, 2000.0, 8000.0, 40_000.0].map(|ohms| {
        let external = Ohms::new(ohms);
        (external, coil.with_external(external).damping)
    });
    let (braking, resistance) = Braking::fit(0.2, &points).unwrap();
    assert!((resistance.get() - 2000.0).abs() < 1e-6);
    assert!((braking.strength / coil.braking().strength - 1.0).abs() < 1e-9);
    assert!(Braking::fit(0.5, &points).is_err());
}

#[test]
fn friction_and_damping_are_told_apart_by_late_swings() {
    let (ratio, half_width) = (0.7, 0.003);
    let mut sizes = vec![0.4];
    while sizes[sizes.len() - 1] > 0.02 {
        sizes.push(next_swing(sizes[sizes.len() - 1], ratio, half_width));
    }
    let found = Swings::fit(&sizes).unwrap();
    assert!((found.ratio.0 - ratio).abs() < 1e-9, "{found:?}");
    assert!((found.half_width.0 - half_width).abs() < 1e-9, "{found:?}");
    assert!(Swings::fit(&[1.0, 2.0, 4.0, 8.0]).is_err());
}

/// So little damping that the band is entered after more extrema than can be counted.
#[test]
fn a_needle_that_hardly_settles_makes_no_panic() {
    let needle = Damped::new(seconds(3.27e-94), 2.53e-14);
    let settled = needle.settling(8.55e-272);
    assert!(settled.is_none_or(|time| time.get() >= 0.0), "{settled:?}");
}

proptest::proptest! {
    #[test]
    fn no_number_makes_the_closed_forms_panic_or_hang(
        period in proptest::num::f64::ANY,
        damping in proptest::num::f64::ANY,
        time in proptest::num::f64::ANY,
        band in proptest::num::f64::ANY,
    ) {
        let needle = Damped::new(seconds(period), damping);
        let _ = (needle.settling(band), needle.first_entry(band), needle.step(seconds(time)));
        for how in [Move::Ramp, Move::Smooth] {
            let _ = (needle.residual(how, seconds(band)), needle.peak_beyond(how, seconds(time)));
        }
    }
}
