//! One exchange as data: what the instrument plays, what the driver's side does, and what must
//! come of it.

use super::{Step, play};
use drivers::{Link, LinkError, Wire};
use std::time::Duration;
use tokio::time::Instant;

/// What the driver's side does, and what must come of it.
#[derive(Clone)]
pub enum Op {
    Send(&'static str),
    /// A question that gets this answer.
    Ask(&'static str, String),
    /// A question that fails in this way.
    Fail(&'static str, Failure),
    /// Back into step with an instrument known as `ME`.
    Resync,
    /// Fails to get back into step.
    NoResync,
    /// Time passes, in milliseconds.
    Wait(u64),
}
pub use Op::{Ask, Fail, NoResync, Resync, Send, Wait};

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Failure {
    Timeout,
    Gone,
    TooLong,
    Extra,
    NeedsResync,
    BadCommand,
}

fn failure(error: &LinkError) -> Option<Failure> {
    Some(match error {
        LinkError::Timeout { .. } => Failure::Timeout,
        LinkError::Gone { .. } => Failure::Gone,
        LinkError::TooLong { .. } => Failure::TooLong,
        LinkError::Extra { .. } => Failure::Extra,
        LinkError::NeedsResync { .. } => Failure::NeedsResync,
        LinkError::BadCommand { .. } => Failure::BadCommand,
        _ => return None,
    })
}

pub struct Case {
    pub issue: &'static str,
    pub wire: Wire,
    pub script: Vec<Step>,
    pub ops: Vec<Op>,
    /// Longest virtual time that all of it may take, in milliseconds.
    pub within: u64,
}

pub const DEADLINE: Duration = Duration::from_millis(1000);

pub fn lines() -> Wire {
    Wire::lines(DEADLINE)
}

pub fn case(issue: &'static str, script: &[&[Step]], ops: &[Op], within: u64) -> Case {
    Case {
        issue,
        wire: lines(),
        script: script.concat(),
        ops: ops.to_vec(),
        within,
    }
}

pub fn ask(question: &'static str, answer: &str) -> Op {
    Ask(question, answer.to_owned())
}

pub async fn check(case: Case) {
    let issue = case.issue;
    let (stream, player) = play(case.script);
    let mut link = Link::over(Box::new(stream), "dut", &case.wire);
    let start = Instant::now();
    for op in case.ops {
        match op {
            Send(line) => link
                .send(line)
                .await
                .unwrap_or_else(|error| panic!("{issue}: {error}")),
            Ask(question, answer) => match link.query(question, DEADLINE).await {
                Ok(reply) => assert_eq!(reply, answer, "{issue}"),
                Err(error) => panic!("{issue}: {error}"),
            },
            Fail(question, expected) => {
                let error = link.query(question, DEADLINE).await.expect_err(issue);
                assert_eq!(failure(&error), Some(expected), "{issue}: {error}");
                let text = error.to_string();
                assert!(text.starts_with("dut: "), "{issue}: {text}");
            }
            Resync => {
                link.resync("*IDN?", "ME")
                    .await
                    .unwrap_or_else(|e| panic!("{issue}: {e}"));
            }
            NoResync => drop(link.resync("*IDN?", "ME").await.expect_err(issue)),
            Wait(ms) => tokio::time::sleep(Duration::from_millis(ms)).await,
        }
    }
    let took = start.elapsed();
    assert!(
        took <= Duration::from_millis(case.within),
        "{issue}: took {took:?}"
    );
    drop(link);
    player.finish(issue).await;
}
