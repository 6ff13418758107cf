//! The watcher: a second process that makes the rig safe when this one no longer can, because it
//! was killed, hangs, or lost its memory.
//!
//! It is the same program started anew in its own session. It holds duplicates of the links to
//! supply and switch and one end of a pair of sockets, on which the guard's own task gives a sign
//! of life several times a second. When the signs stop, the watcher first ends the silent process,
//! so that nothing can be raised again, and then makes the rig safe by itself.
//!
//! Heard over that pair: this process sends the links and the [`Brief`], is told `READY`, and sends
//! `BEAT`, each of which is answered by the same, until it says `DONE` or `UNSAFE`.

mod brief;
mod heart;
mod incident;
mod stand;

pub(crate) use brief::{Brief, Twins};
pub(crate) use heart::Heart;
pub use incident::{Incident, Why};
pub use stand::stand_watch;

use crate::fault::Fault;
use std::ffi::OsString;
use std::path::PathBuf;
use std::time::Duration;
use tokio::sync::watch;

/// Time between two signs of life.
const BEAT_EVERY: Duration = Duration::from_millis(200);
/// Silence after which the watcher acts. A slow disk may hold the guard for longer than a beat, but
/// nothing may hold it for much longer than it may be blind.
const SILENCE: Duration = Duration::from_millis(1000);
/// How long the guard waits for an answer of the watcher before it gives the run up, and for the
/// watcher's leave at the end.
const UNANSWERED: Duration = Duration::from_secs(2);
/// How long the start of the watcher may take.
const PATIENCE: Duration = Duration::from_secs(5);

/// Links and brief are there, the watcher stands by.
const READY: u8 = b'r';
/// A sign of life, and its answer.
const BEAT: u8 = b'.';
/// The run has ended and the rig is safe, confirmed by a reading: nothing is left to do.
const DONE: u8 = b'd';
/// The run has ended, but the safe state could not be confirmed.
const UNSAFE: u8 = b'u';

/// Who makes the rig safe when this process can't.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Watching {
    /// Nobody need: all instruments are simulated inside this process and end with it.
    InProcess,
    /// A process of its own.
    Process(WatcherProcess),
}

/// How the watcher is started, and where it reports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WatcherProcess {
    /// A program that calls [`stand_watch`] with its standard input.
    pub program: PathBuf,
    /// Its arguments.
    pub arguments: Vec<OsString>,
    /// File for the [`Incident`], should there be one; nothing is written otherwise.
    pub report: PathBuf,
}

/// Proof that somebody could make this rig safe if the process were killed. Only the start of a
/// watcher, or of a rig that is simulated inside this process, makes one.
pub(crate) struct Watched(watch::Receiver<Option<String>>);

impl Watched {
    /// # Errors
    /// When the watcher is lost.
    pub fn still(&self) -> Result<(), Fault> {
        match &*self.0.borrow() {
            None => Ok(()),
            Some(why) => Err(Fault::Unwatched(why.clone())),
        }
    }

    /// Ends when the watcher is lost.
    pub async fn lost(&mut self) -> Fault {
        let why = self.0.wait_for(Option::is_some).await;
        match why.map(|why| why.clone()) {
            Ok(why) => Fault::Unwatched(why.unwrap_or_default()),
            // A rig inside this process: there is nothing to lose.
            Err(_) => std::future::pending().await,
        }
    }
}
