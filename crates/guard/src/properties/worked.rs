//! The allowance and the expected deflection in cases small enough to be worked out on paper. A
//! current of 1 is full scale.

use crate::allowance::{Evidence, Point, Response, SURE_MOTION};
use crate::rig::Limits;
use quantity::{Amps, Seconds, Volts};

fn limits() -> Limits {
    super::rig().limits
}

fn evidence(zero: f64, points: &[(f64, f64, f64)]) -> Evidence {
    let mut evidence = Evidence::default();
    evidence.saw_zero(zero);
    for &(current, deflection, u) in points {
        let current = Amps::new(current);
        evidence.stood(Point {
            current,
            deflection,
            u,
            fell: false,
        });
    }
    evidence
}

fn allows(evidence: &Evidence, expected: f64) {
    let found = evidence.allowance(&limits()).get();
    assert!((found / expected - 1.0).abs() < 1e-4, "{found}, {expected}");
}

fn is(found: Option<f64>, expected: f64) {
    let found = found.unwrap();
    assert!((found - expected).abs() < 1e-4, "{found}, {expected}");
}

/// Seen at 10 % with a current of 0.1. At 0.3 it must stand at 0.1 × (1 + 0.5 × 2) = 20 % at least;
/// 1.5 % less is friction. Each u of 0.1 % counts twice.
#[test]
fn a_needle_that_stays_behind() {
    let lag = |evidence: &Evidence, current: f64, deflection: f64, u: f64| {
        let current = Amps::new(current);
        evidence.lag(&Point {
            current,
            deflection,
            u,
            fell: false,
        })
    };
    let sharp = evidence(0.0, &[(0.1, 0.1, 0.0)]);
    assert_eq!(lag(&sharp, 0.3, 0.1851, 0.0), None);
    is(lag(&sharp, 0.3, 0.1849, 0.0), 0.0151);
    is(lag(&sharp, 0.3, 0.1, 0.0), 0.1);
    assert_eq!(lag(&sharp, 0.3, 0.1849, 0.001), None);
    // Seen at 9.8 % at least, so due at 19.6 %.
    let blurred = evidence(0.0, &[(0.1, 0.1, 0.001)]);
    is(lag(&blurred, 0.3, 0.15, 0.0), 0.046);
    // From a zero at 2 %, the way gone is 8 %, and due are 16 % above zero.
    is(
        lag(&evidence(0.02, &[(0.1, 0.1, 0.0)]), 0.3, 0.1, 0.0),
        0.08,
    );
    // The point that requires most counts; a needle on its way down, or at the same current, is let be.
    let two = evidence(0.0, &[(0.1, 0.1, 0.0), (0.2, 0.2, 0.0)]);
    is(lag(&two, 0.4, 0.2, 0.0), 0.1);
    assert_eq!(lag(&two, 0.2, 0.14, 0.0), None);
    assert_eq!(lag(&two, 0.1, 0.0, 0.0), None);
    assert_eq!(lag(&evidence(0.0, &[]), 0.3, 0.0, 0.0), None);
    // 1.5 % itself is still friction.
    assert_eq!(lag(&evidence(0.0, &[]), 0.3, -0.015, 0.0), None);
}

#[test]
fn one_sighting_allows_a_fifth_more() {
    allows(&evidence(0.0, &[(0.1, 0.1, 0.001)]), 0.12);
}

/// Sightings within 8 % of current say nothing of the exponent: together they are one.
#[test]
fn sightings_side_by_side_count_as_one() {
    let points = [
        (0.1, 0.1, 0.001),
        (0.105, 0.105, 0.001),
        (0.107_9, 0.108, 0.001),
    ];
    allows(&evidence(0.0, &points), 0.12);
}

/// Higher up the scale a single sighting permits less; above the ceiling nothing more.
#[test]
fn a_sighting_high_up_permits_less() {
    allows(&evidence(0.0, &[(0.7, 0.5, 0.01)]), 0.7 * 1.004 / 0.904);
    allows(&evidence(0.0, &[(0.9, 1.1, 0.0)]), 0.9);
}

/// Below 40 % the deflection may be taken to grow 2.6 times, with an exponent of 1 and a margin of
/// 0.15: 0.85 r + 0.15 r² = 2.6.
#[test]
fn low_on_the_scale() {
    allows(
        &evidence(0.0, &[(0.2, 0.2, 0.0), (0.3, 0.3, 0.0)]),
        0.3 * 2.202_74,
    );
}

/// From 40 % itself on, the margin is 0.03 and only the ceiling limits growth; here at 112 %:
/// 0.97 r + 0.03 r² = 2.8.
#[test]
fn where_the_low_scale_ends() {
    let evidence = evidence(0.0, &[(0.2, 0.2, 0.0), (0.4, 0.4, 0.0)]);
    let limits = Limits {
        ceiling: 1.12,
        ..limits()
    };
    let found = evidence.allowance(&limits).get();
    let expected = 0.4 * 8.0 / 3.0;
    assert!((found - expected).abs() < 1e-6, "{found}, {expected}");
}

/// Stood above the ceiling, at 108 %: back in proportion, 1.02/1.08.
#[test]
fn above_the_ceiling_the_allowance_falls_in_proportion() {
    allows(&evidence(0.0, &[(0.8, 0.8, 0.0), (1.08, 1.08, 0.0)]), 1.02);
}

/// To 102 % from 60 %: 0.97 r + 0.03 r² = 1.7.
#[test]
fn high_on_the_scale() {
    allows(
        &evidence(0.0, &[(0.4, 0.4, 0.0), (0.6, 0.6, 0.0)]),
        0.6 * 1.666_67,
    );
}

/// The same from a zero at 2 % of scale: the way to go is 100 %, the way gone 58 %, and so is the
/// exponent that of 0.38 to 0.58: ln(0.58/0.38)/ln(0.6/0.4) = 1.042 93 by the power law,
/// 1 + (1 − 1.5 × 0.38/0.58)/(1 − 1/1.5) = 1.051 72 by the mixed law, which is more; with the
/// margin 1.081 72: 0.918 28 r + 0.081 72 r² = 1.724 14.
#[test]
fn from_a_zero_that_is_off() {
    allows(
        &evidence(0.02, &[(0.4, 0.4, 0.0), (0.6, 0.6, 0.0)]),
        0.6 * 1.638_62,
    );
}

/// A square law: the exponent 2 and the margin 0.03 make a power, (1.02/0.49)^(1/2.03).
#[test]
fn square_law() {
    allows(
        &evidence(0.0, &[(0.5, 0.25, 0.0), (0.7, 0.49, 0.0)]),
        0.7 * 1.435_01,
    );
}

/// Half of the scale suppressed: ln(0.6/0.3)/ln(0.8/0.65) = 3.338 26, with the margin 3.368 26;
/// (1.02/0.6)^(1/3.368 26).
#[test]
fn suppressed_zero() {
    allows(
        &evidence(0.0, &[(0.65, 0.3, 0.0), (0.8, 0.6, 0.0)]),
        0.8 * 1.170_65,
    );
}

/// u of 1 % of scale at 60 %, none below: u of the exponent is (0.01/0.6)/(1 − 0.4/0.6) = 0.05, twice
/// that and the margin 1.13; the needle may stand at 62 %: 0.87 r + 0.13 r² = 1.02/0.62.
#[test]
fn doubt_of_the_needle() {
    allows(
        &evidence(0.0, &[(0.4, 0.4, 0.0), (0.6, 0.6, 0.01)]),
        0.6 * 1.537_68,
    );
}

/// Doubt of the lower point counts in the exponent alone: (0.01/0.4)/(1 − 0.4/0.6) = 0.075, twice
/// that and the margin 1.18: 0.82 r + 0.18 r² = 1.7.
#[test]
fn doubt_of_the_lower_point() {
    allows(
        &evidence(0.0, &[(0.4, 0.4, 0.01), (0.6, 0.6, 0.0)]),
        0.6 * 1.547_50,
    );
}

/// The partner of the top must lie at least 8 % lower; nearer ones tell no exponent.
#[test]
fn points_too_near_each_other_tell_no_exponent() {
    let near = evidence(0.0, &[(0.56, 0.56, 0.0), (0.6, 0.6, 0.0)]);
    // By 0.56 alone: a scale that begins at 80 % of the current reaches 102 % at 1.004/0.912 of it.
    allows(&near, 0.56 * 1.100_88);
    let far = evidence(0.0, &[(0.5, 0.5, 0.0), (0.56, 0.56, 0.0), (0.6, 0.6, 0.0)]);
    // By 0.5 and 0.6, as in `high_on_the_scale`.
    allows(&far, 0.6 * 1.666_67);
}

/// A point below the highest counts where it stood at 80 % of it or more, and where it permits more:
/// the needle that stood at 90 % with 0.85 permits 0.85 × (1.02/0.9 …) as well.
#[test]
fn the_point_that_permits_most_counts() {
    let points = [(0.5, 0.5, 0.0), (0.85, 0.85, 0.0), (0.9, 0.9, 0.02)];
    // Exponent 1 + 2 × (0.02/0.9)/(1 − 0.5/0.9) + 0.03 = 1.13 by 0.9 and 0.5; from 0.85:
    // 0.87 r + 0.13 r² = 1.2; from 0.9 it is 0.87 r + 0.13 r² = 1.02/0.94, which gives less.
    allows(&evidence(0.0, &points), 0.85 * 1.173_53);
}

#[test]
fn a_newer_rest_at_the_same_current_replaces_the_older() {
    let mut evidence = evidence(0.0, &[(0.1, 0.3, 0.0), (0.1003, 0.1, 0.0)]);
    allows(&evidence, 0.12036);
    evidence.stood(Point {
        current: Amps::new(0.2),
        deflection: 0.2,
        u: 0.0,
        fell: false,
    });
    // ln 2/ln 1.994 = 1.004, by the mixed law 1.006, with the margin 1.156: 0.844 r + 0.156 r² = 2.6.
    allows(&evidence, 0.2 * 2.192_2);
}

/// Currents 0.4 % apart count as the same: 250 and 251 are, 250 and 251.1 are not.
#[test]
fn how_near_the_same_current_is() {
    let same = evidence(0.0, &[(251.0, 0.25, 0.0), (250.0, 0.25, 0.0)]);
    assert_eq!(same.deflection_high(Amps::new(250.0)), None);
    let apart = evidence(0.0, &[(251.1, 0.25, 0.0), (250.0, 0.25, 0.0)]);
    assert_eq!(apart.deflection_low(Amps::new(251.1)), Some(0.25));
}

#[test]
fn below_sure_motion_nothing_stood() {
    let moved = evidence(0.001, &[(0.1, SURE_MOTION + 0.0011, 0.0)]);
    assert!(moved.moved() && moved.stands());
    assert!(evidence(0.0, &[(0.1, SURE_MOTION, 0.0)]).stands());
    let still = evidence(0.001, &[(0.1, SURE_MOTION + 0.0009, 0.0)]);
    assert!(!still.moved() && !still.stands());
    assert_eq!(still.allowance(&limits()), limits().first_touch);
}

#[test]
fn zero_and_wiggles_are_remembered() {
    let mut evidence = Evidence::default();
    assert_eq!((evidence.zero(), evidence.wiggled()), (None, false));
    evidence.saw_zero(0.02);
    evidence.saw_wiggle(Amps::micro(1.0), false);
    assert_eq!((evidence.zero(), evidence.wiggled()), (Some(0.02), true));
    assert!(!evidence.moved());
    evidence.saw_wiggle(Amps::micro(1.0), true);
    assert!(evidence.moved() && !evidence.stands());
    assert!((evidence.from_zero(0.5) - 0.48).abs() < 1e-12);
}

/// What the needle may do at another current, from 60 % with an exponent of 1.03.
#[test]
fn the_expected_deflection_upwards() {
    let evidence = evidence(0.0, &[(0.4, 0.4, 0.0), (0.6, 0.6, 0.0)]);
    // 0.6 × (0.97 × 1.5 + 0.03 × 1.5²) at half as much again.
    is(evidence.deflection_high(Amps::new(0.9)), 0.9135);
    // 0.6 × √0.5 at half of it.
    is(evidence.deflection_high(Amps::new(0.3)), 0.424_26);
    // 0.6 × (1 − 1.03 × 0.5) at half of it.
    is(evidence.deflection_low(Amps::new(0.3)), 0.291);
    is(evidence.deflection_low(Amps::new(0.0)), 0.0);
}

/// u counts twice, upwards and downwards; the zero is added where the needle stands.
#[test]
fn the_expected_deflection_with_doubt_and_zero() {
    let evidence = evidence(0.02, &[(0.4, 0.42, 0.0), (0.6, 0.62, 0.003)]);
    // Exponent 1.03 + 2 × (0.003/0.6)/(1/3) = 1.06; 0.606 × (0.94 × 1.5 + 0.06 × 2.25) + 0.02.
    is(evidence.deflection_high(Amps::new(0.9)), 0.956_27);
    // 0.594 × (1 − 1.06 × 0.5), as a distance from zero.
    is(evidence.deflection_low(Amps::new(0.3)), 0.279_18);
}

/// A law steeper than the square is taken for a power.
#[test]
fn the_expected_deflection_of_a_steep_law() {
    let evidence = evidence(0.0, &[(0.65, 0.3, 0.0), (0.8, 0.6, 0.0)]);
    // 0.6 × 1.1^3.368 26
    is(evidence.deflection_high(Amps::new(0.88)), 0.827_11);
}

#[test]
fn one_point_tells_no_deflection() {
    let evidence = evidence(0.0, &[(0.4, 0.4, 0.0)]);
    assert_eq!(evidence.deflection_high(Amps::new(0.5)), None);
    assert_eq!(evidence.deflection_low(Amps::new(0.5)), None);
}

/// Growth at the rate per second, and one second ahead of what flows at most.
#[test]
fn growth_without_motion() {
    let limits = limits();
    let touch = limits.first_touch;
    let mut evidence = Evidence::default();
    let seen = |e: &mut Evidence, current: Amps, seconds: f64| {
        e.nothing_moved(current, Volts::ZERO, Seconds::new(seconds), &limits);
        e.allowance(&limits) / touch
    };
    // What flows is the allowance: 1.5² after two seconds.
    assert!((seen(&mut evidence, touch, 2.0) - 2.25).abs() < 1e-9);
    // Half of the allowance flows: 0.5 × 1.5³ of it would be 1.69, 1.5² is 2.25.
    let half = touch * 1.125;
    assert!((seen(&mut evidence, half, 2.0) - 1.125 * 3.375).abs() < 1e-9);
    // A tenth flows: nothing is gained.
    assert!((seen(&mut evidence, touch * 0.3, 1.0) - 1.125 * 3.375).abs() < 1e-9);
}

/// 50 mW in the movement end the growth, as 0.5, 1, 2, 4, 8, 20 and 50 mV do until the current was let go from
/// 80 % of that, and then the last of these; the reason says which.
#[test]
fn the_reasons_why_growth_ends() {
    let mut evidence = Evidence::default();
    let ends = |e: &Evidence, mv: f64, amps: f64| {
        let limits = Limits {
            unseen_drop: Volts::milli(50.0),
            ..limits()
        };
        let reason = e.quiet_end(Volts::milli(mv), Amps::new(amps), &limits);
        reason.unwrap_or_default()
    };
    assert_eq!(ends(&evidence, 0.49, 0.1), "");
    assert!(ends(&evidence, 0.5, 0.1).contains("must be let go"));
    evidence.let_go(Volts::milli(2.5), Amps::micro(1.0), Response::None);
    assert_eq!(ends(&evidence, 3.9, 0.1), "");
    assert!(ends(&evidence, 4.0, 0.1).contains("must be let go"));
    assert!(ends(&evidence, -4.0, 0.1).contains("must be let go"));
    assert_eq!(ends(&evidence, 1.0, 49.9), "");
    assert!(ends(&evidence, 1.0, 50.0).contains("nothing has moved"));
    evidence.let_go(Volts::milli(6.39), Amps::micro(1.0), Response::None);
    assert!(ends(&evidence, 8.0, 0.1).contains("must be let go"));
    evidence.let_go(Volts::milli(6.4), Amps::micro(1.0), Response::None);
    evidence.let_go(Volts::milli(1.0), Amps::micro(1.0), Response::None);
    assert_eq!(ends(&evidence, 19.9, 0.1), "");
    assert!(ends(&evidence, 20.0, 0.1).contains("must be let go"));
    evidence.let_go(Volts::milli(20.0), Amps::micro(1.0), Response::None);
    assert_eq!(ends(&evidence, 49.9, 0.1), "");
    assert!(ends(&evidence, 50.0, 0.1).contains("must be let go"));
    evidence.let_go(Volts::milli(40.1), Amps::micro(1.0), Response::None);
    assert_eq!(ends(&evidence, 49.9, 0.1), "");
    assert!(ends(&evidence, 50.0, 0.1).contains("nor did it when"));
    evidence.let_go(Volts::milli(50.0), Amps::new(0.125), Response::Seen);
    assert_eq!(ends(&evidence, 100.0, 0.375), "");
    assert!(ends(&evidence, 100.0, 0.376).contains("whether it still follows"));
    assert!(ends(&evidence, 1.0, 50.0).contains("nothing has moved"));
    evidence.let_go(Volts::milli(100.0), Amps::new(0.375), Response::None);
    // Then it is as if it never had.
    assert!(!evidence.moved());
    assert_eq!(ends(&evidence, 49.9, 0.3), "");
    assert!(ends(&evidence, 50.0, 0.3).contains("nor did it when"));
    evidence.let_go(Volts::milli(100.0), Amps::new(0.375), Response::Felt);
    assert!(ends(&evidence, 1.0, 0.1).contains("a voltage of its own"));
    evidence.let_go(Volts::milli(100.0), Amps::new(0.38), Response::Seen);
    assert_eq!(ends(&evidence, 50.0, 0.9), "");
}

/// What the rig file says, instead of 50 mV: 20 mV, or less than the first milestone.
#[test]
fn growth_ends_at_the_drop_of_the_rig_file() {
    for last in [20.0, 4.0] {
        let limits = Limits {
            unseen_drop: Volts::milli(last),
            ..limits()
        };
        let mut evidence = Evidence::default();
        let ends = |e: &Evidence, mv: f64| {
            let reason = e.quiet_end(Volts::milli(mv), Amps::new(0.1), &limits);
            reason.unwrap_or_default()
        };
        evidence.let_go(Volts::milli(last * 0.79), Amps::micro(1.0), Response::None);
        assert!(ends(&evidence, last).contains("must be let go"));
        evidence.let_go(Volts::milli(last * 0.81), Amps::micro(1.0), Response::None);
        assert_eq!(ends(&evidence, last * 0.99), "");
        assert!(ends(&evidence, last).contains("nor did it when"));
        evidence.let_go(Volts::milli(last), Amps::new(0.1), Response::Seen);
        assert_eq!(ends(&evidence, last), "");
    }
    assert_eq!(limits().unseen_drop, Volts::milli(20.0));
}

/// A movement that answers in its drop, under a picture that stands still, gets no more. Near 10 mV
/// that may still be a multiplier's doing, from 16 mV on it is not.
#[test]
fn an_answer_that_is_felt_but_not_seen_ends_growth() {
    let mut evidence = Evidence::default();
    let ends = |e: &Evidence| e.quiet_end(Volts::milli(1.0), Amps::new(0.1), &limits());
    evidence.let_go(Volts::milli(15.9), Amps::micro(1.0), Response::Felt);
    assert_eq!(ends(&evidence), None);
    evidence.let_go(Volts::milli(16.1), Amps::micro(1.0), Response::None);
    assert_eq!(ends(&evidence), None);
    evidence.let_go(Volts::milli(16.1), Amps::micro(1.0), Response::Felt);
    assert!(
        ends(&evidence)
            .unwrap()
            .contains("is the reader looking at this movement?")
    );
}

/// A needle that swings freely under a picture that stands quite still is told at any drop: were it
/// reversed, it would be near its lower stop.
#[test]
fn a_plain_answer_that_is_not_seen_ends_growth_at_any_drop() {
    let mut evidence = Evidence::default();
    evidence.let_go(Volts::milli(0.7), Amps::micro(1.0), Response::FeltPlainly);
    let end = evidence.quiet_end(Volts::milli(0.1), Amps::micro(1.0), &limits());
    assert!(
        end.unwrap()
            .contains("is the reader looking at this movement?")
    );
}

#[test]
fn the_proven_full_scale_is_the_allowance_less_the_way_above_the_mark() {
    let evidence = evidence(0.0, &[(0.1, 0.1, 0.001)]);
    let found = evidence.full_scale_low(&limits()).get();
    assert!((found - 0.12 / 1.02).abs() < 1e-12, "{found}");
}

/// Seen at full scale, and not a hair further with 1.02 of its current: it hangs, and is due at 101 % at least. From
/// there to the ceiling of 102 % there is less than a hundredth more current to give, by a law that may
/// grow 1.03 times as fast.
#[test]
fn a_needle_that_hangs_earns_no_more_current() {
    let points = [
        (0.5, 0.5, 0.0),
        (0.8, 0.8, 0.0),
        (1.0, 1.0, 0.0),
        (1.02, 1.0, 0.0),
    ];
    let hangs = evidence(0.0, &points);
    assert_eq!(limits().ceiling, 1.02);
    let permitted = hangs.allowance(&limits()).get();
    assert!((1.029..1.0302).contains(&permitted), "{permitted}");
    let high = hangs.deflection_high(Amps::new(1.02)).unwrap();
    assert!((high - 1.01).abs() < 1e-9, "{high}");
}
