//! The terminal at which a person is asked, one question at a time.

use quantity::Seconds;
use std::io::{BufRead, BufReader, Read, Write};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// Longest line that counts as an answer, bytes.
const LONGEST: u64 = 200;
/// How often a wait in which simulated time stands still looks whether the run is to end.
const LOOKS_EVERY: Duration = Duration::from_millis(1);

/// Where questions go to, and answers come from.
pub struct Terminal {
    /// What the person types.
    pub input: Box<dyn Read + Send>,
    /// What the person sees.
    pub output: Box<dyn Write + Send>,
}

impl Terminal {
    /// Standard input, and standard error, since standard output is for results.
    pub fn standard() -> Self {
        Self {
            input: Box::new(std::io::stdin()),
            output: Box::new(std::io::stderr()),
        }
    }
}

/// A terminal shared by all that a person does in a run.
#[derive(Clone)]
pub(crate) struct Console {
    lines: Arc<tokio::sync::Mutex<mpsc::UnboundedReceiver<String>>>,
    output: Arc<Mutex<Box<dyn Write + Send>>>,
    /// Turned true to end the run.
    quit: watch::Sender<bool>,
    /// Simulated time stands still while the person thinks.
    still: bool,
}

/// When a question is dropped.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Until {
    /// Once the run is to end, and by q, which ends it.
    RunEnds,
    /// When nobody is there any more.
    Answered,
}

impl Console {
    /// Reads lines on a thread of its own. With `still`, waiting holds up the thread that asks, and
    /// with it a clock that would run ahead.
    pub fn new(terminal: Terminal, quit: watch::Sender<bool>, still: bool) -> Self {
        let (sender, lines) = mpsc::unbounded_channel();
        let Terminal { input, output } = terminal;
        std::thread::spawn(move || listen(BufReader::new(input), &sender));
        Self {
            lines: Arc::new(tokio::sync::Mutex::new(lines)),
            output: Arc::new(Mutex::new(output)),
            quit,
            still,
        }
    }

    /// On a line of its own. A terminal that is gone gives no answer either.
    pub fn tell(&self, text: &str) {
        let mut output = self.output.lock().unwrap_or_else(PoisonError::into_inner);
        let _ = writeln!(output, "\n{text}");
        let _ = output.flush();
    }

    /// What the person has done took so long. Where time stands still at questions, it passes now.
    pub async fn takes(&self, time: Seconds) {
        if self.still {
            tokio::time::sleep(time.duration()).await;
        }
    }

    /// Asks `question`, and again with the reason what is not understood. None once the run is to end,
    /// or nobody answers.
    pub async fn ask<T>(
        &self,
        question: &str,
        until: Until,
        understood: impl Fn(&str) -> Result<T, String>,
    ) -> Option<T> {
        let mut lines = self.lines.lock().await;
        // What was typed before the question is no answer to it.
        while lines.try_recv().is_ok() {}
        let ends = match until {
            Until::RunEnds => "; q ends the run:",
            Until::Answered => ":",
        };
        let mut why = String::new();
        loop {
            self.tell(&format!("{why}{question}{ends}"));
            let Some(line) = self.line(&mut lines, until).await else {
                self.leave(until, "nobody answers any more");
                return None;
            };
            if until == Until::RunEnds && line.eq_ignore_ascii_case("q") {
                self.leave(until, "ended by q");
                return None;
            }
            match understood(&line) {
                Ok(answer) => return Some(answer),
                Err(reason) => why = format!("{reason}.\n"),
            }
        }
    }

    /// The next line; none once there will be no more, or the run is to end.
    async fn line(
        &self,
        lines: &mut mpsc::UnboundedReceiver<String>,
        until: Until,
    ) -> Option<String> {
        let mut quit = self.quit.subscribe();
        if !self.still {
            return tokio::select! {
                biased;
                _ = quit.wait_for(|asked| *asked && until == Until::RunEnds) => None,
                line = lines.recv() => line,
            };
        }
        loop {
            match lines.try_recv() {
                Ok(line) => return Some(line),
                Err(mpsc::error::TryRecvError::Disconnected) => return None,
                Err(mpsc::error::TryRecvError::Empty) => {
                    if until == Until::RunEnds && *quit.borrow() {
                        return None;
                    }
                    std::thread::sleep(LOOKS_EVERY);
                }
            }
        }
    }

    /// Sees to it that the run ends, and says so where it is news.
    fn leave(&self, until: Until, why: &str) {
        if until == Until::RunEnds && !self.quit.send_replace(true) {
            self.tell(&format!("{why}: the run ends, and the rig is made safe"));
        }
    }
}

/// Hands on lines until there are no more, or nobody wants them.
fn listen(mut input: impl BufRead, lines: &mpsc::UnboundedSender<String>) {
    loop {
        let mut line = Vec::new();
        let read = input.by_ref().take(LONGEST).read_until(b'\n', &mut line);
        if !matches!(read, Ok(1..)) {
            return;
        }
        let text = String::from_utf8_lossy(&line).trim().to_owned();
        if lines.send(text).is_err() {
            return;
        }
    }
}

/// A line as it may be shown again: no control characters, not long.
pub(crate) fn shown(line: &str) -> String {
    line.chars().filter(|c| !c.is_control()).take(40).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line without an end fills no memory, and bytes that are no text are replaced.
    #[test]
    fn lines_are_cut_and_bytes_replaced() {
        let (sender, mut lines) = mpsc::unbounded_channel();
        let mut input = vec![b'7'; 450];
        input.extend(b"\n\xff\xfe\n12\n");
        listen(BufReader::new(&input[..]), &sender);
        let heard: Vec<String> = std::iter::from_fn(|| lines.try_recv().ok()).collect();
        assert_eq!(heard.len(), 5);
        assert!(heard[0].len() == 200 && heard[4] == "12", "{heard:?}");
        assert_eq!(shown("\u{1b}[A\u{7}"), "[A");
    }
}
