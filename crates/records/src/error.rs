//! What can go wrong with a store: which file, what was tried, what to do about it.

use crate::RunId;
use rusqlite::ErrorCode;
use thiserror::Error;

/// A store, or something in it, could not be used.
#[derive(Debug, Error)]
#[error("store {place}: could not {doing}: {trouble}")]
pub struct StoreError {
    /// The file, or "in memory".
    pub place: String,
    /// What was tried.
    pub doing: &'static str,
    /// What stood in the way, and what to do.
    #[source]
    pub trouble: Trouble,
}

/// What stood in the way. Each message says what to do.
#[derive(Debug, Error)]
pub enum Trouble {
    /// There is no such file.
    #[error("there is no such file; check the name, or start a run to create it")]
    Missing,
    /// The file cannot be opened or created.
    #[error("the file cannot be opened; check that its folder exists and may be written to ({0})")]
    CannotOpen(String),
    /// The file is something else.
    #[error("the file is no store of this program; name another file")]
    NotAStore,
    /// The file was written by a newer program.
    #[error(
        "the file has format {found}, and this program knows formats up to {known}; \
         use the newer program that wrote it"
    )]
    Newer {
        /// Version of the file.
        found: i64,
        /// Newest version known.
        known: i64,
    },
    /// The file cannot be written to.
    #[error("the file is read-only; copy it to a place that can be written to, or change its mode")]
    ReadOnly,
    /// The disk is full.
    #[error("the disk is full; free some space, what was acknowledged before is safe")]
    Full,
    /// The operating system failed to read or write.
    #[error("reading or writing the disk failed; check the disk and its cable ({0})")]
    Disk(String),
    /// Another program writes to the file and does not let go.
    #[error("another run holds the file; wait for it to end, or give this run its own store")]
    Locked,
    /// The file is damaged.
    #[error(
        "the file is damaged; restore it from a copy, or recover it with SQLite's own tools ({0})"
    )]
    Damaged(String),
    /// A row is there but does not read as what it should be.
    #[error("{row} does not read as expected; restore the file from a copy ({reason})")]
    Unreadable {
        /// Which row.
        row: String,
        /// Why.
        reason: String,
    },
    /// The store has no such run.
    #[error("there is no {0}; list the store to see what it holds")]
    NoSuchRun(RunId),
    /// The run has ended already.
    #[error("{0} has ended already and takes no more observations; begin another run")]
    Ended(RunId),
    /// An observation is missing or comes twice.
    #[error(
        "observation {expected} is next, but {found} came; one was lost on the way or kept twice"
    )]
    OutOfOrder {
        /// Position that is next.
        expected: u64,
        /// Position that came.
        found: u64,
    },
    /// What was handed over would not read back as it is.
    #[error(
        "{0} would not read back as it is; a number in it is infinite or not a number, \
         which no measurement is"
    )]
    NotKept(String),
    /// Anything else that SQLite reports.
    #[error("unexpected answer from SQLite; this is a fault of the program ({0})")]
    Other(#[source] rusqlite::Error),
}

impl From<rusqlite::Error> for Trouble {
    fn from(error: rusqlite::Error) -> Self {
        let Some(code) = error.sqlite_error_code() else {
            return Self::Other(error);
        };
        match code {
            ErrorCode::CannotOpen => Self::CannotOpen(error.to_string()),
            ErrorCode::NotADatabase => Self::NotAStore,
            ErrorCode::ReadOnly | ErrorCode::PermissionDenied => Self::ReadOnly,
            ErrorCode::DiskFull => Self::Full,
            ErrorCode::SystemIoFailure => Self::Disk(error.to_string()),
            ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => Self::Locked,
            ErrorCode::DatabaseCorrupt => Self::Damaged(error.to_string()),
            _ => Self::Other(error),
        }
    }
}
