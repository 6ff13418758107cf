//! One instrument's wire.
//!
//! A link is *clean*, *dirty* or *gone*. It is dirty while an answer is outstanding and after one
//! was missed: an answer that comes late would otherwise be taken for the answer to the next
//! question, and so on for ever. A dirty link refuses to talk until [`Link::resync`] has drained
//! it and has got the known identity back; instruments answer in order, so whatever comes before
//! the identity is stale. A dropped future leaves the link dirty, never out of step.

use crate::echo::Echo;
use crate::error::LinkError;
use crate::frame::{Framing, Inbox, Wire, excerpt, lossy};
use crate::words::LONGEST_COMMAND;
use std::future::poll_fn;
use std::pin::Pin;
use std::task::Poll;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, sleep_until, timeout, timeout_at};
use tracing::trace;

/// Any two-way stream of bytes.
pub trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<S: AsyncRead + AsyncWrite + Unpin + Send> Stream for S {}

/// Whether a link is in step with its instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinkState {
    /// In step.
    Clean,
    /// An answer is outstanding or was missed.
    Dirty,
    /// The other end is gone. Only a new connection helps.
    Gone,
}

/// Room made for each read.
const CHUNK: usize = 4096;
/// Most bytes discarded while waiting for the line to fall quiet.
const MOST_NOISE: usize = 1 << 20;
/// Longest wait for the line to fall quiet.
const LONGEST_NOISE: Duration = Duration::from_secs(10);

/// One instrument's wire.
pub struct Link {
    stream: Box<dyn Stream>,
    name: String,
    wire: Wire,
    state: LinkState,
    outbox: Vec<u8>,
    inbox: Inbox,
    echo: Echo,
    /// A command may have gone out in part.
    cut: bool,
    /// Until the first answer.
    fresh: bool,
    last_sent: Option<Instant>,
    /// Identity questions without an answer so far.
    unidentified: u32,
    /// Deadline of the question whose answer is missing.
    outstanding: Duration,
}

impl std::fmt::Debug for Link {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Link")
            .field("name", &self.name)
            .field("state", &self.state)
            .finish()
    }
}

/// Connects with Nagle's algorithm off: two small segments would otherwise cost 40 ms.
pub(crate) async fn connect(host: &str, port: u16) -> std::io::Result<TcpStream> {
    let stream = TcpStream::connect((host, port)).await?;
    stream.set_nodelay(true)?;
    Ok(stream)
}

impl Link {
    /// Connects to a raw TCP socket.
    ///
    /// # Errors
    /// When there is no connection within the wire's time for it.
    pub async fn tcp(host: &str, port: u16, wire: &Wire) -> Result<Self, LinkError> {
        let name = format!("TCPIP::{host}::{port}::SOCKET");
        match timeout(wire.connect, connect(host, port)).await {
            Ok(Ok(stream)) => Ok(Self::over(Box::new(stream), &name, wire)),
            Ok(Err(error)) => Err(LinkError::Connect {
                link: name,
                cause: error.to_string(),
            }),
            Err(_) => {
                let cause = format!("nothing within {:?}", wire.connect);
                Err(LinkError::Connect { link: name, cause })
            }
        }
    }

    /// A link over a stream that is open already.
    pub fn over(stream: Box<dyn Stream>, name: &str, wire: &Wire) -> Self {
        Self {
            stream,
            name: name.to_owned(),
            wire: wire.clone(),
            state: LinkState::Clean,
            outbox: Vec::with_capacity(128),
            inbox: Inbox::default(),
            echo: Echo::new(wire.echo, &wire.prompt),
            cut: false,
            fresh: true,
            last_sent: None,
            unidentified: 0,
            outstanding: Duration::ZERO,
        }
    }

    /// The link under the role of its instrument, for messages: `drop (TCPIP::…)`.
    #[must_use]
    pub fn named(mut self, role: &str) -> Self {
        self.name = format!("{role} ({})", self.name);
        self
    }

    /// What the link is called in messages.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How it talks.
    pub fn wire(&self) -> &Wire {
        &self.wire
    }

    /// Whether it is in step.
    pub fn state(&self) -> LinkState {
        self.state
    }

    /// Marks the link as out of step, for an answer that makes no sense.
    pub fn mark_dirty(&mut self) {
        if self.state == LinkState::Clean {
            self.state = LinkState::Dirty;
        }
    }

    /// Sends one command that has no answer.
    ///
    /// # Errors
    /// When the link is dirty or gone, the line is not sendable, or it is not taken in time.
    pub async fn send(&mut self, line: &str) -> Result<(), LinkError> {
        self.ready(line).await?;
        self.transmit(line).await?;
        self.state = LinkState::Clean;
        Ok(())
    }

    /// Sends one command on a link whose state does not matter yet, since it is identified next.
    pub(crate) async fn send_anyway(&mut self, line: &str) -> Result<(), LinkError> {
        if self.state == LinkState::Gone {
            return Err(self.gone(line, "closed earlier"));
        }
        self.transmit(line).await
    }

    /// Asks one question and waits for its answer, which is returned without its ending.
    ///
    /// # Errors
    /// As [`Link::send`]; and when the answer does not come whole before `deadline`, or more than
    /// one comes. The link is then dirty, and a late answer is never used.
    pub async fn query(&mut self, line: &str, deadline: Duration) -> Result<String, LinkError> {
        self.ready(line).await?;
        let deadline = if self.fresh {
            deadline.max(self.wire.first_reply)
        } else {
            deadline
        };
        self.outstanding = self.outstanding.max(deadline);
        self.transmit(line).await?;
        let reply = self
            .receive(line, Instant::now() + deadline, deadline)
            .await?;
        if self.wire.reply == Framing::Line && self.inbox.has_text() && !self.only_prompts() {
            let (link, command) = (self.name.clone(), line.to_owned());
            let (reply, extra) = (excerpt(&reply), self.inbox.excerpt());
            return Err(LinkError::Extra {
                link,
                command,
                reply,
                extra,
            });
        }
        self.settle();
        Ok(reply)
    }

    /// Brings the link back into step: drains it until it is quiet, asks `identify`, and discards
    /// what comes before the answer `expect`.
    ///
    /// # Errors
    /// When the line does not fall quiet, or the identity does not come in time. The link stays
    /// dirty then.
    pub async fn resync(&mut self, identify: &str, expect: &str) -> Result<(), LinkError> {
        self.identify(identify, expect, |reply| reply == expect)
            .await
            .map(drop)
    }

    /// As [`Link::resync`], for any identity that `accept` takes; `expected` says which.
    pub(crate) async fn identify(
        &mut self,
        question: &str,
        expected: &str,
        accept: impl Fn(&str) -> bool + Send,
    ) -> Result<String, LinkError> {
        if self.state == LinkState::Gone {
            return Err(self.gone(question, "closed earlier"));
        }
        self.state = LinkState::Dirty;
        self.drain(self.wire.quiet).await?;
        let mut wait = self.wire.deadline.max(self.outstanding);
        if self.fresh {
            wait = wait.max(self.wire.first_reply);
        }
        if self.cut {
            // Ends the command that went out in part, so that the question is not glued to it.
            self.transmit("").await?;
        }
        self.unidentified = self.unidentified.saturating_add(1);
        self.transmit(question).await?;
        let until = Instant::now() + wait;
        let mut other = None;
        let identity = loop {
            match self.receive(question, until, wait).await {
                Ok(reply) if accept(&reply) => break reply,
                Ok(reply) => {
                    trace!(target: "needlerig::wire", link = %self.name, stale = %reply);
                    other = Some(reply);
                }
                Err(error @ LinkError::Timeout { .. }) => {
                    let Some(found) = other else {
                        return Err(error);
                    };
                    let (link, command) = (self.name.clone(), question.to_owned());
                    let (expected, found) = (excerpt(expected), excerpt(&found));
                    return Err(LinkError::Identity {
                        link,
                        command,
                        expected,
                        found,
                    });
                }
                Err(error) => return Err(error),
            }
        };
        // Earlier identity questions may still be answered: give those answers time to come.
        if self.unidentified > 1 {
            self.drain(wait).await?;
        } else if self.inbox.has_text() {
            self.drain(self.wire.quiet).await?;
        }
        self.settle();
        Ok(identity)
    }

    /// Sends commands in an emergency: at once, on a link in whatever state, without regard to
    /// answers that are outstanding. Only the wire's pace is kept, since an instrument that needs
    /// it would lose the command.
    pub(crate) async fn shout(&mut self, lines: &[&str]) -> Result<(), LinkError> {
        let before = self.state;
        if self.cut {
            self.transmit("").await?;
        }
        if self.wire.pace.is_zero() {
            self.transmit_all(lines).await?;
        } else {
            for line in lines {
                self.transmit(line).await?;
            }
        }
        // What was outstanding still is.
        self.state = before;
        Ok(())
    }

    /// Checks that a line may be sent now.
    async fn ready(&mut self, line: &str) -> Result<(), LinkError> {
        let printable = line.bytes().all(|byte| (0x20..0x7f).contains(&byte));
        if line.is_empty() || line.len() > LONGEST_COMMAND || !printable {
            let (link, command) = (self.name.clone(), excerpt(line));
            return Err(LinkError::BadCommand {
                link,
                command,
                limit: LONGEST_COMMAND,
            });
        }
        if self.state == LinkState::Gone {
            return Err(self.gone(line, "closed earlier"));
        }
        if self.state == LinkState::Clean && self.nothing_unasked(line).await? {
            return Ok(());
        }
        self.state = LinkState::Dirty;
        let (link, command) = (self.name.clone(), line.to_owned());
        Err(LinkError::NeedsResync { link, command })
    }

    /// Takes what is there already, without waiting. Text that nobody asked for means that the
    /// link is out of step.
    async fn nothing_unasked(&mut self, line: &str) -> Result<bool, LinkError> {
        loop {
            let mut space = [0; 256];
            let stream = &mut self.stream;
            let poll = poll_fn(|cx| {
                let mut buffer = ReadBuf::new(&mut space);
                Poll::Ready(match Pin::new(&mut *stream).poll_read(cx, &mut buffer) {
                    Poll::Pending => None,
                    Poll::Ready(result) => Some(result.map(|()| buffer.filled().len())),
                })
            });
            match poll.await {
                None => break,
                Some(Ok(0)) => return Err(self.gone(line, "the other end closed it")),
                Some(Ok(count)) => self.inbox.bytes.extend_from_slice(&space[..count]),
                Some(Err(error)) => return Err(self.gone(line, &error.to_string())),
            }
            if self.inbox.bytes.len() > self.wire.max_reply {
                break;
            }
        }
        let clean = !self.inbox.has_text() || self.echo.expected();
        if !clean {
            trace!(target: "needlerig::wire", link = %self.name, unasked = %self.inbox.excerpt());
        }
        self.inbox.clear();
        Ok(clean)
    }

    /// Writes one line and its ending in one go. The link is dirty until the caller knows better.
    async fn transmit(&mut self, line: &str) -> Result<(), LinkError> {
        self.transmit_all(&[line]).await
    }

    async fn transmit_all(&mut self, lines: &[&str]) -> Result<(), LinkError> {
        if let Some(last) = self.last_sent {
            sleep_until(last + self.wire.pace).await;
        }
        self.outbox.clear();
        for line in lines {
            trace!(target: "needlerig::wire", link = %self.name, sent = %line);
            self.outbox.extend_from_slice(line.as_bytes());
            self.outbox.extend_from_slice(self.wire.ending.bytes());
            self.echo.sent(line);
        }
        self.state = LinkState::Dirty;
        self.cut = true;
        let written = timeout(self.wire.deadline, self.stream.write_all(&self.outbox)).await;
        let command = || lines.join(" | ");
        match written {
            Ok(Ok(())) => {}
            Ok(Err(error)) => return Err(self.gone(&command(), &error.to_string())),
            Err(_) => {
                self.state = LinkState::Gone;
                let (link, waited) = (self.name.clone(), self.wire.deadline);
                return Err(LinkError::Blocked {
                    link,
                    command: command(),
                    waited,
                });
            }
        }
        self.cut = false;
        if !self.wire.pace.is_zero() {
            self.last_sent = Some(Instant::now());
        }
        Ok(())
    }

    /// One answer, whatever question it belongs to.
    async fn receive(
        &mut self,
        command: &str,
        until: Instant,
        waited: Duration,
    ) -> Result<String, LinkError> {
        loop {
            if let Some(reply) = self.next_reply() {
                trace!(target: "needlerig::wire", link = %self.name, received = %reply);
                return Ok(reply);
            }
            if self.inbox.rest().len() >= self.wire.max_reply {
                let (link, limit) = (self.name.clone(), self.wire.max_reply);
                return Err(LinkError::TooLong {
                    link,
                    command: command.to_owned(),
                    limit,
                });
            }
            let pausing = self.wire.reply == Framing::Pause && self.inbox.has_text();
            let pause = Instant::now() + self.wire.quiet;
            let limit = if pausing { until.min(pause) } else { until };
            match self.fill(limit).await {
                Filled::Bytes => {}
                Filled::Closed(cause) => return Err(self.gone(command, &cause)),
                Filled::Nothing if pausing && pause <= until => {
                    let text = self.inbox.take_all();
                    trace!(target: "needlerig::wire", link = %self.name, received = %text);
                    if let Some(reply) = self.echo.strip(&text) {
                        return Ok(reply.to_owned());
                    }
                }
                Filled::Nothing => {
                    let (link, partial) = (self.name.clone(), self.inbox.excerpt());
                    let command = command.to_owned();
                    return Err(LinkError::Timeout {
                        link,
                        command,
                        waited,
                        partial,
                    });
                }
            }
        }
    }

    /// The next whole line that is neither echo nor prompt.
    fn next_reply(&mut self) -> Option<String> {
        if self.wire.reply == Framing::Pause {
            return None;
        }
        while let Some(line) = self.inbox.next_line() {
            let text = lossy(line);
            if !self.echo.expected() {
                return Some(text);
            }
            if let Some(reply) = self.echo.strip(&text) {
                return Some(reply.to_owned());
            }
        }
        None
    }

    fn only_prompts(&self) -> bool {
        let rest = lossy(self.inbox.rest());
        self.echo.expected() && self.echo.strip(rest.trim_matches(['\r', '\n'])).is_none()
    }

    /// Reads once, at the latest until `limit`.
    async fn fill(&mut self, limit: Instant) -> Filled {
        self.inbox.bytes.reserve(CHUNK);
        match timeout_at(limit, self.stream.read_buf(&mut self.inbox.bytes)).await {
            Err(_) => Filled::Nothing,
            Ok(Ok(0)) => Filled::Closed("the other end closed it".to_owned()),
            Ok(Ok(_)) => Filled::Bytes,
            Ok(Err(error)) => Filled::Closed(error.to_string()),
        }
    }

    /// Discards what comes in until nothing has come for `quiet`.
    async fn drain(&mut self, quiet: Duration) -> Result<(), LinkError> {
        let end = Instant::now() + LONGEST_NOISE.max(quiet * 2);
        let mut bytes = self.inbox.rest().len();
        loop {
            self.inbox.clear();
            match self.fill(Instant::now() + quiet).await {
                Filled::Nothing => return Ok(()),
                Filled::Closed(cause) => return Err(self.gone("(draining)", &cause)),
                Filled::Bytes => {
                    let drained = self.inbox.excerpt();
                    trace!(target: "needlerig::wire", link = %self.name, drained);
                    bytes += self.inbox.rest().len();
                }
            }
            if bytes > MOST_NOISE || Instant::now() >= end {
                return Err(LinkError::Noisy {
                    link: self.name.clone(),
                    bytes,
                });
            }
        }
    }

    /// Nothing is outstanding any more.
    fn settle(&mut self) {
        self.inbox.clear();
        self.echo.settle();
        self.state = LinkState::Clean;
        self.fresh = false;
        self.unidentified = 0;
        self.outstanding = Duration::ZERO;
    }

    fn gone(&mut self, command: &str, cause: &str) -> LinkError {
        self.state = LinkState::Gone;
        let (link, command, cause) = (self.name.clone(), command.to_owned(), cause.to_owned());
        LinkError::Gone {
            link,
            command,
            cause,
        }
    }
}

/// What one read brought.
enum Filled {
    Bytes,
    Nothing,
    Closed(String),
}
