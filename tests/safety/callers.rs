//! People and programs around the guard: stop requests, a journal without room, a procedure that
//! breaks, a caller that goes away.

use super::scene::{Scene, Stage, assert_at_rest, paused, start};
use evidence::Purpose;
use guard::{Arrangement, Fault, Proposal, Rig, Settle};
use procedure::{Outcome, Plan, Stopped, Voice};
use quantity::{Amps, Seconds, Volts};
use tokio::time::{Duration, sleep};

#[test]
fn a_stop_request_ends_the_run_at_once() {
    for phase in ["creep", "first motion", "scale, rising", "half-shunt"] {
        let done = Scene::SOUND.stopped_in(phase).run();
        assert!(
            matches!(done.fault(), Fault::Interrupted),
            "{phase}: {}",
            done.fault()
        );
        let safe = done.safe.as_ref().unwrap();
        assert!(safe.verified && safe.took < 1.0, "{phase}: {safe:?}");
        assert!(done.plan.is_none());
        done.assert_safe();
        assert!(!done.kept.is_empty());
    }
}

#[test]
fn a_journal_that_keeps_nothing_more_ends_the_run() {
    for room in [0, 1, 50, 400] {
        let done = Scene::SOUND.full_after(room).run();
        match done.fault() {
            Fault::Journal(error) => assert!(error.to_string().contains("no space left")),
            other => panic!("{other}"),
        }
        assert_eq!(
            done.kept.len(),
            room,
            "exactly what was kept before it failed"
        );
        done.assert_safe();
    }
}

pub fn first_arrangement(rig: &Rig) -> Arrangement {
    Arrangement {
        range: rig.creep_ranges()[0].clone(),
        shunt: Vec::new(),
        reversed: false,
        largest_drop: Volts::new(1.0),
    }
}

/// Arranges, sees the zero and drives a little.
async fn touch(voice: &Voice, arrangement: Arrangement) -> Result<(), Stopped> {
    voice.propose(Proposal::Arrange(arrangement)).await?;
    let zero = Settle {
        purpose: Purpose::ZeroBefore,
        window: Seconds::new(1.0),
        slow: Seconds::new(0.3),
        tolerance: 0.001,
    };
    voice.propose(Proposal::Settle(zero)).await?;
    let drive = Proposal::Drive {
        target: Amps::micro(0.5),
        over: Seconds::new(1.0),
    };
    voice.propose(drive).await?;
    Ok(())
}

#[test]
fn a_procedure_that_panics_leaves_a_safe_rig() {
    paused(async {
        let mut stage = Stage::new("heron");
        let arrangement = first_arrangement(&stage.rig);
        let plan = Plan::new(|voice| async move {
            touch(&voice, arrangement).await?;
            panic!("a defect in a procedure");
            #[expect(unreachable_code, reason = "gives the block its type")]
            Ok(Outcome::Complete)
        });
        let running = start(plan, &mut stage).await;
        assert!(running.await.unwrap_err().is_panic());
        assert!(
            stage.truth().current > 3e-7,
            "current flows when the procedure breaks"
        );
        sleep(Duration::from_secs(1)).await;
        let truth = stage.truth();
        assert_at_rest(&truth);
        assert!(!stage.tap.take().is_empty());
    });
}

#[test]
fn a_caller_that_goes_away_ends_the_run() {
    paused(async {
        let mut stage = Stage::new("heron");
        let arrangement = first_arrangement(&stage.rig);
        let plan = Plan::new(|voice| async move {
            touch(&voice, arrangement).await?;
            voice.propose(Proposal::Hold(Seconds::new(3600.0))).await?;
            Ok(Outcome::Complete)
        });
        let running = start(plan, &mut stage).await;
        sleep(Duration::from_secs(30)).await;
        assert!(
            stage.truth().current > 3e-7,
            "current flows when the caller goes"
        );
        running.abort();
        sleep(Duration::from_secs(2)).await;
        assert_at_rest(&stage.truth());
    });
}
