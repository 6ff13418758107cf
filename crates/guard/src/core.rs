//! The guard's one task: it owns the instruments and the reader, carries out proposals, and ends
//! in the safe state whatever happens to its callers.

use crate::allowance::Evidence;
use crate::calm::{Calm, FirstWay};
use crate::check::{Dynamics, Known, LoopMeasured};
use crate::fault::Fault;
use crate::instruments::Instruments;
use crate::person::Asked;
use crate::proposal::{Halt, Proposal, Report};
use crate::refusal::Refusal;
use crate::rest::Tick;
use crate::rig::Rig;
use crate::safe::SafeReport;
use crate::state::State;
use crate::suspects::{Falsified, OpenLoop};
use crate::watcher::{Heart, Watched};
use evidence::{Journal, Sight};
use futures::FutureExt;
use quantity::{Amps, Ohms, Volts};
use std::collections::BTreeSet;
use std::panic::AssertUnwindSafe;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Duration, Instant, sleep};

/// Nobody looks for no longer than this while nothing is proposed.
const UNWATCHED: Duration = Duration::from_millis(200);

/// Everything that can act or see.
pub(crate) struct Bench {
    pub instruments: Instruments,
    pub sight: Box<dyn Sight>,
    pub journal: Box<dyn Journal>,
}

/// The run's phase. `Faulted` is a dead end: nothing leads out of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Off, verified; nothing proposed yet.
    Safe,
    /// The output is on.
    Live,
    /// Off after the last proposal.
    Ended,
    /// Off after a fault.
    Faulted,
}

impl Phase {
    /// The one table of transitions.
    pub fn may_become(self, next: Self) -> bool {
        use Phase::{Ended, Faulted, Live, Safe};
        matches!(
            (self, next),
            (Safe, Live | Ended | Faulted) | (Live, Ended | Faulted) | (Ended, Faulted)
        )
    }
}

pub(crate) struct Core {
    pub rig: Rig,
    pub bench: Bench,
    pub stop: watch::Receiver<bool>,
    pub watched: Watched,
    /// Who waits for the proposal being carried out.
    pub waiting: Option<oneshot::Sender<Result<Report, Halt>>>,
    pub started: Instant,
    pub phase: Phase,
    pub state: State,
    pub evidence: Evidence,
    pub measured: Option<LoopMeasured>,
    /// How the needle moves, and the least resistance of the loop in which that was identified.
    pub identified: Option<(Dynamics, Ohms)>,
    pub upscale: Option<bool>,
    pub still: Amps,
    pub heaviest: usize,
    /// The most current that can flow in the present state.
    pub bound: Amps,
    /// The most that can flow if every contact is what it was told to be.
    pub expected: Amps,
    /// Contacts that were told to open, and that no reading has shown to be open.
    pub suspects: BTreeSet<u32>,
    /// What they can do in the present arrangement.
    pub falsified: Falsified,
    /// What the loop told of them before its sense element was closed.
    pub open_loop: Option<OpenLoop>,
    pub seq: u64,
    pub blind_since: Option<f64>,
    pub wiggling: bool,
    /// The last change of the current was a fall.
    pub fell: bool,
    /// That the needle sticks, once it was seen to.
    pub sticks: Option<Refusal>,
    /// Sign of the loop meter's reading while current flows, once it has: its leads may be exchanged.
    pub loop_sign: Option<f64>,
    pub refusals: u32,
    pub last_deflection: f64,
    pub repeats: u32,
    pub last_refusal: String,
    pub calm: Calm,
    pub first_way: FirstWay,
    /// Sightings in a row that showed the needle on the wrong side of its zero.
    pub wrong_way: u32,
    pub backwards: bool,
    /// The current was lowered because of it since the last proposal.
    pub went_back: bool,
    /// When that was last.
    pub retreated: f64,
    /// Cycles in a row without the current that the set-point must drive.
    pub unfed: u32,
    /// Drop and current of the last cycle.
    pub last_cycle: (Volts, Amps),
    /// A person reads the needle: see [`crate::person`].
    pub person: Option<Asked>,
    /// Shared uncertainty that the reader last stated.
    pub u_shared: f64,
    /// The movement's resistance by the last readings of meters in the hand, with its relative doubt.
    pub seen_ohms: Option<(Ohms, f64)>,
    pub near_full_scale: f64,
    pub drop_range: f64,
    pub loop_range: f64,
    /// Level at which a trip stands that can be set.
    pub trip_level: Volts,
}

/// A proposal on its way to the guard, with the place for the answer.
pub(crate) struct Request {
    pub proposal: Proposal,
    pub answer: oneshot::Sender<Result<Report, Halt>>,
}

/// How a run of the guard ended. The rig was made safe before this existed.
pub struct Ending {
    /// The journal, given back.
    pub journal: Box<dyn Journal>,
    /// What making the rig safe found.
    pub safe: SafeReport,
    /// The fault that ended the run, if one did.
    pub fault: Option<Fault>,
    /// Phase at the end: `Ended`, or `Faulted`.
    pub phase: Phase,
}

impl Core {
    pub fn new(rig: Rig, bench: Bench, stop: watch::Receiver<bool>, watched: Watched) -> Self {
        let heaviest = rig.review().heaviest;
        let trip_level = rig.protection.trip.map_or(Volts::ZERO, |trip| trip.level);
        let person = bench.sight.by_person().then(Asked::default);
        let mut evidence = Evidence::default();
        if person.is_some() {
            evidence.by_person();
        }
        Self {
            rig,
            bench,
            stop,
            watched,
            waiting: None,
            started: Instant::now(),
            phase: Phase::Safe,
            state: State::RELEASED,
            evidence,
            measured: None,
            identified: None,
            upscale: None,
            still: Amps::ZERO,
            heaviest,
            bound: Amps::ZERO,
            expected: Amps::ZERO,
            suspects: BTreeSet::new(),
            falsified: Falsified::NOT,
            open_loop: None,
            seq: 0,
            blind_since: None,
            wiggling: false,
            fell: false,
            sticks: None,
            loop_sign: None,
            refusals: 0,
            last_deflection: f64::NAN,
            repeats: 0,
            last_refusal: String::new(),
            calm: Calm::default(),
            first_way: FirstWay::default(),
            wrong_way: 0,
            backwards: false,
            went_back: false,
            retreated: f64::NEG_INFINITY,
            unfed: 0,
            last_cycle: (Volts::ZERO, Amps::ZERO),
            person,
            u_shared: 0.0,
            seen_ohms: None,
            near_full_scale: 0.0,
            drop_range: 0.0,
            loop_range: 0.0,
            trip_level,
        }
    }

    /// Runs to the end with a beating heart. It beats in the guard's own task: a guard that is
    /// stuck gives no sign of life, whatever else of the program still runs.
    pub async fn run(self, requests: mpsc::Receiver<Request>, mut heart: Heart) -> Ending {
        let ending = tokio::select! {
            biased;
            ending = self.guarded(requests) => ending,
            never = heart.beat() => match never {},
        };
        heart.dismiss(ending.safe.verified).await;
        ending
    }

    /// Serves proposals until the caller is gone or something goes wrong; then makes safe.
    async fn guarded(mut self, mut requests: mpsc::Receiver<Request>) -> Ending {
        let served = AssertUnwindSafe(self.serve(&mut requests))
            .catch_unwind()
            .await;
        let fault = match served {
            Ok(Ok(())) => None,
            Ok(Err(fault)) => Some(fault),
            Err(panic) => Some(Fault::Panic(panic_text(&*panic))),
        };
        let safe = self.make_safe().await;
        let fault = fault.or_else(|| safe.failures.first().map(|f| Fault::Instrument(f.clone())));
        let next = if fault.is_some() {
            Phase::Faulted
        } else {
            Phase::Ended
        };
        self.enter(next);
        // A caller that is still waiting hears of it only now, with the rig safe.
        requests.close();
        let heard = fault.clone().unwrap_or(Fault::Ended);
        while let Some(request) = requests.recv().await {
            let _ = request.answer.send(Err(Halt::Fault(heard.clone())));
        }
        if let Some(answer) = self.waiting.take() {
            let _ = answer.send(Err(Halt::Fault(heard)));
        }
        Ending {
            journal: self.bench.journal,
            safe,
            fault,
            phase: self.phase,
        }
    }

    async fn serve(&mut self, requests: &mut mpsc::Receiver<Request>) -> Result<(), Fault> {
        loop {
            let request = tokio::select! {
                biased;
                fault = crate::watch::stopped(&mut self.stop, &mut self.watched) => return Err(fault),
                request = requests.recv() => request,
                () = sleep(UNWATCHED), if self.phase == Phase::Live => {
                    self.watch_idle().await?;
                    continue;
                }
            };
            let Some(request) = request else {
                return Ok(());
            };
            self.waiting = Some(request.answer);
            let done = self.carry_out(request.proposal).await;
            let reply = match done {
                Ok(report) => Ok(report),
                Err(Halt::Refused(refusal)) => Err(Halt::Refused(refusal)),
                // Who is asked something answers nothing more once the run is to end.
                Err(Halt::Fault(_)) if self.rig.asks_people() && *self.stop.borrow() => {
                    return Err(Fault::Interrupted);
                }
                Err(Halt::Fault(fault)) => return Err(fault),
            };
            if let Some(answer) = self.waiting.take() {
                // A caller that has gone away misses its answer; the next receive sees it gone.
                let _ = answer.send(reply);
            }
        }
    }

    pub fn enter(&mut self, next: Phase) {
        debug_assert!(self.phase.may_become(next), "{:?} to {next:?}", self.phase);
        self.phase = next;
    }

    /// Seconds since the start of the run.
    pub fn now(&self) -> f64 {
        self.started.elapsed().as_secs_f64()
    }

    pub fn volts(&self) -> Volts {
        self.bench.instruments.output.volts()
    }

    pub fn known(&self) -> Known<'_> {
        Known {
            rig: &self.rig,
            evidence: &self.evidence,
            measured: self.measured,
            dynamics: self.dynamics(),
            upscale: self.upscale,
            still: self.still,
            heaviest: self.heaviest,
            stuck: self.falsified.current,
        }
    }

    pub fn report(&self, ticks: Vec<Tick>) -> Report {
        Report {
            observation: None,
            allowance: self.evidence.allowance(&self.rig.limits),
            furthest: self
                .state
                .arrangement
                .as_ref()
                .map_or(Amps::ZERO, |a| self.known().furthest(a)),
            current: ticks
                .last()
                .filter(|_| self.sense_ohms().is_some())
                .map(|t| self.loop_current(t)),
            volts: self.volts(),
            backwards: self.backwards || self.went_back,
            cut_short: false,
            moved: self.evidence.moved(),
            quiet_end: self.quiet_end(),
            ticks,
        }
    }
}

pub(crate) fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_default()
}
