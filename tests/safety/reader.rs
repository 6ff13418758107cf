//! A needle reader that sees nothing, goes away, or lies.

use super::proxy::Wrong;
use super::scene::Scene;
use guard::Fault;
use procedure::Outcome;
use std::time::Duration;

const RISING: &str = "scale, rising";

#[test]
fn a_reader_that_is_blind_in_mid_sweep_ends_the_run() {
    let done = Scene::broken(
        "reader",
        Wrong::Says("UNSEEN a hand is before the glass"),
        "LOOK",
        20,
    )
    .armed_in_phase(RISING)
    .run();
    match done.fault() {
        Fault::LossOfSight { reason, blind } => {
            assert!(reason.contains("hand"), "{reason}");
            assert!(blind.get() < 1.0, "{blind}");
        }
        other => panic!("{other}"),
    }
    done.assert_safe_with_record();
    let last = done.kept.last().unwrap();
    assert!(last.needle.is_none() && last.refused.is_some(), "{last:?}");
}

#[test]
fn a_reader_that_is_blind_from_the_start_lets_nothing_be_driven() {
    let done = Scene::broken("reader", Wrong::Says("UNSEEN dark"), "LOOK", 0).run();
    assert!(done.fault.is_some());
    done.assert_safe();
    assert!(
        done.truth.peak_current < 1e-6,
        "{}",
        done.truth.peak_current
    );
}

#[test]
fn a_reader_that_closes_its_link_falls_silent_or_talks_nonsense() {
    let late = Wrong::Late(Duration::from_secs(5));
    for wrong in [Wrong::Close, Wrong::Deaf, Wrong::Mute, Wrong::Garbage, late] {
        let done = Scene::broken("reader", wrong, "LOOK", 20)
            .armed_in_phase(RISING)
            .run();
        // Not a cycle more than the 0.7 s, however long the reader may be waited for.
        assert!(
            matches!(done.fault(), Fault::LossOfSight { blind, .. } if blind.get() < 0.8),
            "{wrong:?}: {:?}",
            done.fault()
        );
        done.assert_safe_with_record();
    }
}

#[test]
fn a_picture_that_is_too_old_counts_as_none() {
    let old = Wrong::Says("SEEN 0.100000 0.000300 0.001000 0.900000");
    let done = Scene::broken("reader", old, "LOOK", 20)
        .armed_in_phase(RISING)
        .run();
    assert!(
        matches!(done.fault(), Fault::LossOfSight { .. }),
        "{}",
        done.fault()
    );
    done.assert_safe_with_record();
}

#[test]
fn a_needle_said_to_be_beyond_the_ceiling_ends_the_run() {
    let high = Wrong::Says("SEEN 1.200000 0.000300 0.001000 0.030000");
    for phase in ["creep", RISING] {
        let done = Scene::broken("reader", high, "LOOK", 5)
            .armed_in_phase(phase)
            .run();
        assert!(
            matches!(done.fault(), Fault::BeyondCeiling(_)),
            "{}",
            done.fault()
        );
        done.assert_safe();
    }
}

#[test]
fn a_picture_frozen_before_anything_moved_drives_no_needle_far() {
    let done = Scene::broken("reader", Wrong::Frozen, "LOOK", 0).run();
    assert!(
        done.fault.is_some() || matches!(done.plan, Some(Ok(Outcome::NothingMoves(_)))),
        "{:?}",
        done.plan
    );
    done.assert_safe();
}

#[test]
fn a_picture_frozen_in_mid_sweep_drives_no_needle_past_the_ceiling() {
    for skip in [0, 60, 200] {
        let done = Scene::broken("reader", Wrong::Frozen, "LOOK", skip)
            .armed_in_phase(RISING)
            .run();
        assert_ne!(done.plan, Some(Ok(Outcome::Complete)));
        done.assert_safe_with_record();
    }
}
