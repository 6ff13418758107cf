//! One instrument and its link: who it is, staying in step with it, its error queue.

use crate::dialect::{Common, Dialect, Kind};
use crate::error::{DriverError, LinkError};
use crate::frame::excerpt;
use crate::link::{Link, LinkState};
use crate::reading::{Numbers, Reading, parse_reading};
use crate::text::{parse_bool, parse_error_entry};
use crate::words::{Command, Flag, FlagBit, FlagWords, Query, Template};
use std::fmt::Display;
use std::time::Duration;
use tracing::{debug, warn};

/// Most entries read from an error queue in one go.
const MOST_ERRORS: usize = 30;

/// One instrument and its link.
#[derive(Debug)]
pub(crate) struct Session {
    link: Link,
    dialect: String,
    common: Common,
    numbers: Numbers,
    identity: String,
    line: String,
    /// Entries read from the error queue while the link was brought back into step.
    late_errors: Vec<(i32, String)>,
}

impl Session {
    /// Clears the status, finds out who is there, and empties the error queue. Nothing here
    /// changes an output.
    pub async fn open(link: Link, dialect: &Dialect) -> Result<Self, DriverError> {
        let mut session = Self::over(link, dialect, String::new())?;
        let expected = match dialect.models.is_empty() {
            true => "maker,model,serial number,firmware".to_owned(),
            false => dialect.models.join(" or "),
        };
        let Common {
            identify,
            hello,
            clear,
            ..
        } = &session.common;
        // The first identity is asked for on a link whose past is unknown; what the last program
        // left unread is discarded with it.
        let link = &mut session.link;
        // Some USB instruments lose what comes first; a question is repeated then, a command is not.
        let greeted_first = !link.may_lose_the_first();
        let greetings = hello.iter().filter(|_| greeted_first);
        for command in greetings {
            link.send_anyway(command.text()).await?;
        }
        let identity = link.identify(identify.text(), &expected, |reply| dialect.fits(reply));
        session.identity = identity.await?;
        let greetings = hello.iter().filter(|_| !greeted_first);
        for command in greetings {
            link.send(command.text()).await?;
        }
        if let Some(clear) = clear {
            link.send(clear.text()).await?;
        }
        for (code, text) in session.errors().await? {
            debug!(instrument = %session.link.name(), code, text, "left in the error queue");
        }
        Ok(session)
    }

    fn over(link: Link, dialect: &Dialect, identity: String) -> Result<Self, DriverError> {
        let Some(common) = dialect.common.clone() else {
            return Err(DriverError::Unsupported {
                instrument: link.name().to_owned(),
                dialect: dialect.name.clone(),
                entry: "[common]",
            });
        };
        Ok(Self {
            link,
            dialect: dialect.name.clone(),
            common,
            numbers: dialect.numbers.clone(),
            identity,
            line: String::new(),
            late_errors: Vec::new(),
        })
    }

    /// Goes on with an instrument that is known from before, asking nothing yet: the identity is
    /// compared before the first exchange, but an emergency need not wait for it. Only a connection
    /// that was made anew is greeted.
    pub async fn resume(
        mut link: Link,
        dialect: &Dialect,
        identity: &str,
    ) -> Result<Self, DriverError> {
        if link.state() == LinkState::Clean {
            for command in dialect.common.iter().flat_map(|common| &common.hello) {
                link.send_anyway(command.text()).await?;
            }
            link.mark_dirty();
        }
        Self::over(link, dialect, identity.to_owned())
    }

    pub fn identity(&self) -> &str {
        &self.identity
    }

    pub fn name(&self) -> &str {
        self.link.name()
    }

    pub fn state(&self) -> LinkState {
        self.link.state()
    }

    /// Longest line that arrives whole.
    pub fn longest_line(&self) -> usize {
        self.link.longest_line()
    }

    /// Checks that a command arrives whole, before it is needed.
    pub fn sendable(&self, line: &str) -> Result<(), DriverError> {
        Ok(self.link.sendable(line)?)
    }

    pub fn deadline(&self) -> Duration {
        self.link.wire().deadline
    }

    /// Brings a dirty link back into step with the known instrument.
    async fn recover(&mut self) -> Result<(), DriverError> {
        self.link
            .resync(self.common.identify.text(), &self.identity)
            .await?;
        warn!(instrument = %self.link.name(), "back in step after a missed answer");
        // What the muddle has left in the error queue belongs to the caller's next look at it.
        if let Some(errors) = self.common.errors.clone() {
            for _ in 0..MOST_ERRORS {
                let reply = self.link.query(errors.text(), self.deadline()).await?;
                match parse_error_entry(&reply) {
                    Some((0, _)) => break,
                    Some(entry) => self.late_errors.push(entry),
                    None => return Err(self.unexpected(errors.text(), &reply, ERROR_ENTRY)),
                }
            }
            let excess = self.late_errors.len().saturating_sub(MOST_ERRORS);
            self.late_errors.drain(..excess);
        }
        Ok(())
    }

    async fn in_step(&mut self) -> Result<(), DriverError> {
        match self.link.state() {
            LinkState::Dirty => self.recover().await,
            LinkState::Clean | LinkState::Gone => Ok(()),
        }
    }

    /// Sends a command. It is never sent twice: only a command that was held back before any of
    /// its bytes left is sent after the link has been brought back into step.
    pub async fn tell(&mut self, command: &str) -> Result<(), DriverError> {
        self.in_step().await?;
        match self.link.send(command).await {
            Err(LinkError::NeedsResync { .. }) => {
                self.recover().await?;
                Ok(self.link.send(command).await?)
            }
            result => Ok(result?),
        }
    }

    /// Sends a command with its value; the line is returned for messages on request.
    pub async fn set(&mut self, words: &Template, value: &impl Display) -> Result<(), DriverError> {
        let mut line = std::mem::take(&mut self.line);
        let result = match self.write(words, value, &mut line) {
            Ok(()) => self.tell(&line).await,
            Err(error) => Err(error),
        };
        self.line = line;
        result
    }

    /// Writes a command with its value.
    pub fn write(
        &self,
        words: &Template,
        value: &impl Display,
        line: &mut String,
    ) -> Result<(), DriverError> {
        words
            .fill(line, value)
            .map_err(|picture| DriverError::OutOfRange {
                instrument: self.name().to_owned(),
                what: "value",
                value: value.to_string(),
                allowed: format!("numbers of the form {picture} in \"{}\"", words.text()),
            })
    }

    /// Asks a question.
    pub async fn ask(&mut self, question: &str) -> Result<String, DriverError> {
        self.ask_within(question, self.deadline()).await
    }

    /// Sends a command that is answered. It is never sent twice, as [`Session::tell`] has it.
    pub async fn ask_once(&mut self, command: &str) -> Result<String, DriverError> {
        self.in_step().await?;
        match self.link.query(command, self.deadline()).await {
            Err(LinkError::NeedsResync { .. }) => {
                self.recover().await?;
                Ok(self.link.query(command, self.deadline()).await?)
            }
            result => Ok(result?),
        }
    }

    /// Asks a question that may take longer.
    pub async fn ask_within(
        &mut self,
        question: &str,
        deadline: Duration,
    ) -> Result<String, DriverError> {
        self.in_step().await?;
        match self.link.query(question, deadline).await {
            Err(LinkError::NeedsResync { .. }) => {}
            Err(LinkError::Timeout { .. }) if self.link.wire().retry_queries => {}
            result => return Ok(result?),
        }
        self.recover().await?;
        Ok(self.link.query(question, deadline).await?)
    }

    /// Asks for a number in `unit`.
    pub async fn number(
        &mut self,
        query: &Query,
        unit: &str,
        deadline: Duration,
    ) -> Result<Reading, DriverError> {
        let reply = self.ask_within(query.ask.text(), deadline).await?;
        let part = query.pick(&reply);
        match part.map(|part| parse_reading(&part, unit, &self.numbers)) {
            Some(Ok(reading)) => Ok(reading),
            Some(Err(error)) => {
                let wanted = format!("one number ({error})");
                Err(self.unexpected(query.ask.text(), &reply, &wanted))
            }
            None => {
                let header = query
                    .header
                    .as_deref()
                    .map(|word| format!(" behind \"{word}\""));
                let header = header.unwrap_or_default();
                let wanted = format!("a reply of {} field(s){header}", query.fields);
                Err(self.unexpected(query.ask.text(), &reply, &wanted))
            }
        }
    }

    /// Asks for a set-point in `unit`: overload and "no number" make no sense there.
    pub async fn set_point(&mut self, query: &Query, unit: &str) -> Result<f64, DriverError> {
        match self.number(query, unit, self.deadline()).await? {
            Reading::Value(value) => Ok(value),
            other => {
                let reply = format!("{other:?}");
                Err(self.unexpected(query.ask.text(), &reply, "a set-point"))
            }
        }
    }

    /// Asks for a truth value.
    pub async fn truth(&mut self, question: &Flag) -> Result<bool, DriverError> {
        let (ask, yes, no) = match question {
            Flag::Plain(ask) => {
                let reply = self.ask(ask.text()).await?;
                let wanted = "1, 0, ON or OFF";
                return parse_bool(&reply)
                    .ok_or_else(|| self.unexpected(ask.text(), &reply, wanted));
            }
            Flag::Bit(FlagBit { ask, bit }) => {
                let byte = self.ask_bytes(ask.text(), 1).await?;
                return Ok(bit.of(byte.first().copied().unwrap_or_default()));
            }
            Flag::Words(FlagWords { ask, yes, no }) => (ask, yes, no),
        };
        match self.ask(ask.text()).await? {
            reply if reply == *yes => Ok(true),
            reply if reply == *no => Ok(false),
            reply => Err(self.unexpected(ask.text(), &reply, &format!("{yes} or {no}"))),
        }
    }

    /// Asks a question that is answered by so many raw bytes.
    async fn ask_bytes(&mut self, question: &str, count: usize) -> Result<Vec<u8>, DriverError> {
        self.in_step().await?;
        match self
            .link
            .query_bytes(question, count, self.deadline())
            .await
        {
            Err(LinkError::NeedsResync { .. }) => {}
            result => return Ok(result?),
        }
        self.recover().await?;
        Ok(self
            .link
            .query_bytes(question, count, self.deadline())
            .await?)
    }

    /// Waits until earlier commands are done, where the instrument knows.
    pub async fn barrier(&mut self) -> Result<(), DriverError> {
        // Without a word for it the read-back that follows each command has to do.
        let Some(barrier) = self.common.barrier.clone() else {
            return self.in_step().await;
        };
        match self.truth(&Flag::Plain(barrier.clone())).await? {
            true => Ok(()),
            false => Err(self.unexpected(barrier.text(), "0", "1")),
        }
    }

    /// Empties the error queue. Without words for it, nothing is reported.
    pub async fn errors(&mut self) -> Result<Vec<(i32, String)>, DriverError> {
        let Some(errors) = self.common.errors.clone() else {
            return Ok(Vec::new());
        };
        self.in_step().await?;
        let mut found = std::mem::take(&mut self.late_errors);
        for _ in 0..MOST_ERRORS {
            let reply = self.ask(errors.text()).await?;
            match parse_error_entry(&reply) {
                Some((0, _)) => return Ok(found),
                Some(entry) => found.push(entry),
                None => return Err(self.unexpected(errors.text(), &reply, ERROR_ENTRY)),
            }
        }
        let last = found
            .last()
            .map(|(code, text)| format!("{code} \"{text}\""));
        Err(DriverError::EndlessErrors {
            instrument: self.name().to_owned(),
            command: errors.text().to_owned(),
            count: MOST_ERRORS,
            last: last.unwrap_or_default(),
        })
    }

    /// Empties the error queue and takes any entry as a failure of `command`.
    pub async fn no_errors(&mut self, command: &str) -> Result<(), DriverError> {
        let errors = self.errors().await?;
        if errors.is_empty() {
            return Ok(());
        }
        let (instrument, command) = (self.name().to_owned(), command.to_owned());
        Err(DriverError::Reported {
            instrument,
            command,
            errors,
        })
    }

    /// Sends commands in an emergency, whatever the state of the link.
    pub async fn shout(&mut self, lines: &[&str]) -> Result<(), DriverError> {
        Ok(self.link.shout(lines).await?)
    }

    /// Gives the instrument back to its front panel, on a link in whatever state; does nothing where
    /// the dialect has no words for it. Nothing of a run depends on it any more, so a failure is
    /// only logged.
    pub async fn release(&mut self) {
        let words = std::mem::take(&mut self.common.goodbye);
        let lines: Vec<&str> = words.iter().map(Command::text).collect();
        if !lines.is_empty()
            && let Err(error) = self.link.shout(&lines).await
        {
            warn!(%error, "the front panel may still be locked");
        }
        self.common.goodbye = words;
        if let Err(error) = self.link.give_back().await {
            warn!(%error, "the front panel may still be locked");
        }
    }

    /// An answer that makes no sense. The link may be out of step with it.
    pub fn unexpected(&mut self, command: &str, reply: &str, wanted: &str) -> DriverError {
        self.link.mark_dirty();
        DriverError::Unexpected {
            instrument: self.name().to_owned(),
            command: command.to_owned(),
            reply: excerpt(reply),
            wanted: wanted.to_owned(),
        }
    }

    pub fn unsupported(&self, entry: &'static str) -> DriverError {
        let (instrument, dialect) = (self.name().to_owned(), self.dialect.clone());
        DriverError::Unsupported {
            instrument,
            dialect,
            entry,
        }
    }

    /// Refuses a link over which nothing can be said while an answer is waited for.
    pub fn heard_meanwhile(link: &Link) -> Result<(), DriverError> {
        if link.is_heard_meanwhile() {
            return Ok(());
        }
        let instrument = link.name().to_owned();
        Err(DriverError::NotHeard { instrument })
    }

    pub fn wrong_kind(name: &str, dialect: &Dialect, needed: Kind) -> DriverError {
        let entry = match needed {
            Kind::Supply => "[supply]",
            Kind::Meter => "[meter]",
            Kind::Switch => "[switch]",
            Kind::Pots => "[pots]",
        };
        let (instrument, dialect) = (name.to_owned(), dialect.name.clone());
        DriverError::Unsupported {
            instrument,
            dialect,
            entry,
        }
    }
}

const ERROR_ENTRY: &str = "an error number and a text";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::usb::played;

    const WHO: &str = "KESTREL AND LOOM,PS,1,1.0";

    /// A dialect with a greeting, a link on USB that speaks it, `known` from before or new, and its device.
    fn usb(
        answer: impl Fn(usize, &str) -> Vec<&'static str> + Send + 'static,
        known: bool,
    ) -> (Dialect, Link, tokio::task::JoinHandle<Vec<String>>) {
        let mut dialect = Dialect::built_in("scpi-supply").unwrap();
        let hello = Command::try_from(":SYST:REM".to_owned()).unwrap();
        let common = dialect.common.as_mut().unwrap();
        (common.hello, common.clear, common.errors) = (vec![hello], None, None);
        let (stream, calls, device) = played(true);
        let device = tokio::spawn(device.play(answer));
        let mut link = Link::over_usb(stream, calls, "USB", &dialect.wire);
        if known {
            link.mark_dirty();
        }
        (dialect, link, device)
    }

    /// On USB, with a greeting, after so many messages that are lost: what was heard, and the identity.
    async fn greeted(
        answer: impl Fn(usize, &str) -> Vec<&'static str> + Send + 'static,
    ) -> (Vec<String>, String) {
        let (dialect, link, device) = usb(answer, false);
        let session = Session::open(link, &dialect).await.unwrap();
        let identity = session.identity().to_owned();
        drop(session);
        (device.await.unwrap(), identity)
    }

    #[tokio::test(start_paused = true)]
    async fn a_usb_instrument_that_is_deaf_at_first_hears_its_greeting() {
        let deaf = |heard, _: &str| match heard {
            // The clear, and then the first message.
            0..2 => Vec::new(),
            _ => vec!["KESTREL AND LOOM,PS,1,1.0\n"],
        };
        let (heard, _) = greeted(deaf).await;
        let asked = "*IDN?\n";
        let expected = ["(clear)", asked, "(clear)", asked, ":SYST:REM\n"];
        assert_eq!(heard, expected);
    }

    #[tokio::test(start_paused = true)]
    async fn part_of_an_answer_before_a_clear_is_no_part_of_the_next() {
        let (_, identity) = greeted(|heard, message| match (heard, message) {
            (0..2, _) => vec!["KESTREL AND"],
            (_, "*IDN?") => vec!["KESTREL AND LOOM,PS,1,1.0\n"],
            _ => Vec::new(),
        })
        .await;
        assert_eq!(identity, WHO);
    }

    /// An answer that was missed leaves the link dirty: it is cleared and identified over the same
    /// connection, and the answer that came late is nobody's.
    #[tokio::test(start_paused = true)]
    async fn a_dirty_usb_link_is_cleared_and_identified_before_the_next_exchange() {
        let missing = |heard, message: &str| match (heard, message) {
            (_, "*IDN?") => vec!["KESTREL AND LOOM,PS,1,1.0\n"],
            // Not the first time.
            (5.., ":VOLT?") => vec!["1.5\n"],
            _ => Vec::new(),
        };
        let (mut dialect, link, device) = usb(missing, false);
        dialect.wire.retry_queries = false;
        let mut session = Session::open(link, &dialect).await.unwrap();
        let error = session.ask(":VOLT?").await.unwrap_err();
        let missed = matches!(&error, DriverError::Link(LinkError::Timeout { .. }));
        assert!(missed, "{error}");
        assert_eq!(session.state(), LinkState::Dirty);
        assert_eq!(session.ask(":VOLT?").await.unwrap(), "1.5");
        assert_eq!(session.state(), LinkState::Clean);
        drop(session);
        let (asked, volts) = ("*IDN?\n", ":VOLT?\n");
        let hello = ":SYST:REM\n";
        let expected = ["(clear)", asked, hello, volts, "(clear)", asked, volts];
        assert_eq!(device.await.unwrap(), expected);
    }

    /// Another instrument than the known one is told nothing, neither then nor later.
    #[tokio::test(start_paused = true)]
    async fn a_dirty_usb_link_to_another_instrument_is_refused() {
        let other = |_, message: &str| match message {
            "*IDN?" => vec!["SOMEBODY,ELSE,2,1.0\n"],
            _ => vec!["1.5\n"],
        };
        let (dialect, link, device) = usb(other, true);
        let mut session = Session::resume(link, &dialect, WHO).await.unwrap();
        for _ in 0..2 {
            let error = session.tell(":VOLT 1").await.unwrap_err();
            let refused = matches!(&error, DriverError::Link(LinkError::Identity { .. }));
            assert!(refused, "{error}");
            assert_eq!(session.state(), LinkState::Dirty);
        }
        drop(session);
        let heard = device.await.unwrap();
        let told: Vec<&String> = heard.iter().filter(|m| m.contains(":VOLT")).collect();
        assert!(told.is_empty(), "{heard:?}");
    }

    /// Who goes on after an interrupted run clears the link and asks who is there before the first
    /// exchange. Over a connection made anew the greeting goes out at once, since an emergency waits
    /// for no identity; one that was taken over has been greeted.
    #[tokio::test(start_paused = true)]
    async fn going_on_over_usb_greets_a_new_connection_and_identifies_before_it_tells() {
        for (known, greeting) in [(false, &[":SYST:REM\n"][..]), (true, &[])] {
            let (dialect, link, device) = usb(|_, _| vec!["KESTREL AND LOOM,PS,1,1.0\n"], known);
            let mut session = Session::resume(link, &dialect, WHO).await.unwrap();
            session.tell(":OUTP 0").await.unwrap();
            drop(session);
            let expected = [greeting, &["(clear)", "*IDN?\n", ":OUTP 0\n"]].concat();
            let heard = device.await.unwrap();
            let said: Vec<&str> = heard.iter().map(String::as_str).collect();
            assert_eq!(said, expected, "{known}");
        }
    }
}
