//! The one engine: passes a plan's proposals to the guard until the plan or the guard ends.

use crate::plan::{Answer, Outcome, Plan, Step, Stopped, Turn};
use guard::{Ending, Fault, Guard, Halt, Report};
use quantity::{Amps, Seconds};

/// How far a run has come, for people who watch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Progress {
    /// What is being done.
    pub phase: &'static str,
    /// Share of the whole that is done.
    pub done: f64,
    /// Estimated seconds left.
    pub left: Option<f64>,
    /// Where the needle was seen last.
    pub deflection: Option<f64>,
    /// Loop current by the last reading.
    pub current: Option<Amps>,
    /// The largest current that the evidence permits.
    pub allowance: Amps,
    /// Time since the start of the run.
    pub at: Seconds,
}

/// How a run ended. The rig is in the safe state.
pub struct RunEnd {
    /// How the plan ended, when the guard let it come to its end.
    pub plan: Option<Result<Outcome, Stopped>>,
    /// How the guard ended; none when its task was lost.
    pub ending: Result<Ending, Fault>,
}

/// Runs a plan to its end, or until a fault. Ends in the safe state in every case: the guard
/// sees to that by itself, also when this future is dropped.
pub async fn run(mut plan: Plan, mut guard: Guard, mut watch: impl FnMut(&Progress)) -> RunEnd {
    let mut progress = Progress::default();
    let mut answer: Option<Answer> = None;
    let plan_end = loop {
        match plan.next(answer.take()) {
            Turn::Done(end) => break Some(end),
            Turn::Step(Step::Say { phase, done, left }) => {
                progress = Progress {
                    phase,
                    done,
                    left,
                    ..progress
                };
                watch(&progress);
                answer = Some(Ok(Report::default()));
            }
            Turn::Step(Step::Propose(proposal)) => match guard.propose(proposal).await {
                Ok(report) => {
                    note(&mut progress, &report);
                    watch(&progress);
                    answer = Some(Ok(report));
                }
                Err(Halt::Refused(refusal)) => answer = Some(Err(refusal)),
                Err(Halt::Fault(_)) => break None,
            },
        }
    };
    RunEnd {
        plan: plan_end,
        ending: guard.end().await,
    }
}

fn note(progress: &mut Progress, report: &Report) {
    progress.allowance = report.allowance;
    let Some(tick) = report.ticks.last() else {
        return;
    };
    progress.deflection = tick
        .needle
        .map(|(deflection, _)| deflection)
        .or(progress.deflection);
    progress.current = report.current;
    progress.at = Seconds::new(tick.at);
}
