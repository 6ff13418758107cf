//! The allowance, for laws, friction and readers of all kinds.

use super::cases;
use crate::allowance::{Evidence, Point};
use crate::rig::Limits;
use proptest::prelude::*;
use quantity::{Amps, Volts};

fn limits() -> Limits {
    super::rig().limits
}

/// A law of the scale between what is known of real ones.
#[derive(Clone, Copy, Debug)]
enum Law {
    /// A linear and a square part.
    Mixed(f64),
    /// Nothing moves below this share of full scale.
    Suppressed(f64),
}

impl Law {
    fn at(self, x: f64) -> f64 {
        match self {
            Self::Mixed(square) => square * x * x + (1.0 - square) * x,
            Self::Suppressed(start) => (x - start).max(0.0) / (1.0 - start),
        }
    }
}

fn laws() -> impl Strategy<Value = Law> {
    prop_oneof![
        Just(Law::Mixed(0.0)),
        Just(Law::Mixed(1.0)),
        (0.0..1.0f64).prop_map(Law::Mixed),
        (0.0..0.8f64).prop_map(Law::Suppressed),
    ]
}

fn stand(current: f64, deflection: f64, u: f64) -> Point {
    let current = Amps::new(current);
    Point {
        current,
        deflection,
        u,
        fell: false,
    }
}

/// Follows the allowance as a procedure without patience would: always to the limit. Answers the
/// furthest that the needle went, and the last current (1 is full scale).
fn walk(law: Law, friction: f64, lags: &[f64], noise: &[f64], zero: f64) -> (f64, f64) {
    let mut evidence = Evidence::default();
    evidence.saw_zero(zero);
    let limits = limits();
    let (mut current, mut furthest) = (0.001, f64::MIN);
    let mut turn = 0;
    // Creep to the first motion and 60 turns are fewer steps than this.
    for _ in 0..1000 {
        if turn == 60 || current >= 1.5 {
            break;
        }
        // Coming from below, friction holds the needle back by up to its half-width.
        let lag = friction * lags[turn % lags.len()];
        let pull = law.at(current);
        let stands = zero + (pull - lag).max(0.0);
        furthest = furthest.max(stands);
        if stands - zero < 0.02 {
            current *= 1.02;
            continue;
        }
        turn += 1;
        let u = 0.0005;
        let seen = stands + u * noise[turn % noise.len()];
        evidence.stood(stand(current, seen, u));
        current = evidence.allowance(&limits).get().max(current);
    }
    (furthest, current)
}

proptest! {
    #![proptest_config(cases(3000))]

    /// Without friction: never past the ceiling, whatever the law, the zero and the reader's noise
    /// within two standard uncertainties; and it gets there.
    #[test]
    fn the_allowance_ends_at_the_ceiling(
        law in laws(), noise in prop::collection::vec(-1.0..1.0f64, 7), zero in -0.01..0.01f64,
    ) {
        let (furthest, current) = walk(law, 0.0, &[0.0], &noise, zero);
        prop_assert!(furthest <= 1.0205, "{furthest}");
        prop_assert!(furthest >= 0.98, "stops at {furthest}, {current}");
    }

    /// Friction that holds back at one reading and not at the next carries the needle past the
    /// ceiling by no more than its own half-width.
    #[test]
    fn friction_adds_no_more_than_itself(
        law in laws(), friction in 0.0..0.01f64, lags in prop::collection::vec(0.0..1.0f64, 5),
        noise in prop::collection::vec(-1.0..1.0f64, 7),
    ) {
        let (furthest, _) = walk(law, friction, &lags, &noise, 0.0);
        prop_assert!(furthest <= 1.0205 + friction, "{furthest} with {friction}");
    }

    /// A reader that is less sure gets less, never more.
    #[test]
    fn doubt_allows_less(a in 0.05..0.6f64, ratio in 1.1..2.0f64, d in 0.05..0.4f64, exponent in 1.0..2.5f64, u in 1e-5..5e-3f64) {
        let of = |u: f64| {
            let mut evidence = Evidence::default();
            evidence.saw_zero(0.0);
            evidence.stood(stand(a, d, u));
            evidence.stood(stand(a * ratio, d * ratio.powf(exponent), u));
            evidence.allowance(&limits())
        };
        prop_assert!(of(u * 2.0) <= of(u) * (1.0 + 1e-12));
    }

    /// One sighting of motion allows a fifth more, two allow what the exponent between them says,
    /// never less than where the needle stood below the ceiling.
    #[test]
    fn evidence_never_takes_back_where_the_needle_stood(law in laws(), shares in prop::collection::vec(0.05..0.95f64, 1..6)) {
        let mut evidence = Evidence::default();
        evidence.saw_zero(0.0);
        let mut highest: f64 = 0.0;
        let mut shares = shares;
        shares.sort_by(f64::total_cmp);
        for x in shares.into_iter().filter(|x| law.at(*x) > 0.02) {
            evidence.stood(stand(x, law.at(x), 1e-4));
            highest = highest.max(x);
            let allowed = evidence.allowance(&limits()).get();
            prop_assert!(allowed >= highest * 0.999, "{allowed} after {highest}");
        }
    }

    /// More current, more deflection to be prepared for.
    #[test]
    fn the_expected_deflection_grows_with_the_current(a in 0.05..0.5f64, ratio in 1.1..2.0f64, d in 0.05..0.4f64, exponent in 1.0..2.5f64, x in 0.01..2.0f64, more in 1.0..2.0f64) {
        let mut evidence = Evidence::default();
        evidence.saw_zero(0.0);
        evidence.stood(stand(a, d, 1e-4));
        evidence.stood(stand(a * ratio, d * ratio.powf(exponent), 1e-4));
        let at = |x: f64| evidence.deflection_high(Amps::new(x)).unwrap();
        prop_assert!(at(x * more) >= at(x) * (1.0 - 1e-12));
    }

    /// Nothing seen: growth is at most the stated rate per second seen, whatever is claimed about
    /// current and drop, and never goes down.
    #[test]
    fn growth_without_motion_keeps_its_rate(looks in prop::collection::vec((0.0..2e-6f64, 0.0..0.009f64, 0.0..0.5f64), 1..60)) {
        let limits = limits();
        let mut evidence = Evidence::default();
        let (mut seconds, mut before) = (0.0, limits.first_touch);
        for (current, drop, lasted) in looks {
            let time = quantity::Seconds::new(lasted);
            evidence.nothing_moved(Amps::new(current), Volts::new(drop), time, &limits);
            seconds += lasted;
            let now = evidence.allowance(&limits);
            prop_assert!(now >= before);
            let most = limits.first_touch * (1.0 + limits.growth).powf(seconds);
            prop_assert!(now <= most * (1.0 + 1e-9), "{now} after {seconds} s");
            before = now;
        }
    }
}
