//! Digital potentiometers behind a bridge on a serial port, in a line protocol of this project.
//!
//! | sent | answered |
//! |---|---|
//! | `ID` | `BRIDGE firmware pots codes` |
//! | `W2 127` | `OK 2 127`, once the potentiometer itself has been read back |
//! | `R2` | `VAL 2 127`, as read from the potentiometer |
//! | what can't be done | `ERR number text` |
//! | the bridge has started | `READY firmware`, unasked |
//!
//! After its start every potentiometer stands at mid-scale: that is a state of the rig like any
//! other, and never that of a short. A code says nothing exact about a resistance: elements are
//! 20 to 30 % off and wipers have 60 to 200 Ω, so every code in use is measured.

use crate::dialect::{Dialect, Kind, Words};
use crate::error::{DriverError, LinkError};
use crate::link::{Link, LinkState};
use crate::session::Session;
use serde::Deserialize;

/// What a bridge says, unasked, when it has started.
const GREETING: &str = "READY";

/// What a bridge has: the `[pots]` table of a dialect.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PotWords {
    /// Number of potentiometers, counted from 0.
    pub pots: u8,
    /// Number of codes of each, from 0.
    pub codes: u16,
}

/// Digital potentiometers behind a bridge.
#[derive(Debug)]
pub struct Pots {
    session: Session,
    words: PotWords,
}

impl Pots {
    /// Finds the bridge and compares what it has with what its dialect says. Moves no wiper, but
    /// the bridge may have started anew by being opened.
    ///
    /// # Errors
    /// When the dialect is not for a bridge, or it has other potentiometers than stated.
    pub async fn open(link: Link, dialect: &Dialect) -> Result<Self, DriverError> {
        let Words::Pots(words) = &dialect.words else {
            return Err(Session::wrong_kind(link.name(), dialect, Kind::Pots));
        };
        let words = *words;
        let mut session = Session::open(link, dialect).await?;
        let identity = session.identity().to_owned();
        let wanted = format!("{} {}", words.pots, words.codes);
        let has = identity
            .split_once(' ')
            .and_then(|(_, rest)| rest.split_once(' '));
        if has.is_none_or(|(_, has)| has != wanted) {
            let wanted = format!("\"BRIDGE firmware {wanted}\"");
            return Err(session.unexpected("ID", &identity, &wanted));
        }
        Ok(Self { session, words })
    }

    /// The answer to the identity question.
    pub fn identity(&self) -> &str {
        self.session.identity()
    }

    /// Whether its link is in step.
    pub fn state(&self) -> LinkState {
        self.session.state()
    }

    /// Sets potentiometer `pot` to `code`, confirmed by its own read-back.
    ///
    /// # Errors
    /// When there is no such potentiometer or code, or the read-back differs.
    pub async fn set(&mut self, pot: u8, code: u16) -> Result<(), DriverError> {
        self.known(pot)?;
        if code >= self.words.codes {
            return Err(self.out_of_range("code", code, self.words.codes));
        }
        let command = format!("W{pot} {code}");
        // A bridge that has lost the command says nothing; it is never sent twice.
        let reply = said(self.session.ask_once(&command).await)?;
        if reply == format!("OK {pot} {code}") {
            return Ok(());
        }
        Err(self.unexpected(&command, &reply, &format!("\"OK {pot} {code}\"")))
    }

    /// The code at which potentiometer `pot` stands, as it says itself.
    ///
    /// # Errors
    /// When there is no such potentiometer, or the answer is not its code.
    pub async fn code(&mut self, pot: u8) -> Result<u16, DriverError> {
        self.known(pot)?;
        let question = format!("R{pot}");
        let reply = said(self.session.ask(&question).await)?;
        let code = reply
            .strip_prefix(&format!("VAL {pot} "))
            .and_then(|code| code.parse().ok());
        match code.filter(|code| *code < self.words.codes) {
            Some(code) => Ok(code),
            None => Err(self.unexpected(&question, &reply, &format!("\"VAL {pot} code\""))),
        }
    }

    fn unexpected(&mut self, sent: &str, reply: &str, wanted: &str) -> DriverError {
        if !reply.starts_with(GREETING) {
            return self.session.unexpected(sent, reply, wanted);
        }
        let told =
            "READY says that the bridge has started anew, with its potentiometers at mid-scale";
        let wanted = format!("{wanted} ({told})");
        self.session.unexpected(sent, reply, &wanted)
    }

    fn known(&self, pot: u8) -> Result<(), DriverError> {
        match pot < self.words.pots {
            true => Ok(()),
            false => Err(self.out_of_range("potentiometer", pot.into(), self.words.pots.into())),
        }
    }

    fn out_of_range(&self, what: &'static str, value: u16, count: u16) -> DriverError {
        DriverError::OutOfRange {
            instrument: self.session.name().to_owned(),
            what,
            value: value.to_string(),
            allowed: format!("0 to {}", count.saturating_sub(1)),
        }
    }
}

/// The reply, or the greeting that came before it, or alone, from a bridge that has started anew.
fn said(reply: Result<String, DriverError>) -> Result<String, DriverError> {
    match reply {
        Err(DriverError::Link(LinkError::Extra { reply, .. })) if reply.starts_with(GREETING) => {
            Ok(reply)
        }
        reply => reply,
    }
}
