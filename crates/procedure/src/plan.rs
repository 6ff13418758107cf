//! A plan: steps out, answers in.

use guard::{Proposal, Refusal, Report};
use std::any::Any;
use std::future::Future;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, Waker};
use thiserror::Error;

/// One step of a plan.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// Something for the guard.
    Propose(Proposal),
    /// Where the plan stands, for people.
    Say {
        /// What is being done, in plain words.
        phase: &'static str,
        /// Share of the whole that is done, 0 to 1.
        done: f64,
        /// Estimated seconds left, once that can be told.
        left: Option<f64>,
    },
}

/// What a proposal led to, as far as a plan may go on from it. Faults end the plan instead.
pub type Answer = Result<Report, Refusal>;

/// How a plan ended by itself.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// All was measured that the plan is for.
    Complete,
    /// Something was measured, but nothing moved the needle.
    NothingMoves(String),
}

/// Why a plan stopped before its end.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum Stopped {
    /// The guard refused a step that the plan can't do without.
    #[error("refused by the guard: {0}")]
    Refused(#[from] Refusal),
    /// The plan's own reason.
    #[error("{0}")]
    Because(String),
    /// A defect in the plan.
    #[error("a defect in the procedure stopped the run: {0}")]
    Defect(String),
}

/// What a plan says next.
#[derive(Debug, PartialEq)]
pub enum Turn {
    /// A step to carry out; its answer goes into the next call.
    Step(Step),
    /// The end.
    Done(Result<Outcome, Stopped>),
}

#[derive(Default)]
struct Seat {
    step: Option<Step>,
    answer: Option<Answer>,
}

/// The plan's own end of the conversation.
#[derive(Clone)]
pub struct Voice(Arc<Mutex<Seat>>);

impl Voice {
    /// Proposes, and gets the answer.
    ///
    /// # Errors
    /// The guard's refusal; nothing was changed.
    pub async fn propose(&self, proposal: Proposal) -> Answer {
        self.exchange(Step::Propose(proposal)).await
    }

    /// Says where the plan stands.
    pub async fn say(&self, phase: &'static str, done: f64, left: Option<f64>) {
        // There is nothing to learn from the answer to a remark.
        let _ = self.exchange(Step::Say { phase, done, left }).await;
    }

    async fn exchange(&self, step: Step) -> Answer {
        self.lock().step = Some(step);
        std::future::poll_fn(|_| match self.lock().answer.take() {
            Some(answer) => Poll::Ready(answer),
            None => Poll::Pending,
        })
        .await
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Seat> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

type Script = Pin<Box<dyn Future<Output = Result<Outcome, Stopped>> + Send>>;

/// A plan: written as one function that reads top to bottom, run one step at a time.
pub struct Plan {
    script: Script,
    voice: Voice,
}

impl Plan {
    /// A plan from its script.
    pub fn new<F>(script: impl FnOnce(Voice) -> F) -> Self
    where
        F: Future<Output = Result<Outcome, Stopped>> + Send + 'static,
    {
        let voice = Voice(Arc::default());
        Self {
            script: Box::pin(script(voice.clone())),
            voice,
        }
    }

    /// Feeds the answer to the last step (none at first) and gets the next one.
    pub fn next(&mut self, answer: Option<Answer>) -> Turn {
        self.voice.lock().answer = answer;
        let mut context = Context::from_waker(Waker::noop());
        let script = self.script.as_mut();
        // A panic must not take down what the guard runs on: it still has to make the rig safe.
        match catch_unwind(AssertUnwindSafe(|| script.poll(&mut context))) {
            Ok(Poll::Ready(end)) => Turn::Done(end),
            Ok(Poll::Pending) => match self.voice.lock().step.take() {
                Some(step) => Turn::Step(step),
                None => Turn::Done(Err(Stopped::Defect(
                    "it waits for something other than an answer".to_owned(),
                ))),
            },
            Err(panic) => Turn::Done(Err(Stopped::Defect(text(&*panic)))),
        }
    }
}

fn text(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::Seconds;

    #[test]
    fn a_plan_is_fed_and_says_its_steps_in_order() {
        let mut plan = Plan::new(|voice| async move {
            let report = voice.propose(Proposal::Hold(Seconds::new(1.0))).await?;
            voice.say("looking", 0.5, None).await;
            let moved = if report.moved { "moved" } else { "still" };
            Ok(Outcome::NothingMoves(moved.to_owned()))
        });
        assert_eq!(
            plan.next(None),
            Turn::Step(Step::Propose(Proposal::Hold(Seconds::new(1.0))))
        );
        let answer = Ok(Report {
            moved: true,
            ..Report::default()
        });
        assert!(matches!(
            plan.next(Some(answer)),
            Turn::Step(Step::Say {
                phase: "looking",
                ..
            })
        ));
        let end = plan.next(Some(Ok(Report::default())));
        assert_eq!(
            end,
            Turn::Done(Ok(Outcome::NothingMoves("moved".to_owned())))
        );
    }

    #[test]
    fn a_refusal_reaches_the_plan() {
        let mut plan = Plan::new(|voice| async move {
            voice.propose(Proposal::Wiggle).await?;
            Ok(Outcome::Complete)
        });
        plan.next(None);
        let refusal = Refusal::Order("first things first");
        let end = plan.next(Some(Err(refusal.clone())));
        assert_eq!(end, Turn::Done(Err(Stopped::Refused(refusal))));
    }
}
