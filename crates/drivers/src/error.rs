//! What can go wrong on a wire and with an instrument. Every message names the instrument, what
//! was sent, what came back or how long was waited, and what to do.

use std::time::Duration;
use thiserror::Error;

/// What went wrong on one instrument's wire.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum LinkError {
    /// No connection.
    #[error(
        "{link}: no connection ({cause}); check that the instrument is on and that address and \
         port are right"
    )]
    Connect {
        /// The link.
        link: String,
        /// The system's reason, or how long was waited.
        cause: String,
    },
    /// A port that can't be opened.
    #[error("{link}: the port can't be had: {cause}")]
    Port {
        /// The link.
        link: String,
        /// Why, and what to do.
        cause: String,
    },
    /// A command that the instrument answered by something else than its acknowledgement.
    #[error(
        "{link}: \"{command}\" was answered by \"{reply}\"; the instrument has refused it, or the \
         dialect does not fit this model"
    )]
    Refused {
        /// The link.
        link: String,
        /// What was sent.
        command: String,
        /// What came back.
        reply: String,
    },
    /// A question that was acknowledged without an answer.
    #[error("{link}: \"{command}\" was acknowledged but not answered; check the dialect")]
    Unanswered {
        /// The link.
        link: String,
        /// What was asked.
        command: String,
    },
    /// A wire that should repeat what is sent and did not.
    #[error(
        "{link}: after {command} came {reply} where the wire should repeat what is sent; check the \
         cable and \"echo\" in the dialect"
    )]
    NoEcho {
        /// The link.
        link: String,
        /// What was sent.
        command: String,
        /// What came back.
        reply: String,
    },
    /// No complete answer in time. The link is dirty now.
    #[error(
        "{link}: no complete answer to \"{command}\" within {waited:?} (received \"{partial}\"); \
         check the cable, the reply ending in the dialect and its deadline"
    )]
    Timeout {
        /// The link.
        link: String,
        /// What was asked.
        command: String,
        /// How long was waited.
        waited: Duration,
        /// What had come in by then.
        partial: String,
    },
    /// The instrument took no bytes in time. The link is gone: a command cut in half cannot be
    /// taken back.
    #[error(
        "{link}: \"{command}\" could not be written within {waited:?}; the instrument does not \
         read; switch it off and on and connect anew"
    )]
    Blocked {
        /// The link.
        link: String,
        /// What was to be sent.
        command: String,
        /// How long was waited.
        waited: Duration,
    },
    /// The instrument refused what it was sent, or did not take it in time. The link is dirty now.
    #[error(
        "{link}: at \"{command}\" the instrument had not taken what it was sent ({cause}); it is \
         cleared before the next exchange; check that the dialect fits this model"
    )]
    NotTaken {
        /// The link.
        link: String,
        /// What was being sent or asked when it was noticed.
        command: String,
        /// The system's reason.
        cause: String,
    },
    /// The other end is gone.
    #[error("{link}: the link is gone at \"{command}\" ({cause}); check the cable and reconnect")]
    Gone {
        /// The link.
        link: String,
        /// What was being sent or asked.
        command: String,
        /// How it was noticed.
        cause: String,
    },
    /// An answer without end.
    #[error(
        "{link}: the answer to \"{command}\" has no ending within {limit} bytes; check the reply \
         ending in the dialect"
    )]
    TooLong {
        /// The link.
        link: String,
        /// What was asked.
        command: String,
        /// Longest answer taken.
        limit: usize,
    },
    /// More than one answer to one question: no telling which is the right one.
    #[error(
        "{link}: \"{command}\" was answered by \"{reply}\" and then \"{extra}\"; neither is used; \
         check that nothing else talks to the instrument and the echo setting of the dialect"
    )]
    Extra {
        /// The link.
        link: String,
        /// What was asked.
        command: String,
        /// The first answer.
        reply: String,
        /// What followed it.
        extra: String,
    },
    /// The link must be brought back into step first.
    #[error("{link}: \"{command}\" was not sent, since an earlier answer is missing; resync first")]
    NeedsResync {
        /// The link.
        link: String,
        /// What was to be sent.
        command: String,
    },
    /// The instrument keeps on sending unasked.
    #[error(
        "{link}: {bytes} bytes came in unasked and the line does not fall quiet; check the \
         settings of the port and that the instrument is not in a talk-only mode"
    )]
    Noisy {
        /// The link.
        link: String,
        /// Bytes discarded.
        bytes: usize,
    },
    /// Another instrument than the known one answers.
    #[error(
        "{link}: \"{command}\" should be answered by \"{expected}\" but gave \"{found}\"; check \
         which instrument is connected and the dialect's models"
    )]
    Identity {
        /// The link.
        link: String,
        /// The question.
        command: String,
        /// The known identity, or what would do.
        expected: String,
        /// What came back.
        found: String,
    },
    /// A line that must not be sent.
    #[error(
        "{link}: \"{command}\" is not one line of printable ASCII up to {limit} characters, which is \
         what its wire takes whole"
    )]
    BadCommand {
        /// The link.
        link: String,
        /// The line.
        command: String,
        /// Longest line.
        limit: usize,
    },
}

/// What went wrong with an instrument.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum DriverError {
    /// On its wire.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// An answer that makes no sense for the question. It is not used; the link is resynchronised
    /// before the next exchange.
    #[error(
        "{instrument}: \"{command}\" was answered by \"{reply}\", but {wanted} is needed; check \
         that the dialect fits this model"
    )]
    Unexpected {
        /// The instrument.
        instrument: String,
        /// The question.
        command: String,
        /// The answer.
        reply: String,
        /// What would have been right.
        wanted: String,
    },
    /// A setting that did not arrive as it was sent.
    #[error(
        "{instrument}: after \"{command}\" the read-back is {got} instead of {set}; the \
         instrument has changed or refused the setting"
    )]
    ReadBack {
        /// The instrument.
        instrument: String,
        /// The command.
        command: String,
        /// What was set.
        set: String,
        /// What is read back.
        got: String,
    },
    /// A setting outside the stated limits. Nothing was sent.
    #[error("{instrument}: {what} {value} was not sent; stated are {allowed}")]
    OutOfRange {
        /// The instrument.
        instrument: String,
        /// The quantity.
        what: &'static str,
        /// The value asked for.
        value: String,
        /// What is allowed.
        allowed: String,
    },
    /// No limit is known. Nothing was sent.
    #[error(
        "{instrument}: {what} was not sent, since no limit is known; state it in the rig file or \
         in the dialect"
    )]
    NoLimit {
        /// The instrument.
        instrument: String,
        /// The quantity.
        what: &'static str,
    },
    /// An emergency would have to wait behind a slow answer.
    #[error(
        "{instrument}: on USB it has no status byte that tells when an answer waits (or its dialect \
         says no_status), so that switching off would wait behind a slow answer; as a supply or a \
         switch it can't be used like that: connect it by another interface"
    )]
    NotHeard {
        /// The instrument.
        instrument: String,
    },
    /// A relay board that can't say what it was told, and was told nothing yet.
    #[error(
        "{instrument}: the state of channel {channel} is not known: the board has no read-back and \
         was told nothing yet; drive all channels first"
    )]
    NotTold {
        /// The instrument.
        instrument: String,
        /// The channel.
        channel: u32,
    },
    /// The dialect has no words for this.
    #[error("{instrument}: its dialect \"{dialect}\" has no entry \"{entry}\"; add it to the file")]
    Unsupported {
        /// The instrument.
        instrument: String,
        /// The dialect.
        dialect: String,
        /// The entry that is missing.
        entry: &'static str,
    },
    /// The instrument reported errors.
    #[error(
        "{instrument}: after \"{command}\" the instrument reports {}",
        list(errors)
    )]
    Reported {
        /// The instrument.
        instrument: String,
        /// What had been done.
        command: String,
        /// Number and text of each error.
        errors: Vec<(i32, String)>,
    },
    /// The error queue has no end.
    #[error(
        "{instrument}: \"{command}\" still reports errors after {count} reads, last {last}; switch \
         the instrument off and on"
    )]
    EndlessErrors {
        /// The instrument.
        instrument: String,
        /// The question.
        command: String,
        /// How often it was asked.
        count: usize,
        /// The last error.
        last: String,
    },
}

/// Errors as one text.
fn list(errors: &[(i32, String)]) -> String {
    let each = errors
        .iter()
        .map(|(code, text)| format!("{code} \"{text}\""));
    each.collect::<Vec<_>>().join(", ")
}
