//! Instruments on serial lines: characters that take their time, messages that end by silence or by
//! an ending, commands lost because they came too soon, boards that start anew when their port is
//! opened.

use crate::bench::SharedBench;
use crate::instruments::serial::{Language, Voice};
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::Notify;
use tokio::time::{Duration, Instant, sleep, timeout};

/// Longest message an instrument takes, bytes.
const LONGEST: usize = 300;

/// The line of one instrument.
#[derive(Debug, Clone)]
pub struct Line {
    /// Bits per second; a character has ten.
    pub baud: u32,
    /// From the last character of a question to the first of its answer.
    pub latency: Duration,
    /// After a command the instrument is deaf for so long: what comes in meanwhile is lost.
    pub deaf: Duration,
    /// The instrument starts anew when its port is opened, is deaf for so long, and then says who
    /// it is.
    pub starts: Option<(Duration, &'static str)>,
    /// The line repeats what it is sent, as some adapters do.
    pub repeats: bool,
}

impl Line {
    /// A line of that speed on which nothing else happens.
    pub fn at(baud: u32) -> Self {
        Line {
            baud,
            latency: Duration::from_millis(2),
            deaf: Duration::ZERO,
            starts: None,
            repeats: false,
        }
    }

    /// The line as this kind of instrument has it: its usual speed, and how soon after a command
    /// it takes the next.
    pub fn of(language: Language) -> Self {
        let slow = |baud, latency, deaf| Line {
            latency: Duration::from_millis(latency),
            deaf: Duration::from_millis(deaf),
            ..Line::at(baud)
        };
        match language {
            Language::Plain => slow(9_600, 18, 10),
            Language::Digits => slow(9_600, 5, 5),
            Language::Suffix => slow(9_600, 5, 0),
            Language::FourByteAnswered => slow(19_200, 1, 0),
            Language::Pots => slow(115_200, 1, 0),
            Language::FourByte | Language::Modbus | Language::Words => slow(9_600, 1, 0),
        }
    }

    fn time_for(&self, characters: usize) -> Duration {
        let characters = u32::try_from(characters).unwrap_or(u32::MAX);
        Duration::from_secs(10) / self.baud.max(1) * characters
    }

    /// The silence after which a message without an ending is over.
    fn silence(&self) -> Duration {
        self.time_for(4).max(Duration::from_millis(2))
    }
}

/// One instrument on its line, shared by those who open its port one after the other.
#[derive(Clone)]
pub struct Outlet {
    voice: Arc<Mutex<Voice>>,
    bench: SharedBench,
    line: Line,
    /// Told when the port is opened.
    pub opened: Arc<Notify>,
}

impl Outlet {
    /// An instrument of that language on the bench.
    pub fn new(bench: &SharedBench, language: Language, line: Line) -> Self {
        Outlet {
            voice: Arc::new(Mutex::new(Voice::new(language))),
            bench: Arc::clone(bench),
            line,
            opened: Arc::new(Notify::new()),
        }
    }

    /// Talks over `stream` until its other end is closed.
    ///
    /// # Errors
    /// The stream's.
    pub async fn talk(self, mut stream: impl AsyncRead + AsyncWrite + Unpin) -> io::Result<()> {
        let mut heard = Vec::with_capacity(LONGEST);
        loop {
            let message = tokio::select! {
                biased;
                () = self.opened.notified() => {
                    self.start(&mut stream).await?;
                    heard.clear();
                    continue;
                }
                message = self.message(&mut stream, &mut heard) => message?,
            };
            let Some(message) = message else {
                return Ok(());
            };
            if self.line.repeats {
                stream.write_all(&message).await?;
            }
            sleep(self.line.time_for(message.len())).await;
            let reply = {
                let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
                bench.catch_up();
                let mut voice = self.voice.lock().unwrap_or_else(PoisonError::into_inner);
                voice.hear(&message, &mut bench)
            };
            if !reply.is_empty() {
                sleep(self.line.latency + self.line.time_for(reply.len())).await;
                stream.write_all(&reply).await?;
                stream.flush().await?;
            }
            if !self.line.deaf.is_zero() {
                heard.clear();
                lose(&mut stream, self.line.deaf).await?;
            }
        }
    }

    /// The next message; none when the other end is closed.
    async fn message(
        &self,
        stream: &mut (impl AsyncRead + Unpin),
        heard: &mut Vec<u8>,
    ) -> io::Result<Option<Vec<u8>>> {
        let language = self
            .voice
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .language();
        let mut chunk = [0; LONGEST];
        loop {
            if let Some(message) = language.message(heard) {
                return Ok(Some(message));
            }
            let read = stream.read(&mut chunk);
            let count = if heard.is_empty() || language.ends_by_ending() {
                read.await?
            } else {
                match timeout(self.line.silence(), read).await {
                    Ok(count) => count?,
                    Err(_) => return Ok(Some(std::mem::take(heard))),
                }
            };
            if count == 0 {
                return Ok(None);
            }
            heard.extend_from_slice(&chunk[..count]);
            let excess = heard.len().saturating_sub(LONGEST);
            heard.drain(..excess);
        }
    }

    /// Starts anew, where the board does that when its port is opened.
    async fn start(&self, stream: &mut (impl AsyncRead + AsyncWrite + Unpin)) -> io::Result<()> {
        let Some((boot, banner)) = self.line.starts else {
            return Ok(());
        };
        {
            let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
            bench.catch_up();
            let mut voice = self.voice.lock().unwrap_or_else(PoisonError::into_inner);
            voice.start(&mut bench);
        }
        lose(stream, boot).await?;
        stream.write_all(format!("{banner}\r\n").as_bytes()).await
    }
}

/// Loses what comes in for so long.
async fn lose(stream: &mut (impl AsyncRead + Unpin), time: Duration) -> io::Result<()> {
    let until = Instant::now() + time;
    let mut lost = [0; LONGEST];
    while let Ok(count) = tokio::time::timeout_at(until, stream.read(&mut lost)).await {
        if count? == 0 {
            return Ok(());
        }
    }
    Ok(())
}
