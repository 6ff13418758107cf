//! A needle reader that sees nothing, goes away, or lies.

use super::callers::{first_arrangement, look_at_zero};
use super::proxy::Wrong;
use super::scene::{Scene, Stage, paused};
use evidence::{Needle, Sight, SightFuture, Sighting};
use guard::{Fault, Halt, Proposal, Refusal};
use procedure::Outcome;
use quantity::{Amps, Seconds};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::time::sleep;

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

/// A needle at its zero but for what is still to be shown.
struct Dips(Arc<Mutex<VecDeque<f64>>>, usize);

impl Sight for Dips {
    fn look(&mut self) -> SightFuture<'_> {
        self.1 += 1;
        let shown = self.0.lock().unwrap().pop_front().unwrap_or(0.0);
        let needle = Needle {
            deflection: shown + (self.1 % 7) as f64 * 1e-5,
            u: 1e-4,
            u_shared: 4e-4,
        };
        Box::pin(async move {
            sleep(Duration::from_millis(30)).await;
            Sighting {
                age: 0.03,
                seen: Ok(needle),
            }
        })
    }

    fn name(&self) -> String {
        "dips".to_owned()
    }
}

/// A knock shows the needle anywhere for a moment; one that stays below its zero is of a movement whose
/// leads are swapped.
#[test]
fn a_knock_shows_no_polarity() {
    for (sightings, refused) in [(1, false), (2, false), (3, true), (6, true)] {
        paused(async {
            let mut stage = Stage::new("fennel");
            let arrangement = first_arrangement(&stage.rig);
            let shows = Arc::new(Mutex::new(VecDeque::new()));
            let mut guard = stage.seen_by(Dips(Arc::clone(&shows), 0)).await;
            guard.propose(Proposal::Arrange(arrangement)).await.unwrap();
            guard.propose(look_at_zero()).await.unwrap();
            let drive = |target: f64| Proposal::Drive {
                target: Amps::micro(target),
                over: Seconds::new(1.0),
            };
            guard.propose(drive(0.3)).await.unwrap();
            let down = [-0.003, -0.006, -0.009];
            let below = vec![-0.0125; sightings];
            let up = down.iter().rev();
            shows
                .lock()
                .unwrap()
                .extend(down.iter().chain(&below).chain(up));
            let hold = Proposal::Hold(Seconds::new(2.0));
            guard.propose(hold).await.unwrap();
            assert!(shows.lock().unwrap().is_empty());
            match guard.propose(drive(0.4)).await {
                Ok(_) if !refused => {}
                Err(Halt::Refused(Refusal::Backwards { .. })) if refused => {}
                other => panic!("{sightings}: {other:?}"),
            }
        });
    }
}
