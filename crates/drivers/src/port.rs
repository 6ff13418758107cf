//! The bytes of one link: writing lines, gathering answers, draining. What the answers are worth
//! is the link's to know.

use crate::echo::Echo;
use crate::error::LinkError;
use crate::frame::{Framing, Inbox, Wire, hex, lossy};
use crate::link::Stream;
use crate::usb::{Calls, NotTaken};
use crate::words::LONGEST_COMMAND;
use std::future::poll_fn;
use std::io;
use std::pin::Pin;
use std::task::Poll;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt, ReadBuf};
use tokio::time::{Instant, sleep_until, timeout, timeout_at};
use tracing::trace;

/// Room made for each read.
const CHUNK: usize = 4096;
/// Most bytes discarded while waiting for the line to fall quiet.
const MOST_NOISE: usize = 1 << 20;
/// Longest wait for the line to fall quiet.
const LONGEST_NOISE: Duration = Duration::from_secs(10);

/// A stream with its framing.
pub(crate) struct Port {
    stream: Box<dyn Stream>,
    pub name: String,
    pub wire: Wire,
    outbox: Vec<u8>,
    pub inbox: Inbox,
    pub echo: Echo,
    /// A command may have gone out in part.
    pub cut: bool,
    /// What may be behind a link that is gone, for messages.
    pub hint: &'static str,
    /// Time that one character takes, where the wire is slow.
    pub character: Duration,
    /// What a USB instrument can be told beside messages.
    pub calls: Option<Calls>,
    last_sent: Option<Instant>,
    hung_up: bool,
}

impl Port {
    pub fn new(stream: Box<dyn Stream>, name: &str, wire: &Wire) -> Self {
        Self {
            stream,
            name: name.to_owned(),
            wire: wire.clone(),
            outbox: Vec::with_capacity(128),
            inbox: Inbox::default(),
            echo: Echo::new(wire.echo, &wire.prompt),
            cut: false,
            hint: "",
            character: Duration::ZERO,
            calls: None,
            last_sent: None,
            hung_up: false,
        }
    }

    /// Takes what is there already, without waiting. Text that nobody asked for means that the
    /// link is out of step.
    pub async fn nothing_unasked(&mut self, line: &str) -> Result<bool, LinkError> {
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
                Some(Err(error)) => return Err(self.broken(line, &error)),
            }
            if self.inbox.bytes.len() > self.wire.max_reply {
                break;
            }
        }
        let nothing = match self.wire.reply {
            Framing::Line | Framing::Pause => !self.inbox.has_text(),
            Framing::Frame => self.inbox.rest().is_empty(),
        };
        let clean = nothing || self.echo.expected();
        if !clean {
            trace!(target: "needlerig::wire", link = %self.name, unasked = %self.inbox.excerpt());
        }
        self.inbox.clear();
        Ok(clean)
    }

    /// Writes lines with their endings in one go.
    pub async fn transmit(&mut self, lines: &[&str]) -> Result<(), LinkError> {
        self.outbox.clear();
        for line in lines {
            self.put(line);
        }
        self.write(|| lines.join(" | ")).await
    }

    /// Puts a line with its ending into the outbox.
    fn put(&mut self, line: &str) {
        trace!(target: "needlerig::wire", link = %self.name, sent = %line);
        let filling = self.filling(line);
        self.outbox.extend_from_slice(line.as_bytes());
        self.outbox.resize(self.outbox.len() + filling, b' ');
        self.outbox.extend_from_slice(self.wire.ending.bytes());
        self.echo.sent(line);
    }

    /// Sends lines in an emergency, at the wire's pace and on USB past a halt.
    pub async fn shout(&mut self, lines: &[&str]) -> Result<(), LinkError> {
        let Some(calls) = self.calls.clone() else {
            if self.wire.pace.is_zero() {
                return self.transmit(lines).await;
            }
            for line in lines {
                self.transmit(&[line]).await?;
            }
            return Ok(());
        };
        // A USB instrument takes one line for one message.
        let mut messages = Vec::with_capacity(lines.len());
        for line in lines {
            self.outbox.clear();
            self.put(line);
            messages.push(self.outbox.clone());
        }
        // For each its time, once more, and a clear between.
        let limit = self.wire.deadline * 3 * u32::try_from(lines.len()).unwrap_or(u32::MAX);
        let command = || lines.join(" | ");
        match timeout(limit, calls.shout(messages)).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(self.broken(&command(), &error)),
            Err(_) => Err(self.late(&command(), limit, String::new())),
        }
    }

    /// How long the kernel may wait for the next message to be taken, and for its answer, where it
    /// is the one that waits.
    pub fn limit(&self, limit: Duration) {
        if let Some(calls) = &self.calls {
            calls.limit(limit);
        }
    }

    /// Spaces that a line needs before its ending.
    fn filling(&self, line: &str) -> usize {
        match self.calls {
            Some(_) => self
                .wire
                .usb
                .filling(line.len() + self.wire.ending.bytes().len()),
            None => 0,
        }
    }

    /// Longest line that may be sent.
    pub fn longest_line(&self) -> usize {
        match (&self.calls, self.wire.usb.longest_message()) {
            (Some(_), Some(longest)) => longest - self.wire.ending.bytes().len(),
            _ => LONGEST_COMMAND,
        }
    }

    /// Writes a binary frame.
    pub async fn transmit_frame(&mut self, frame: &[u8]) -> Result<(), LinkError> {
        trace!(target: "needlerig::wire", link = %self.name, sent = %hex(frame));
        self.outbox.clear();
        self.outbox.extend_from_slice(frame);
        self.write(|| hex(frame)).await
    }

    /// Writes the outbox once the wire's pace allows it.
    async fn write(&mut self, command: impl Fn() -> String) -> Result<(), LinkError> {
        if self.hung_up {
            return Err(self.gone(&command(), "closed earlier"));
        }
        if let Some(last) = self.last_sent {
            sleep_until(last + self.wire.pace).await;
        }
        let takes = self.time_for(self.outbox.len());
        let limit = self.wire.deadline + takes;
        self.cut = true;
        let written = timeout(limit, self.stream.write_all(&self.outbox)).await;
        match written {
            Ok(Ok(())) => {}
            Ok(Err(error)) => return Err(self.gone(&command(), &error.to_string())),
            Err(_) => {
                let (link, waited) = (self.name.clone(), limit);
                return Err(LinkError::Blocked {
                    link,
                    command: command(),
                    waited,
                });
            }
        }
        self.cut = false;
        if !self.wire.pace.is_zero() {
            // The system takes the bytes at once; on the wire they need their time.
            self.last_sent = Some(Instant::now() + takes);
        }
        Ok(())
    }

    /// Time that so many characters take on the wire.
    pub fn time_for(&self, characters: usize) -> Duration {
        self.character
            .saturating_mul(u32::try_from(characters).unwrap_or(u32::MAX))
    }

    /// Closes our end: a port that is gone must be let go of before it can come back.
    pub fn hang_up(&mut self) {
        self.hung_up = true;
        self.stream = Box::new(tokio::io::empty());
        self.calls = None;
    }

    /// A frame of the length that `length` tells from its first bytes.
    pub async fn receive_frame(
        &mut self,
        command: &str,
        length: impl Fn(&[u8]) -> Option<usize>,
        until: Instant,
        waited: Duration,
    ) -> Result<Vec<u8>, LinkError> {
        loop {
            let known = length(self.inbox.rest());
            if let Some(frame) = known.and_then(|count| self.inbox.take(count)) {
                trace!(target: "needlerig::wire", link = %self.name, received = %hex(&frame));
                return Ok(frame);
            }
            self.within(self.inbox.rest().len(), command)?;
            if !self.fill(until, command).await? {
                let partial = hex(self.inbox.rest());
                return Err(self.late(command, waited, partial));
            }
        }
    }

    /// What came before the acknowledgement: the answer, or nothing for a command.
    pub async fn receive_acknowledged(
        &mut self,
        command: &str,
        until: Instant,
        waited: Duration,
    ) -> Result<Vec<String>, LinkError> {
        let mut before = Vec::new();
        loop {
            while let Some(line) = self.inbox.next_line() {
                let text = lossy(line);
                let text = text.trim();
                if text == self.wire.acknowledge.trim() {
                    return Ok(before);
                }
                if let Some(line) = self.echo.strip(text) {
                    trace!(target: "needlerig::wire", link = %self.name, received = %line);
                    before.push(line.to_owned());
                }
            }
            if self.inbox.take_mark(&self.wire.acknowledge) {
                return Ok(before);
            }
            let before_it = before.iter().map(String::len).sum::<usize>();
            self.within(before_it + self.inbox.rest().len(), command)?;
            if !self.fill(until, command).await? {
                before.push(self.inbox.excerpt());
                return Err(self.late(command, waited, before.join(" | ")));
            }
        }
    }

    /// Waits for the line that the instrument writes once it has started. One that did not start
    /// anew writes none: what it is shows when it is asked.
    pub async fn receive_banner(&mut self) -> Result<(), LinkError> {
        let until = Instant::now() + self.wire.boot;
        loop {
            while let Some(line) = self.inbox.next_line() {
                let text = lossy(line);
                trace!(target: "needlerig::wire", link = %self.name, banner = %text);
                if text.contains(&self.wire.banner) {
                    return Ok(());
                }
            }
            if self.inbox.rest().len() >= self.wire.max_reply {
                self.inbox.clear();
            }
            if !self.fill(until, "(starting)").await? {
                return Ok(());
            }
        }
    }

    /// Refuses an answer that has come to this length without an end.
    fn within(&self, length: usize, command: &str) -> Result<(), LinkError> {
        let limit = self.wire.max_reply;
        if length < limit {
            return Ok(());
        }
        let (link, command) = (self.name.clone(), command.to_owned());
        Err(LinkError::TooLong {
            link,
            command,
            limit,
        })
    }

    fn late(&self, command: &str, waited: Duration, partial: String) -> LinkError {
        let (link, command) = (self.name.clone(), command.to_owned());
        LinkError::Timeout {
            link,
            command,
            waited,
            partial,
        }
    }

    /// One answer, whatever question it belongs to.
    pub async fn receive(
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
            self.within(self.inbox.rest().len(), command)?;
            let pausing = self.wire.reply == Framing::Pause && self.inbox.has_text();
            let pause = Instant::now() + self.wire.quiet;
            let limit = if pausing { until.min(pause) } else { until };
            if self.fill(limit, command).await? {
                continue;
            }
            if !pausing || pause > until {
                return Err(self.late(command, waited, self.inbox.excerpt()));
            }
            let text = self.inbox.take_all();
            trace!(target: "needlerig::wire", link = %self.name, received = %text);
            if let Some(reply) = self.echo.strip(&text) {
                return Ok(reply.to_owned());
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

    pub fn only_prompts(&self) -> bool {
        let rest = lossy(self.inbox.rest());
        self.echo.expected() && self.echo.strip(rest.trim_matches(['\r', '\n'])).is_none()
    }

    /// Reads once, at the latest until `limit`, and gives whether anything came.
    async fn fill(&mut self, limit: Instant, command: &str) -> Result<bool, LinkError> {
        self.inbox.bytes.reserve(CHUNK);
        match timeout_at(limit, self.stream.read_buf(&mut self.inbox.bytes)).await {
            Err(_) => Ok(false),
            Ok(Ok(0)) => Err(self.gone(command, "the other end closed it")),
            Ok(Ok(_)) => {
                // What needs a pause between commands needs it after its answer as well.
                if !self.wire.pace.is_zero() {
                    self.last_sent = Some(Instant::now());
                }
                Ok(true)
            }
            Ok(Err(error)) => Err(self.broken(command, &error)),
        }
    }

    /// Discards what comes in until nothing has come for `quiet`.
    pub async fn drain(&mut self, quiet: Duration) -> Result<(), LinkError> {
        let end = Instant::now() + LONGEST_NOISE.max(quiet * 2);
        let mut bytes = self.inbox.rest().len();
        loop {
            self.inbox.clear();
            match self.fill(Instant::now() + quiet, "(draining)").await {
                Ok(false) => return Ok(()),
                Ok(true) => {
                    let drained = self.inbox.excerpt();
                    trace!(target: "needlerig::wire", link = %self.name, drained);
                    bytes += self.inbox.rest().len();
                }
                // It belongs to what is being discarded.
                Err(LinkError::NotTaken { .. }) => {}
                Err(error) => return Err(error),
            }
            if bytes > MOST_NOISE || Instant::now() >= end {
                return Err(LinkError::Noisy {
                    link: self.name.clone(),
                    bytes,
                });
            }
        }
    }

    /// An error of the stream.
    fn broken(&self, command: &str, error: &io::Error) -> LinkError {
        if !NotTaken::is(error) {
            return self.gone(command, &error.to_string());
        }
        let (link, command) = (self.name.clone(), command.to_owned());
        LinkError::NotTaken {
            link,
            command,
            cause: error.to_string(),
        }
    }

    pub fn gone(&self, command: &str, cause: &str) -> LinkError {
        let (link, command) = (self.name.clone(), command.to_owned());
        let cause = format!("{cause}{}", self.hint);
        LinkError::Gone {
            link,
            command,
            cause,
        }
    }
}
