//! One instrument's wire.
//!
//! A link is *clean*, *dirty* or *gone*. It is dirty while an answer is outstanding and after one
//! was missed: an answer that comes late would otherwise be taken for the answer to the next
//! question, and so on for ever. A dirty link refuses to talk until [`Link::resync`] has drained
//! it and has got the known identity back; instruments answer in order, so whatever comes before
//! the identity is stale. A dropped future leaves the link dirty, never out of step.

mod frames;
mod open;

use crate::error::LinkError;
use crate::frame::{Framing, Wire, excerpt};
use crate::port::Port;
use std::os::fd::OwnedFd;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::{Instant, timeout};
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

/// One instrument's wire.
pub struct Link {
    port: Port,
    state: LinkState,
    /// Until the first answer.
    fresh: bool,
    /// Identity questions without an answer so far.
    unidentified: u32,
    /// Deadline of the question whose answer is missing.
    outstanding: Duration,
    /// A second handle on the same connection.
    twin: Option<OwnedFd>,
}

impl std::fmt::Debug for Link {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Link")
            .field("name", &self.name())
            .field("state", &self.state)
            .finish()
    }
}

impl Link {
    /// Takes the second handle on the same connection, for a process that must be able to speak on
    /// it when this one is gone. None for a stream inside this process, or when taken before.
    pub fn take_twin(&mut self) -> Option<OwnedFd> {
        self.twin.take()
    }

    /// The link under the role of its instrument, for messages: `drop (TCPIP::…)`.
    #[must_use]
    pub fn named(mut self, role: &str) -> Self {
        self.port.name = format!("{role} ({})", self.port.name);
        self
    }

    /// What the link is called in messages.
    pub fn name(&self) -> &str {
        &self.port.name
    }

    /// How it talks.
    pub fn wire(&self) -> &Wire {
        &self.port.wire
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
        self.transmit(&[line]).await?;
        if !self.port.wire.acknowledge.is_empty() {
            let deadline = self.allowed(self.port.wire.deadline, line.len());
            let said = self.acknowledged(line, deadline).await?;
            if let Some(reply) = said.first() {
                let (link, command) = (self.name().to_owned(), line.to_owned());
                let reply = excerpt(reply);
                return Err(LinkError::Refused {
                    link,
                    command,
                    reply,
                });
            }
        }
        self.state = LinkState::Clean;
        Ok(())
    }

    /// Sends one command on a link whose state does not matter yet, since it is identified next.
    pub(crate) async fn send_anyway(&mut self, line: &str) -> Result<(), LinkError> {
        self.not_gone(line)?;
        self.sendable(line)?;
        self.transmit(&[line]).await
    }

    /// Asks one question and waits for its answer, which is returned without its ending.
    ///
    /// # Errors
    /// As [`Link::send`]; and when the answer does not come whole before `deadline`, or more than
    /// one comes. The link is then dirty, and a late answer is never used.
    pub async fn query(&mut self, line: &str, deadline: Duration) -> Result<String, LinkError> {
        self.ready(line).await?;
        let deadline = self.allowed(deadline, line.len());
        self.ask(line, deadline).await?;
        if !self.port.wire.acknowledge.is_empty() {
            let mut said = self.acknowledged(line, deadline).await?;
            if said.len() > 1 {
                let (link, command) = (self.name().to_owned(), line.to_owned());
                let (reply, extra) = (excerpt(&said[0]), excerpt(&said[1]));
                return Err(LinkError::Extra {
                    link,
                    command,
                    reply,
                    extra,
                });
            }
            let Some(reply) = said.pop() else {
                let (link, command) = (self.name().to_owned(), line.to_owned());
                return Err(LinkError::Unanswered { link, command });
            };
            self.settle();
            return Ok(reply);
        }
        let reply = self
            .receive(line, Instant::now() + deadline, deadline)
            .await?;
        let more = self.port.wire.reply == Framing::Line && self.port.inbox.has_text();
        if more && !self.port.only_prompts() {
            let (link, command) = (self.name().to_owned(), line.to_owned());
            let (reply, extra) = (excerpt(&reply), self.port.inbox.excerpt());
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

    /// The deadline of a question of so many characters: the time on the wire is added, and the
    /// first answer has its own. It is remembered as outstanding.
    fn allowed(&mut self, deadline: Duration, characters: usize) -> Duration {
        /// Longest ordinary answer.
        const ANSWER: usize = 80;
        let mut deadline = deadline + self.port.time_for(characters + ANSWER);
        if self.fresh {
            deadline = deadline.max(self.port.wire.first_reply);
        }
        self.outstanding = self.outstanding.max(deadline);
        deadline
    }

    async fn acknowledged(
        &mut self,
        line: &str,
        deadline: Duration,
    ) -> Result<Vec<String>, LinkError> {
        let until = Instant::now() + deadline;
        let result = self.port.receive_acknowledged(line, until, deadline).await;
        self.noted(result)
    }

    /// Brings the link back into step: drains it until it is quiet, asks `identify`, and discards
    /// what comes before the answer `expect`.
    ///
    /// # Errors
    /// When the line does not fall quiet, or the identity does not come in time. The link stays
    /// dirty then.
    pub async fn resync(&mut self, identify: &str, expect: &str) -> Result<(), LinkError> {
        // Without endings a stale answer stands glued before the identity.
        let glued = self.port.wire.reply == Framing::Pause;
        let known = |reply: &str| reply == expect || glued && reply.ends_with(expect);
        self.identify(identify, expect, known).await.map(drop)
    }

    /// As [`Link::resync`], for any identity that `accept` takes; `expected` says which.
    pub(crate) async fn identify(
        &mut self,
        question: &str,
        expected: &str,
        accept: impl Fn(&str) -> bool + Send,
    ) -> Result<String, LinkError> {
        self.not_gone(question)?;
        self.sendable(question)?;
        self.state = LinkState::Dirty;
        let mut may_be_lost = self.may_lose_the_first();
        self.clear().await?;
        self.drain(self.port.wire.quiet).await?;
        let wait = self.port.wire.deadline.max(self.outstanding);
        let wait = self.allowed(wait, question.len());
        self.end_cut_line().await?;
        self.unidentified = self.unidentified.saturating_add(1);
        self.ask(question, wait).await?;
        let mut until = Instant::now() + wait;
        let mut other = None;
        let identity = loop {
            match self.next_identity(question, until, wait).await {
                Ok(reply) if accept(&reply) => break reply,
                Ok(reply) => {
                    trace!(target: "needlerig::wire", link = %self.name(), stale = %reply);
                    other = Some(reply);
                }
                Err(LinkError::Timeout { .. } | LinkError::NotTaken { .. })
                    if may_be_lost && other.is_none() =>
                {
                    may_be_lost = false;
                    self.clear().await?;
                    // Part of an answer may have come before the clear.
                    self.drain(self.port.wire.quiet).await?;
                    self.ask(question, wait).await?;
                    until = Instant::now() + wait;
                }
                Err(error @ LinkError::Timeout { .. }) => {
                    let Some(found) = other else {
                        return Err(error);
                    };
                    let (link, command) = (self.name().to_owned(), question.to_owned());
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
        } else if !self.port.wire.acknowledge.is_empty() || self.port.inbox.has_text() {
            self.drain(self.port.wire.quiet).await?;
        }
        self.settle();
        Ok(identity)
    }

    /// The next thing that may be an identity.
    async fn next_identity(
        &mut self,
        question: &str,
        until: Instant,
        waited: Duration,
    ) -> Result<String, LinkError> {
        if self.port.wire.acknowledge.is_empty() {
            return self.receive(question, until, waited).await;
        }
        let result = self
            .port
            .receive_acknowledged(question, until, waited)
            .await;
        // An acknowledgement alone belongs to an earlier command.
        self.noted(result)
            .map(|mut said| said.pop().unwrap_or_default())
    }

    /// Sends commands in an emergency: at once, on a link in whatever state, without regard to
    /// answers that are outstanding. Only the wire's pace is kept, since an instrument that needs
    /// it would lose the command.
    pub(crate) async fn shout(&mut self, lines: &[&str]) -> Result<(), LinkError> {
        let before = self.state;
        // What would arrive in part is not sent; all else is.
        let (whole, cut): (Vec<&str>, Vec<&str>) =
            lines.iter().partition(|line| self.sendable(line).is_ok());
        self.end_cut_line().await?;
        self.state = LinkState::Dirty;
        let result = self.port.shout(&whole).await;
        self.noted(result)?;
        cut.iter().try_for_each(|line| self.sendable(line))?;
        // What was outstanding still is, and so are the acknowledgements of these lines.
        self.state = match self.port.wire.acknowledge.is_empty() {
            true => before,
            false => LinkState::Dirty,
        };
        Ok(())
    }

    /// Checks that a line may be sent now.
    async fn ready(&mut self, line: &str) -> Result<(), LinkError> {
        self.sendable(line)?;
        self.in_step(line).await
    }

    /// Longest line that may be sent.
    pub(crate) fn longest_line(&self) -> usize {
        self.port.longest_line()
    }

    /// Checks that a line arrives whole.
    pub(crate) fn sendable(&self, line: &str) -> Result<(), LinkError> {
        let printable = line.bytes().all(|byte| (0x20..0x7f).contains(&byte));
        let limit = self.port.longest_line();
        if line.is_empty() || line.len() > limit || !printable {
            let (link, command) = (self.name().to_owned(), excerpt(line));
            return Err(LinkError::BadCommand {
                link,
                command,
                limit,
            });
        }
        Ok(())
    }

    /// Checks that nothing is outstanding.
    async fn in_step(&mut self, line: &str) -> Result<(), LinkError> {
        self.not_gone(line)?;
        if self.state == LinkState::Clean {
            let quiet = self.port.nothing_unasked(line).await;
            if self.noted(quiet)? {
                return Ok(());
            }
        }
        self.state = LinkState::Dirty;
        let (link, command) = (self.name().to_owned(), line.to_owned());
        Err(LinkError::NeedsResync { link, command })
    }

    fn not_gone(&self, line: &str) -> Result<(), LinkError> {
        match self.state {
            LinkState::Gone => Err(self.port.gone(line, "closed earlier")),
            LinkState::Clean | LinkState::Dirty => Ok(()),
        }
    }

    /// Ends a command that went out in part, so that the next is not glued to it. What is cut off
    /// a number without an exponent leaves a smaller one, and half a channel list is no list.
    async fn end_cut_line(&mut self) -> Result<(), LinkError> {
        if self.port.cut {
            self.transmit(&[""]).await
        } else {
            Ok(())
        }
    }

    /// Clears a USB instrument, which gives up what is outstanding; others have no such call.
    async fn clear(&mut self) -> Result<(), LinkError> {
        let Some(calls) = self.port.calls.clone() else {
            return Ok(());
        };
        let waited = self.port.wire.deadline * 2;
        let command = "(clearing)".to_owned();
        let link = self.name().to_owned();
        let result = match timeout(waited, calls.clear()).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(self.port.gone(&command, &error.to_string())),
            Err(_) => Err(LinkError::Timeout {
                link,
                command,
                waited,
                partial: String::new(),
            }),
        };
        self.noted(result)
    }

    /// Gives a USB instrument that can be told so by the bus back to its front panel.
    pub(crate) async fn give_back(&mut self) -> Result<(), LinkError> {
        let Some(calls) = self.port.calls.clone() else {
            return Ok(());
        };
        match timeout(self.port.wire.deadline, calls.local()).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(self.port.gone("(to local)", &error.to_string())),
            Err(_) => Err(self.port.gone("(to local)", "it takes no call")),
        }
    }

    /// Sends a question that may be answered for so long.
    async fn ask(&mut self, question: &str, deadline: Duration) -> Result<(), LinkError> {
        self.state = LinkState::Dirty;
        self.port.limit(deadline.max(self.port.wire.deadline));
        let result = self.port.transmit(&[question]).await;
        self.noted(result)
    }

    /// Sends lines. The link is dirty until the caller knows better.
    async fn transmit(&mut self, lines: &[&str]) -> Result<(), LinkError> {
        self.state = LinkState::Dirty;
        self.port.limit(self.port.wire.deadline);
        let result = self.port.transmit(lines).await;
        self.noted(result)
    }

    /// Whether the instrument may lose what it is sent next: some on USB do so with what comes first
    /// after they are switched on.
    pub(crate) fn may_lose_the_first(&self) -> bool {
        self.fresh && !self.port.cut && self.port.calls.is_some()
    }

    /// Whether anything can be said while an answer is waited for. Not so on a USB instrument without
    /// a status byte: the kernel then waits in a read.
    pub(crate) fn is_heard_meanwhile(&self) -> bool {
        self.port.calls.as_ref().is_none_or(|calls| calls.status)
    }

    async fn transmit_frame(&mut self, frame: &[u8]) -> Result<(), LinkError> {
        self.state = LinkState::Dirty;
        let result = self.port.transmit_frame(frame).await;
        self.noted(result)
    }

    async fn receive(
        &mut self,
        command: &str,
        until: Instant,
        waited: Duration,
    ) -> Result<String, LinkError> {
        let result = self.port.receive(command, until, waited).await;
        self.noted(result)
    }

    async fn drain(&mut self, quiet: Duration) -> Result<(), LinkError> {
        let result = self.port.drain(quiet).await;
        self.noted(result)
    }

    /// Remembers that the other end is gone.
    fn noted<T>(&mut self, result: Result<T, LinkError>) -> Result<T, LinkError> {
        if let Err(LinkError::Gone { .. } | LinkError::Blocked { .. }) = &result {
            self.state = LinkState::Gone;
        }
        if let Err(LinkError::NotTaken { .. }) = &result {
            self.state = LinkState::Dirty;
        }
        // A port that has vanished must be let go of before it can come back under its name.
        if let Err(LinkError::Gone { .. }) = &result {
            self.port.hang_up();
            self.twin = None;
        }
        result
    }

    /// Nothing is outstanding any more.
    fn settle(&mut self) {
        self.port.inbox.clear();
        self.port.echo.settle();
        self.state = LinkState::Clean;
        self.fresh = false;
        self.unidentified = 0;
        self.outstanding = Duration::ZERO;
    }
}
