//! A wire with a fault in it: stands between a program and an instrument, passes lines on, and from
//! a stated line on does something wrong.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio::io::{
    AsyncBufReadExt, AsyncWriteExt, BufReader, DuplexStream, Lines, ReadHalf, WriteHalf,
};
use tokio::time::{Duration, Instant, sleep_until};

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wrong {
    /// Lines no longer reach the instrument, and nothing is answered.
    Deaf,
    /// Lines reach the instrument, but its answers get lost.
    Mute,
    /// Every question is answered by a word that makes no sense.
    Garbage,
    /// Answers come this much later.
    Late(Duration),
    /// The link is closed.
    Close,
    /// One line gets lost; all is well after it.
    Swallow,
    /// Every such question is answered by this in the instrument's place.
    Answers(&'static str),
    /// One line that nobody asked for comes after the true answer; all is well after it.
    Stale(&'static str),
    /// Every sighting is replaced by this answer.
    Says(&'static str),
    /// Every sighting is the first one that was passed on from there.
    Frozen,
}

/// What goes wrong, and when: at the first line that starts with `prefix` after `skip` others of
/// that kind, counted while armed.
#[derive(Clone, Debug)]
pub struct Rule {
    pub wrong: Wrong,
    pub prefix: &'static str,
    pub skip: usize,
    pub armed: Arc<AtomicBool>,
}

/// Puts the rule into the wire; returns the program's new end of it.
pub fn spoil(wire: DuplexStream, rule: Rule) -> DuplexStream {
    let (client, server) = tokio::io::duplex(4096);
    // A wire that breaks is the test's purpose: its error has nobody to go to.
    tokio::spawn(async move { drop(Proxy::new(server, wire, rule).run().await) });
    client
}

type Half = Lines<BufReader<ReadHalf<DuplexStream>>>;

struct Proxy {
    asked: Half,
    answered: Half,
    to_client: WriteHalf<DuplexStream>,
    to_instrument: WriteHalf<DuplexStream>,
    late: VecDeque<(Instant, String)>,
    rule: Rule,
    active: bool,
    spent: bool,
    first: Option<String>,
}

enum Next {
    Asked(Option<String>),
    Answered(Option<String>),
    Due,
}

impl Proxy {
    fn new(client: DuplexStream, instrument: DuplexStream, rule: Rule) -> Self {
        let (from_client, to_client) = tokio::io::split(client);
        let (from_instrument, to_instrument) = tokio::io::split(instrument);
        Self {
            asked: BufReader::new(from_client).lines(),
            answered: BufReader::new(from_instrument).lines(),
            to_client,
            to_instrument,
            late: VecDeque::new(),
            rule,
            active: false,
            spent: false,
            first: None,
        }
    }

    async fn run(mut self) -> io::Result<()> {
        loop {
            let due = self.late.front().map(|(at, _)| *at);
            let wait = async {
                match due {
                    Some(at) => sleep_until(at).await,
                    None => std::future::pending().await,
                }
            };
            let next = tokio::select! {
                biased;
                line = self.asked.next_line() => Next::Asked(line?),
                line = self.answered.next_line() => Next::Answered(line?),
                () = wait => Next::Due,
            };
            match next {
                Next::Asked(Some(line)) => {
                    if !self.ask(&line).await? {
                        return Ok(());
                    }
                }
                Next::Answered(Some(line)) => self.answer(line).await?,
                Next::Asked(None) | Next::Answered(None) => return Ok(()),
                Next::Due => {
                    if let Some((_, line)) = self.late.pop_front() {
                        tell(&mut self.to_client, &line).await?;
                    }
                }
            }
        }
    }

    /// One line from the program; false once the link is closed.
    async fn ask(&mut self, line: &str) -> io::Result<bool> {
        let counts = self.rule.armed.load(Ordering::Relaxed) && line.starts_with(self.rule.prefix);
        if counts && !self.active && !self.spent {
            self.active = self.rule.skip == 0;
            self.rule.skip = self.rule.skip.saturating_sub(1);
        }
        if self.active {
            match self.rule.wrong {
                Wrong::Close => return Ok(false),
                Wrong::Deaf => return Ok(true),
                Wrong::Swallow => {
                    (self.active, self.spent) = (false, true);
                    return Ok(true);
                }
                Wrong::Answers(text) if line.starts_with(self.rule.prefix) => {
                    tell(&mut self.to_client, text).await?;
                    return Ok(true);
                }
                Wrong::Garbage if line.contains('?') || line == "LOOK" => {
                    tell(&mut self.to_client, "banana").await?;
                    return Ok(true);
                }
                _ => {}
            }
        }
        tell(&mut self.to_instrument, line).await?;
        Ok(true)
    }

    /// One answer of the instrument.
    async fn answer(&mut self, line: String) -> io::Result<()> {
        let sighting = line.starts_with("SEEN") || line.starts_with("UNSEEN");
        match self.rule.wrong {
            Wrong::Mute if self.active => Ok(()),
            Wrong::Late(by) if self.active => {
                self.late.push_back((Instant::now() + by, line));
                Ok(())
            }
            Wrong::Stale(text) if self.active => {
                (self.active, self.spent) = (false, true);
                tell(&mut self.to_client, &line).await?;
                tell(&mut self.to_client, text).await
            }
            Wrong::Says(lie) if self.active && sighting => tell(&mut self.to_client, lie).await,
            Wrong::Frozen if self.active && sighting => {
                let first = self.first.get_or_insert(line);
                tell(&mut self.to_client, first).await
            }
            _ => tell(&mut self.to_client, &line).await,
        }
    }
}

async fn tell(to: &mut WriteHalf<DuplexStream>, line: &str) -> io::Result<()> {
    to.write_all(line.as_bytes()).await?;
    to.write_all(b"\n").await?;
    to.flush().await
}
