//! The reader looks at another dial, from the start or from some moment on.

use super::planned::{run_on, run_with, when_on};
use guard::Rig;
use hw_sim::{Class, Condition, Fault, Kind, MovementSpec, Place, Pool, Truth};
use movement::analysis::analyse;
use needlerig::session::PICTURELESS_RIG;
use needlerig_tests::campaign::guarded::guarded;
use procedure::Outcome;

/// Another dial takes the place of this one while its needle stands at 94 % of scale: what follows from
/// where that one's needle stands drove this one on its upper stop.
#[test]
fn another_dial_that_takes_this_ones_place_ends_the_run() {
    let done = guarded(3_768_834_989_424_371, Class::Information, false).unwrap();
    assert!(done.words.contains("all at once"), "{}", done.words);
    assert_eq!(
        (done.hits.0, done.broken.len()),
        (0, 0),
        "{:?}",
        done.needle
    );
}

/// A dial that stands still, near its zero, might be this one's: then it is the drop that ends it.
#[test]
fn another_dial_in_the_picture_lets_no_needle_be_driven_far() {
    let mut felt = 0;
    for movement in [
        "gossamer", "heron", "fennel", "sorrel", "teasel", "thicket", "causeway",
    ] {
        let other = Fault {
            size: Some(0.01),
            ..Fault::new(Place::Reader, Kind::OtherDial)
        };
        let (done, _) = run_on(movement, other);
        let plan = done.end.unwrap().plan;
        let Some(Ok(Outcome::NothingMoves(why))) = plan else {
            panic!("{movement}: {plan:?}");
        };
        felt += u32::from(why.contains("is the reader looking at this movement?"));
        assert_eq!(done.truth.driven_stop_hits, 0, "{movement}");
        let peak = done.truth.peak_deflection;
        assert!(peak <= 1.02, "{movement} went to {peak}");
    }
    assert!(felt >= 4, "bare coils answer in their drop: {felt}");
}

/// The reader looks at another dial, and the leads are swapped: what nobody sees is felt before the
/// needle is on its lower stop.
#[test]
fn another_dial_over_a_reversed_coil_drives_it_into_no_stop() {
    for movement in [
        "gossamer",
        "heron",
        "fennel",
        "sorrel",
        "teasel",
        "widdershins",
    ] {
        for zero in [0.0, -0.04] {
            let truth = reversed_unseen(movement, zero);
            assert!(
                truth.driven_stop_hits == 0 && truth.lowest_deflection > -0.02,
                "{movement} {zero}: {truth:?}"
            );
        }
    }
}

/// A shunt inside leaves little of the coil's voltage: it shows where the current is let go at once. The
/// seeds are runs of a campaign in which that was not done, which drove the needle on its lower stop.
#[test]
fn another_dial_over_a_reversed_movement_with_a_shunt_drives_it_into_no_stop() {
    for zero in [0.0, -0.04] {
        let truth = reversed_unseen("thicket", zero);
        assert_eq!(truth.driven_stop_hits, 0, "{zero}: {truth:?}");
    }
    for seed in [
        216_745_073_345_191,
        1_063_966_563_527_195,
        3_922_889_823_207_099,
    ] {
        let done = guarded(seed, Class::Information, false).unwrap();
        assert_eq!(done.hits.0, 0, "{seed}: {}", done.words);
        assert!(
            done.words
                .contains("is the reader looking at this movement?")
        );
    }
}

/// What is not covered (SAFETY.md): shunts of milliohms, which leave next to nothing of it. Of a hundred
/// drawn at random five in six are kept from their stops, and none gets more than the last milestone.
#[test]
fn another_dial_over_any_reversed_movement_with_a_shunt_gets_little_current() {
    let shunted = |seed| {
        let mut movement = hw_sim::random(seed, hw_sim::Pool::Measurable);
        movement.condition = Condition::Reversed;
        movement.shunt.is_some().then_some(movement)
    };
    let truth = reversed_unseen("causeway", 0.0);
    assert!(truth.peak_current < 0.36 * truth.full_scale_current.unwrap());
    let mut on_its_stop = 0;
    for movement in (0..).filter_map(shunted).take(100) {
        let truth = unseen(&movement, 0.0);
        on_its_stop += u32::from(truth.driven_stop_hits > 0);
        let most = 0.021 / movement.core(20.0) / movement.coil_full_scale;
        let full_scale = truth.full_scale_current.unwrap();
        assert!(
            truth.peak_current < most * full_scale,
            "{}: {truth:?}",
            movement.description
        );
    }
    assert!(on_its_stop <= 15, "{on_its_stop}");
}

fn reversed_unseen(movement: &str, zero: f64) -> Truth {
    let mut movement = hw_sim::find(movement).unwrap();
    movement.condition = Condition::Reversed;
    unseen(&movement, zero)
}

fn unseen(movement: &MovementSpec, zero: f64) -> Truth {
    let elsewhere = Fault::new(Place::Reader, Kind::OtherDial).sized(zero);
    let (done, _) = run_with(movement, &PICTURELESS_RIG, elsewhere);
    assert!(done.truth.safe);
    done.truth
}

/// It takes this one's place while the current grows for the first time, and its needle stands a little
/// further: that looks like motion, but it does not follow when the current is let go. Of the movements half
/// are reversed: what then flowed on drove them on their lower stop.
#[test]
fn another_dial_that_stands_a_little_further_is_no_motion() {
    let mut told = 0;
    for movement in ["gossamer", "heron", "sorrel", "causeway"] {
        for (seconds, further) in [(4.0, 0.012), (6.0, 0.02), (8.0, 0.05)] {
            for condition in [Condition::Sound, Condition::Reversed] {
                let mut movement = hw_sim::find(movement).unwrap();
                movement.condition = condition;
                let other = Fault::new(Place::Reader, Kind::OtherDial).sized(further);
                let (done, _) = run_with(&movement, &PICTURELESS_RIG, when_on(other, seconds));
                let truth = &done.truth;
                let case = format!("{} {condition:?} {seconds} s", movement.name);
                assert!(
                    truth.driven_stop_hits == 0 && truth.peak_deflection < 1.02,
                    "{case}: {truth:?}"
                );
                let plan = done.end.unwrap().plan;
                assert_ne!(plan, Some(Ok(Outcome::Complete)), "{case}");
                told += u32::from(format!("{plan:?}").contains("all at once"));
            }
        }
    }
    assert!(told >= 12, "{told}");
    let done = guarded(1_723_920_197_236_481, Class::Information, false).unwrap();
    assert_eq!(done.hits.0, 0, "{}", done.words);
}

/// It takes this one's place with its needle at its zero, once this one has answered the polarity or a letting
/// go, and before it has stood anywhere: an answer holds no longer than three times its current.
#[test]
fn another_dial_after_the_first_answer_gets_no_needle_far() {
    // It answers at 10 uA, the end of the first range, and stands away from its zero at 40 uA.
    let heron = hw_sim::find("heron").unwrap();
    let movement = MovementSpec {
        coil_full_scale: 5e-3,
        copper: 10.0,
        swamp: 0.0,
        back_emf: heron.back_emf * 0.05,
        ..heron
    };
    let mut ended = 0;
    for seconds in (0..40).map(|n| 10.0 + 0.4 * f64::from(n)) {
        let other = Fault::new(Place::Reader, Kind::OtherDial).sized(0.0);
        let (done, _) = run_with(&movement, &PICTURELESS_RIG, when_on(other, seconds));
        let truth = &done.truth;
        assert!(
            truth.driven_stop_hits == 0 && truth.peak_deflection < 1.02,
            "{seconds} s: {truth:?}"
        );
        let plan = done.end.unwrap().plan;
        ended += u32::from(matches!(plan, Some(Ok(Outcome::NothingMoves(_)))));
    }
    assert!(ended >= 20, "{ended}");
}

/// The needle moves unseen while the current grows, and its own voltage grows along with that: it must not be
/// taken for resistance.
#[test]
fn the_resistance_of_a_coil_that_moves_unseen_is_that_of_its_copper() {
    let statement = Rig::parse(&PICTURELESS_RIG, "simulated.toml")
        .unwrap()
        .statement();
    let (mut stated, mut held) = (0, 0);
    for seed in 0..40 {
        let movement = hw_sim::random(seed, Pool::Measurable);
        let elsewhere = Fault::new(Place::Reader, Kind::OtherDial).sized(0.0);
        let (done, kept) = run_with(&movement, &PICTURELESS_RIG, elsewhere);
        if let Ok(figure) = analyse(&statement, &kept).by_drop {
            let (low, high) = figure.interval95();
            let ohms = done.truth.resistance.unwrap();
            stated += 1;
            held += u32::from((low..=high).contains(&ohms));
            let off = (figure.value() / ohms - 1.0).abs();
            assert!(off < 0.02, "{seed}: {figure:?}, in truth {ohms} Ω");
        }
    }
    assert!(
        stated >= 30 && held >= stated * 9 / 10,
        "{held} of {stated}"
    );
}
