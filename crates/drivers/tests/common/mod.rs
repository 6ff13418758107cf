//! An instrument that plays a script, byte by byte, under a clock that only moves when everybody
//! waits.

// Each test program uses its own part of this.
#![allow(dead_code, clippy::expect_used, clippy::panic)]

pub mod case;
pub mod instrument;
pub mod pty;

use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::task::JoinHandle;

/// One step of the instrument.
#[derive(Clone, Debug)]
pub enum Step {
    /// The bytes that must come next.
    Hears(String),
    /// Bytes sent, in one write.
    Says(Vec<u8>),
    /// Time that passes, in milliseconds.
    Waits(u64),
    /// The instrument closes its end.
    Closes,
}

pub fn hears(line: &str) -> Step {
    Step::Hears(format!("{line}\n"))
}

pub fn says(line: &str) -> Step {
    Step::Says(format!("{line}\n").into_bytes())
}

pub fn bytes(bytes: &[u8]) -> Step {
    Step::Says(bytes.to_vec())
}

pub fn waits(ms: u64) -> Step {
    Step::Waits(ms)
}

/// A question and its answer.
pub fn answers(question: &str, answer: &str) -> [Step; 2] {
    [hears(question), says(answer)]
}

/// The script being played.
pub struct Player(JoinHandle<Result<(), String>>);

impl Player {
    /// Fails unless every step has been played and nothing else was sent. The driver's end must
    /// be dropped before.
    pub async fn finish(self, case: &str) {
        let ended = tokio::time::timeout(Duration::from_secs(3600), self.0).await;
        match ended
            .expect("the script never ends")
            .expect("the player runs")
        {
            Ok(()) => {}
            Err(message) => panic!("{case}: {message}"),
        }
    }
}

/// Starts a script.
pub fn play(steps: Vec<Step>) -> (DuplexStream, Player) {
    let (ours, theirs) = duplex(1 << 16);
    (ours, Player(tokio::spawn(run(theirs, steps))))
}

async fn run(mut wire: DuplexStream, steps: Vec<Step>) -> Result<(), String> {
    let count = steps.len();
    for (at, step) in steps.into_iter().enumerate() {
        match step {
            Step::Hears(line) => {
                let mut heard = vec![0; line.len()];
                let mut filled = 0;
                while filled < heard.len() {
                    match wire.read(&mut heard[filled..]).await {
                        Ok(0) | Err(_) => {
                            return Err(format!("step {at} of {count}: {line:?} was never sent"));
                        }
                        Ok(more) => filled += more,
                    }
                    let got = String::from_utf8_lossy(&heard[..filled]);
                    if !line.starts_with(&*got) {
                        return Err(format!("step {at}: {line:?} was due but {got:?} was sent"));
                    }
                }
            }
            Step::Says(bytes) => {
                wire.write_all(&bytes)
                    .await
                    .map_err(|error| format!("step {at}: {error}"))?;
            }
            Step::Waits(ms) => tokio::time::sleep(Duration::from_millis(ms)).await,
            Step::Closes => return Ok(()),
        }
    }
    let mut beyond = Vec::new();
    wire.read_to_end(&mut beyond)
        .await
        .map_err(|error| error.to_string())?;
    match beyond.is_empty() {
        true => Ok(()),
        false => Err(format!(
            "beyond the script: {:?}",
            String::from_utf8_lossy(&beyond)
        )),
    }
}
