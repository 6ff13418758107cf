//! What the check refuses, at the edge and just beyond.

use super::{arrangement, known, rig, seen, unlimited};
use crate::allowance::{Evidence, Point};
use crate::check::{Dynamics, Known, LoopMeasured};
use crate::refusal::Refusal;
use crate::rig::Rig;
use crate::state::{Arrangement, State, loop_low};
use quantity::{Amps, Ohms, Seconds, Volts};

/// What was seen, and the arrangement to drive it in.
fn case(rig: &Rig, deflections: &[f64]) -> (Evidence, Arrangement) {
    (seen(1e-4, deflections), arrangement(rig, 1))
}

const QUICK: Dynamics = Dynamics {
    period: Seconds::new(0.8),
    damping: 0.2,
};

/// State and knowledge with the loop measured at `micro` µA through 1 kΩ.
fn standing(known: Known<'_>, arrangement: Arrangement, micro: f64) -> (Known<'_>, State) {
    let ohms = known.rig.range_low(&arrangement.range) + Ohms::new(1000.0);
    let volts = ohms * Amps::micro(micro);
    let measured = Some(LoopMeasured {
        ohms,
        u: 5e-4,
        volts,
        movement: Some(Ohms::new(1000.0)),
        rest: None,
    });
    let arrangement = Some(arrangement);
    (Known { measured, ..known }, State { arrangement, volts })
}

fn micro(target: f64) -> Amps {
    Amps::micro(target)
}

#[test]
fn a_step_that_could_swing_past_the_ceiling_is_refused_a_ramp_is_not() {
    let rig = rig();
    let (evidence, arrangement) = case(&rig, &[0.3, 0.4, 0.6]);
    let known = Known {
        dynamics: Some(QUICK),
        ..known(&rig, &evidence)
    };
    let (known, state) = standing(known, arrangement, 60.0);
    let step = known.drive(&state, micro(90.0), Seconds::ZERO);
    match step {
        Err(Refusal::Overshoot { peak, ceiling }) => assert!(peak > ceiling && peak < 1.3),
        other => panic!("{other:?}"),
    }
    let ramp = known.drive(&state, micro(90.0), Seconds::new(3.0)).unwrap();
    assert!(ramp.peak.unwrap() < 1.0);
    // The swing of a step is a share of the step: a small one may be made at once.
    known.drive(&state, micro(65.0), Seconds::ZERO).unwrap();
}

#[test]
fn an_unknown_needle_is_taken_for_the_slowest_and_least_damped() {
    let rig = rig();
    let (evidence, arrangement) = case(&rig, &[0.3, 0.4, 0.6]);
    let (known, state) = standing(known(&rig, &evidence), arrangement, 60.0);
    let over = Seconds::new(3.0);
    let ramp = known.drive(&state, micro(90.0), over);
    assert!(matches!(ramp, Err(Refusal::Overshoot { .. })), "{ramp:?}");
    let slower = known.drive(&state, micro(90.0), over * 3.0);
    assert!(slower.is_ok(), "{slower:?}");
}

#[test]
fn a_fall_that_could_swing_below_zero_is_refused_a_slow_one_is_not() {
    let rig = rig();
    let (evidence, arrangement) = case(&rig, &[0.3, 0.4, 0.8]);
    let known = Known {
        dynamics: Some(QUICK),
        ..known(&rig, &evidence)
    };
    let (known, state) = standing(known, arrangement, 80.0);
    let step = known.drive(&state, Amps::ZERO, Seconds::ZERO);
    assert!(
        matches!(step, Err(Refusal::Undershoot { lowest }) if lowest < -0.022),
        "{step:?}"
    );
    known.drive(&state, Amps::ZERO, Seconds::new(3.0)).unwrap();
}

#[test]
fn backwards_only_as_far_as_known_to_be_harmless() {
    let rig = rig();
    let (evidence, mut arrangement) = case(&rig, &[0.3, 0.4, 0.9]);
    arrangement.reversed = true;
    let known = Known {
        upscale: Some(false),
        dynamics: Some(QUICK),
        ..known(&rig, &evidence)
    };
    let (known, mut state) = standing(known, arrangement, 60.0);
    state.volts = Volts::ZERO;
    let over = Seconds::new(3.0);
    let far = known.drive(&state, micro(3.0), over);
    assert!(
        matches!(far, Err(Refusal::Backwards { bound, limit }) if bound > limit && limit < micro(1.6)),
        "{far:?}"
    );
    let near = known.drive(&state, micro(0.5), over);
    assert!(near.is_ok(), "{near:?}");
}

#[test]
fn drop_and_power_of_the_movement_are_limited_once_measured() {
    let mut rig = rig();
    let (evidence, arrangement) = case(&rig, &[0.3, 0.4, 0.6]);
    rig.limits.drop = Volts::milli(70.0);
    let at = |rig: &Rig, target: f64| {
        let known = Known {
            dynamics: Some(QUICK),
            ..known(rig, &evidence)
        };
        let (known, state) = standing(known, arrangement.clone(), 60.0);
        known.drive(&state, micro(target), Seconds::new(3.0))
    };
    at(&rig, 69.0).unwrap();
    assert!(matches!(at(&rig, 71.0), Err(Refusal::Movement { .. })));
    rig.limits.drop = Volts::new(4.0);
    rig.limits.power = quantity::Watts::micro(4.9);
    at(&rig, 69.0).unwrap();
    assert!(matches!(at(&rig, 71.0), Err(Refusal::Movement { .. })));
}

#[test]
fn a_path_is_earned_at_the_stated_share_and_not_before() {
    let mut rig = rig();
    rig.limits.earn = 0.045;
    let heavier = rig.creep_ranges().into_iter().find(|range| range.path == 1);
    let next = Arrangement {
        range: heavier.unwrap(),
        ..arrangement(&rig, 0)
    };
    // The fault current of the second path is 2 mA; of that, 90 µA.
    let needed = rig.paths[1].fault_current * rig.limits.earn;
    let mut earned = [false, false];
    for highest in [0.2, 0.3, 0.5, 0.7, 0.93, 1.01] {
        let (evidence, _) = case(&rig, &[0.1, 0.15, highest]);
        let enough = evidence.full_scale_low(&rig.limits) >= needed;
        let answer = known(&rig, &evidence).arrange(&next);
        assert_eq!(answer.is_ok(), enough, "{highest}: {answer:?}");
        earned[usize::from(enough)] = true;
    }
    assert_eq!(
        earned,
        [true, true],
        "both sides of the edge were looked at"
    );
}

/// Where the ladder of the rig file has a gap, no evidence leads past it.
#[test]
fn nothing_is_earned_past_a_gap_in_the_ladder() {
    let text = include_str!("../../../../rigs/simulated.toml");
    let text = text.replace("earn = \"5 %\"", "earn = \"50 %\"");
    let rig = Rig::parse(&text, "simulated.toml").unwrap();
    let review = rig.review();
    assert!(!review.passed());
    assert_eq!(review.heaviest, 0);
    let mut evidence = Evidence::default();
    evidence.saw_zero(0.0);
    for amps in [1.0, 2.0] {
        evidence.stood(Point {
            current: Amps::new(amps),
            deflection: 0.2 * amps,
            u: 1e-4,
            fell: false,
        });
    }
    let heavier = rig.creep_ranges().into_iter().find(|range| range.path == 1);
    let next = Arrangement {
        range: heavier.unwrap(),
        ..arrangement(&rig, 0)
    };
    let known = Known {
        heaviest: review.heaviest,
        ..known(&rig, &evidence)
    };
    let answer = known.arrange(&next);
    assert!(
        matches!(answer, Err(Refusal::NotEarned { .. })),
        "{answer:?}"
    );
}

/// A trip whose level can be set between these.
fn follows(highest: &str, lowest: &str) -> String {
    format!(
        "trip = \"{highest}\"\ntrip_level = {{ channel = 301, lowest = \"{lowest}\", resolution = \"0.1 mV\", \
         accuracy = \"1 %\" }}"
    )
}

#[test]
fn what_the_instruments_cannot_keep_fails_the_review() {
    let text = include_str!("../../../../rigs/simulated.toml");
    for (old, new) in [
        // Set to zero, it may still give 0.5 V over half a megohm.
        ("offset = \"1 mV\"", "offset = \"500 mV\""),
        ("leakage = \"1 nA\"", "leakage = \"20 nA\""),
        ("dry_circuit = \"0.1 uA\"", "dry_circuit = \"2 uA\""),
        ("first_touch = \"1 uA\"", "first_touch = \"1 nA\""),
        // It would let go in the middle of a range.
        ("# trip = \"0.5 V\"", "trip = \"0.25 V\""),
        ("# trip = \"0.5 V\"", &follows("0.25 V", "1 mV")),
        // Eleven millivolts over 10 kΩ are more than the first touch of 1 µA.
        ("# trip = \"0.5 V\"", &follows("0.5 V", "11 mV")),
    ] {
        let changed = text.replacen(old, new, 1);
        assert_ne!(text, changed);
        let rig = Rig::parse(&changed, "simulated.toml").unwrap();
        assert!(!rig.review().passed(), "{new}");
    }
    assert!(rig().review().passed());
    let tripped = text.replacen("# trip = \"0.5 V\"", "trip = \"0.5 V\"", 1);
    let review = Rig::parse(&tripped, "simulated.toml").unwrap().review();
    assert!(review.passed());
    let following = text.replacen("# trip = \"0.5 V\"", &follows("0.5 V", "9 mV"), 1);
    assert!(
        Rig::parse(&following, "simulated.toml")
            .unwrap()
            .review()
            .passed()
    );
    // Half a volt over 10 kΩ, worked out by hand.
    assert!(review.findings.iter().any(|f| f.text.contains("50.00 µA")));
}

/// With the shunt closed the movement no longer resists: the elements carry what the rest of the loop lets
/// through, and are rated for that. Open, they carry what the movement carries.
#[test]
fn ratings_count_what_a_shunt_lets_through() {
    let mut rig = unlimited();
    let evidence = Evidence::default();
    let mut arrangement = arrangement(&rig, 1);
    let low = loop_low(&rig, &arrangement);
    // A movement with as much resistance as the rest of the loop, measured at 50 µA.
    let volts = low * 2.0 * Amps::micro(50.0);
    let measured = Some(LoopMeasured {
        ohms: low * 2.0,
        u: 0.0,
        volts,
        movement: Some(low),
        rest: None,
    });
    // A step from 4.5 to 5 of ten parts overshoots by 2 % of it.
    let carries = |stuck: f64| {
        let to = (volts * 0.9 + volts * 0.1) * 1.0005 + Volts::milli(1.0) + volts * 0.1 * 0.02;
        to / low * stuck
    };
    let mut drive = |shunt: &[usize], stuck: f64, rated: Amps| {
        arrangement.shunt = shunt.to_vec();
        let sense = &mut rig.sense[arrangement.range.sense];
        sense.power = rated * (sense.high() * rated);
        let known = Known {
            measured,
            stuck,
            ..known(&rig, &evidence)
        };
        let state = State {
            arrangement: Some(arrangement.clone()),
            volts: volts * 0.9,
        };
        known.drive(&state, Amps::micro(50.0), Seconds::ZERO)
    };
    assert!(drive(&[], 1.0, Amps::micro(75.0)).is_ok());
    for stuck in [1.0, 1.2] {
        // The set-point may lie a step of the supply's grid lower.
        let (enough, short) = (carries(stuck), carries(stuck) * 0.9985);
        assert!(drive(&[0], stuck, enough).is_ok());
        let refused = drive(&[0], stuck, short);
        assert!(
            matches!(refused, Err(Refusal::Rating { .. })),
            "{refused:?}"
        );
    }
}
