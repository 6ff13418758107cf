//! A reader behind a stream.

use crate::report::{parse_report, refusal};
use evidence::{Sight, SightFuture, Sighting};
use std::future::poll_fn;
use std::pin::Pin;
use std::task::Poll;
use std::time::Duration;
use thiserror::Error;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout_at};

/// Longest wait for an answer unless stated otherwise.
pub const DEADLINE: Duration = Duration::from_secs(2);

/// How long the stream is silent before it counts as drained.
const QUIET: Duration = Duration::from_millis(50);
/// Longest line that a reader may send.
const LONGEST_LINE: usize = 1024;

/// Why a reader cannot be used.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum ReaderError {
    /// No connection.
    #[error("no connection to the reader at {address} ({cause}); check that it runs")]
    Connect {
        /// Host and port.
        address: String,
        /// The system's reason, or how long was waited.
        cause: String,
    },
    /// It does not introduce itself.
    #[error("the reader did not answer \"WHO\" with \"READER <name>\" ({0}); check its protocol")]
    Unknown(String),
}

/// A reader behind a stream. A lost reader answers with refusals, never with a value.
///
/// After an answer was missed, the reader is drained and asked who it is before it is asked to
/// look again: answers come in order, so whatever comes before its name is stale and is not used.
#[derive(Debug)]
pub struct WireReader<S> {
    stream: S,
    name: String,
    deadline: Duration,
    state: State,
    bytes: Vec<u8>,
    /// `WHO` sent without an answer so far.
    unanswered: u32,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum State {
    Clean,
    Dirty,
    Gone(String),
}

/// Why no line came.
enum Silence {
    Late,
    Malformed(String),
    Gone(String),
}

impl WireReader<TcpStream> {
    /// Connects to a reader and asks who it is.
    ///
    /// # Errors
    /// When there is no connection or no answer within `deadline`.
    pub async fn connect(host: &str, port: u16, deadline: Duration) -> Result<Self, ReaderError> {
        let failed = |cause| ReaderError::Connect {
            address: format!("{host}:{port}"),
            cause,
        };
        let connecting = timeout_at(Instant::now() + deadline, TcpStream::connect((host, port)));
        match connecting.await {
            Ok(Ok(stream)) => {
                stream
                    .set_nodelay(true)
                    .map_err(|error| failed(error.to_string()))?;
                Self::open(stream, deadline).await
            }
            Ok(Err(error)) => Err(failed(error.to_string())),
            Err(_) => Err(failed(format!("nothing within {deadline:?}"))),
        }
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin + Send> WireReader<S> {
    /// A reader over a stream that is open already; asks who it is.
    ///
    /// # Errors
    /// When there is no answer within `deadline`, usually [`DEADLINE`].
    pub async fn open(stream: S, deadline: Duration) -> Result<Self, ReaderError> {
        let (state, bytes) = (State::Dirty, Vec::with_capacity(LONGEST_LINE));
        let mut reader = Self {
            stream,
            name: String::new(),
            deadline,
            state,
            bytes,
            unanswered: 0,
        };
        match reader.identify().await {
            Ok(()) => Ok(reader),
            Err(silence) => Err(ReaderError::Unknown(reader.reason(silence))),
        }
    }

    /// Asks who it is, and discards what comes before the answer. The first answer makes its name
    /// known; later ones must agree.
    async fn identify(&mut self) -> Result<(), Silence> {
        self.drain(QUIET).await?;
        self.unanswered = self.unanswered.saturating_add(1);
        let until = Instant::now() + self.deadline;
        self.send("WHO\n", until).await?;
        let name = loop {
            let line = self.line(until).await?;
            if let Some(name) = line.strip_prefix("READER ") {
                break name.trim().to_owned();
            }
        };
        if self.name.is_empty() {
            self.name = name;
        } else if self.name != name {
            let message = format!("\"{name}\" answers instead of \"{}\"", self.name);
            return Err(Silence::Gone(message));
        }
        // Earlier questions of this kind may still be answered: give those answers time to come.
        if self.unanswered > 1 {
            self.drain(self.deadline).await?;
        }
        self.unanswered = 0;
        self.bytes.clear();
        self.state = State::Clean;
        Ok(())
    }

    async fn ask(&mut self) -> Result<Sighting, Silence> {
        if let State::Gone(cause) = &self.state {
            return Err(Silence::Gone(cause.clone()));
        }
        if self.state == State::Dirty || !self.nothing_unasked().await? {
            self.identify().await?;
        }
        // Dirty until answered, so that a look given up half-way is never mistaken for the next.
        self.state = State::Dirty;
        let until = Instant::now() + self.deadline;
        self.send("LOOK\n", until).await?;
        let line = self.line(until).await?;
        let known = line.starts_with("SEEN ") || line.starts_with("UNSEEN");
        if known && self.bytes.is_empty() {
            self.state = State::Clean;
            return Ok(parse_report(&line));
        }
        let shown: String = line.chars().take(80).collect();
        Err(Silence::Malformed(match known {
            true => "the reader sent more than one answer".to_owned(),
            false => format!("the reader's answer \"{shown}\" is no sighting"),
        }))
    }

    /// Whether nothing waits that nobody asked for: it would be taken for the next answer.
    async fn nothing_unasked(&mut self) -> Result<bool, Silence> {
        let mut space = [0; 64];
        let read = poll_fn(|cx| {
            let mut buffer = ReadBuf::new(&mut space);
            Poll::Ready(
                match Pin::new(&mut self.stream).poll_read(cx, &mut buffer) {
                    Poll::Pending => None,
                    Poll::Ready(result) => Some(result.map(|()| buffer.filled().len())),
                },
            )
        });
        match read.await {
            None => Ok(true),
            Some(Ok(0)) => Err(Silence::Gone("the other end closed it".to_owned())),
            Some(Ok(_)) => Ok(false),
            Some(Err(error)) => Err(Silence::Gone(error.to_string())),
        }
    }

    async fn send(&mut self, line: &str, until: Instant) -> Result<(), Silence> {
        match timeout_at(until, self.stream.write_all(line.as_bytes())).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(Silence::Gone(error.to_string())),
            // Part of a line may be on its way: there is no getting back into step.
            Err(_) => Err(Silence::Gone("it takes no bytes".to_owned())),
        }
    }

    /// One whole line; what follows it stays in `bytes`.
    async fn line(&mut self, until: Instant) -> Result<String, Silence> {
        loop {
            if let Some(end) = self.bytes.iter().position(|byte| *byte == b'\n') {
                let line = String::from_utf8_lossy(&self.bytes[..end])
                    .trim()
                    .to_owned();
                self.bytes.drain(..=end);
                if line.is_empty() {
                    continue;
                }
                return Ok(line);
            }
            if self.bytes.len() > LONGEST_LINE {
                self.bytes.clear();
                return Err(Silence::Malformed(
                    "the reader's answer has no end".to_owned(),
                ));
            }
            match timeout_at(until, self.stream.read_buf(&mut self.bytes)).await {
                Err(_) => return Err(Silence::Late),
                Ok(Ok(0)) => return Err(Silence::Gone("the other end closed it".to_owned())),
                Ok(Ok(_)) => {}
                Ok(Err(error)) => return Err(Silence::Gone(error.to_string())),
            }
        }
    }

    /// Discards what comes in until nothing has come for `quiet`.
    async fn drain(&mut self, quiet: Duration) -> Result<(), Silence> {
        let end = Instant::now() + quiet * 2 + self.deadline;
        loop {
            self.bytes.clear();
            let until = Instant::now() + quiet;
            match timeout_at(until, self.stream.read_buf(&mut self.bytes)).await {
                Err(_) => return Ok(()),
                Ok(Ok(0)) => return Err(Silence::Gone("the other end closed it".to_owned())),
                Ok(Ok(_)) if Instant::now() < end => {}
                Ok(Ok(_)) => {
                    let message = "the reader sends lines unasked and without end";
                    return Err(Silence::Malformed(message.to_owned()));
                }
                Ok(Err(error)) => return Err(Silence::Gone(error.to_string())),
            }
        }
    }

    /// The reason for a refusal; remembers that the stream is gone.
    fn reason(&mut self, silence: Silence) -> String {
        match silence {
            Silence::Late => format!("no answer from the reader within {:?}", self.deadline),
            Silence::Malformed(message) => message,
            Silence::Gone(cause) => {
                self.state = State::Gone(cause.clone());
                format!("no answer from the reader: {cause}")
            }
        }
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin + Send> Sight for WireReader<S> {
    fn look(&mut self) -> SightFuture<'_> {
        Box::pin(async move {
            match self.ask().await {
                Ok(sighting) => sighting,
                Err(silence) => refusal(self.reason(silence)),
            }
        })
    }

    fn name(&self) -> String {
        self.name.clone()
    }
}
