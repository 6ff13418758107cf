//! People and programs around the guard: stop requests, a journal without room, a procedure that
//! breaks, a caller that goes away.

use super::scene::{Scene, Stage, assert_at_rest, paused, start};
use evidence::{Needle, Purpose, Sight, SightFuture, Sighting};
use guard::{Arrangement, Fault, Guard, Halt, Phase, Proposal, Rig, Settle};
use procedure::{Outcome, Plan, Stopped, Voice};
use quantity::{Amps, Seconds, Volts};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
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

/// The needle as it stands without current.
pub fn look_at_zero() -> Proposal {
    Proposal::Settle(Settle {
        purpose: Purpose::ZeroBefore,
        window: Seconds::new(2.0),
        slow: Seconds::new(1.0),
        tolerance: 0.001,
    })
}

/// Arranges, sees the zero and drives a little.
async fn touch(voice: &Voice, arrangement: Arrangement) -> Result<(), Stopped> {
    voice.propose(Proposal::Arrange(arrangement)).await?;
    voice.propose(look_at_zero()).await?;
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
        let mut stage = Stage::new("fennel");
        let arrangement = first_arrangement(&stage.rig);
        let plan = Plan::new(|voice| async move {
            touch(&voice, arrangement).await?;
            panic!("a defect in a procedure");
            #[expect(unreachable_code, reason = "gives the block its type")]
            Ok(Outcome::Complete)
        });
        let running = start(plan, &mut stage).await;
        let end = running.await.unwrap();
        let truth = stage.truth();
        assert!(truth.peak_current > 3e-7, "current flowed");
        assert_at_rest(&truth);
        match end.plan {
            Some(Err(Stopped::Defect(text))) => assert!(text.contains("in a procedure"), "{text}"),
            other => panic!("{other:?}"),
        }
        assert!(end.ending.unwrap().safe.verified);
        assert!(!stage.tap.take().is_empty());
    });
}

#[test]
fn a_caller_that_goes_away_ends_the_run() {
    paused(async {
        let mut stage = Stage::new("fennel");
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

/// A guard with the first arrangement made.
async fn arranged(stage: &mut Stage) -> Guard {
    let arrangement = first_arrangement(&stage.rig);
    let tap = Box::new(stage.tap.clone());
    let mut guard = stage.guard(tap).await.unwrap();
    let done = guard.propose(Proposal::Arrange(arrangement)).await;
    done.unwrap();
    guard
}

/// A ramp up to 0.8 µA that takes half a minute.
const LONG_RAMP: Proposal = Proposal::Drive {
    target: Amps::new(0.8e-6),
    over: Seconds::new(30.0),
};

#[test]
fn a_caller_that_gives_up_waiting_in_mid_ramp_ends_the_run() {
    paused(async {
        let mut stage = Stage::new("fennel");
        let mut guard = arranged(&mut stage).await;
        let patience = Duration::from_secs(20);
        let answer = tokio::time::timeout(patience, guard.propose(LONG_RAMP)).await;
        assert!(answer.is_err(), "the ramp takes longer");
        assert!(stage.truth().current > 1e-7);
        let late = guard.propose(LONG_RAMP).await;
        assert!(matches!(late, Err(Halt::Fault(Fault::Ended))), "{late:?}");
        assert_at_rest(&stage.truth());
        let ending = guard.end().await.unwrap();
        assert_eq!(ending.phase, Phase::Faulted);
        assert!(ending.safe.verified);
    });
}

#[test]
fn a_stop_request_in_mid_ramp_is_answered_with_the_rig_safe() {
    paused(async {
        let mut stage = Stage::new("fennel");
        let mut guard = arranged(&mut stage).await;
        let asks = stage.asks.clone();
        tokio::spawn(async move {
            sleep(Duration::from_secs(20)).await;
            asks.send_replace(true);
        });
        let began = tokio::time::Instant::now();
        let answer = guard.propose(LONG_RAMP).await;
        let took = began.elapsed().as_secs_f64();
        assert!(
            matches!(answer, Err(Halt::Fault(Fault::Interrupted))),
            "{answer:?}"
        );
        assert_at_rest(&stage.truth());
        assert!((20.0..20.5).contains(&took), "{took} s");
        assert!(guard.end().await.unwrap().safe.verified);
    });
}

/// A needle at its zero, each picture of which takes 30 ms. It counts how often it was looked at, and is
/// out of order after so many `most` looks.
pub struct AtZero {
    pub looks: Arc<AtomicUsize>,
    pub most: usize,
}

impl Sight for AtZero {
    fn look(&mut self) -> SightFuture<'_> {
        let count = self.looks.fetch_add(1, Ordering::Relaxed);
        assert!(count < self.most, "a defect in a reader");
        let deflection = (count % 7) as f64 * 1e-4;
        Box::pin(async move {
            sleep(Duration::from_millis(30)).await;
            let needle = Needle {
                deflection,
                u: 0.0005,
                u_shared: 0.0004,
            };
            let (age, seen) = (0.03, Ok(needle));
            Sighting { age, seen }
        })
    }

    fn name(&self) -> String {
        "at zero".to_owned()
    }
}

#[test]
fn a_reader_that_panics_leaves_a_safe_rig() {
    paused(async {
        let mut stage = Stage::new("heron");
        let arrangement = first_arrangement(&stage.rig);
        let brittle = AtZero {
            looks: Arc::default(),
            most: 100,
        };
        let mut guard = stage.seen_by(brittle).await;
        let arranged = guard.propose(Proposal::Arrange(arrangement)).await;
        arranged.unwrap();
        let answer = guard.propose(LONG_RAMP).await;
        match answer {
            Err(Halt::Fault(Fault::Panic(text))) => assert!(text.contains("a defect in a reader")),
            other => panic!("{other:?}"),
        }
        assert_at_rest(&stage.truth());
        let ending = guard.end().await.unwrap();
        assert!(ending.safe.verified);
        assert_eq!(ending.phase, Phase::Faulted);
        assert_eq!(stage.tap.take().len(), 100, "what was seen is kept");
    });
}

/// Program and watcher are gone at once, and nobody says anything any more: the supply's own watchdog
/// switches the output off.
#[test]
fn a_supply_with_a_watchdog_goes_off_when_nobody_speaks_any_more() {
    let stage = paused(async {
        let mut stage = Stage::new("fennel");
        let mut guard = arranged(&mut stage).await;
        let target = Amps::micro(0.5);
        let over = Seconds::new(1.0);
        guard
            .propose(Proposal::Drive { target, over })
            .await
            .unwrap();
        // A hold of several times the watchdog's second: the guard keeps it quiet.
        guard
            .propose(Proposal::Hold(Seconds::new(10.0)))
            .await
            .unwrap();
        // With the runtime everything ends that could make the rig safe.
        std::mem::forget(guard);
        stage
    });
    let truth = stage.truth();
    assert!(truth.current > 3e-7 && !truth.safe, "{truth:?}");
    let mut bench = stage.bench.lock().unwrap();
    let now = (truth.time * 1e9) as u64;
    bench.advance(now + 500_000_000);
    assert!(!bench.truth().safe, "the watchdog waits for its second");
    bench.advance(now + 1_500_000_000);
    assert!(bench.truth().safe, "{:?}", bench.truth());
}
