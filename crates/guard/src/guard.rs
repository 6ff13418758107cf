//! The handle through which procedures propose, and how a guard is started.

use crate::core::{Bench, Core, Ending, Request};
use crate::fault::Fault;
use crate::instruments::Instruments;
use crate::proposal::{Halt, Proposal, Report};
use crate::rig::Rig;
use crate::watcher::Watching;
use evidence::{Journal, Sight};
use std::collections::BTreeMap;
use tokio::io::DuplexStream;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;

/// In-process wires by name, for resources of the form `INPROC::name`.
pub type Wires = BTreeMap<String, DuplexStream>;

/// A running guard. Dropping it ends the run: the guard makes the rig safe by itself.
pub struct Guard {
    requests: mpsc::Sender<Request>,
    task: JoinHandle<Ending>,
    instruments: Vec<(String, String)>,
    found: Vec<String>,
}

impl Guard {
    /// Opens supply and switch, makes the rig safe and verifies it, opens the other instruments and, by
    /// `sight`, who reads the needle, sees to it that somebody else can make it safe (`watching`), and
    /// starts the guard's task. `stop` turning true ends the run in the safe state at any moment.
    ///
    /// # Errors
    /// When an instrument or the reader can't be opened, the rig can't be made safe, or nobody watches. A rig that was
    /// left energised is made safe all the same, as far as its supply and switch can be reached; the
    /// fault says so.
    pub async fn start(
        rig: Rig,
        mut wires: Wires,
        sight: impl AsyncFnOnce(&mut Wires) -> Result<Box<dyn Sight>, Fault>,
        journal: Box<dyn Journal>,
        stop: watch::Receiver<bool>,
        watching: Watching,
    ) -> Result<Self, (Fault, Box<dyn Journal>)> {
        let ready = match Instruments::start(&rig, &mut wires, sight, watching).await {
            Ok(ready) => ready,
            Err(fault) => return Err((fault, journal)),
        };
        let mut instruments = ready.instruments.identities();
        instruments.push(("reader".to_owned(), ready.reader.name()));
        let bench = Bench {
            instruments: ready.instruments,
            sight: ready.reader,
            journal,
        };
        let (found, heart) = (ready.found, ready.heart);
        let core = Core::new(rig, bench, stop, ready.watched);
        let (requests, inbox) = mpsc::channel(1);
        let task = tokio::spawn(core.run(inbox, heart));
        Ok(Self {
            requests,
            task,
            instruments,
            found,
        })
    }

    /// What was found energised at the start, in words, before it was made safe; mostly nothing.
    pub fn found(&self) -> &[String] {
        &self.found
    }

    /// The instruments by role, as they identified themselves.
    pub fn instruments(&self) -> &[(String, String)] {
        &self.instruments
    }

    /// Proposes; returns when the state is reached, or with the reason why not.
    ///
    /// # Errors
    /// A refusal (nothing was changed), or a fault (the rig is in the safe state).
    pub async fn propose(&mut self, proposal: Proposal) -> Result<Report, Halt> {
        let (answer, answered) = oneshot::channel();
        if self
            .requests
            .send(Request { proposal, answer })
            .await
            .is_err()
        {
            return Err(Fault::Ended.into());
        }
        answered.await.unwrap_or(Err(Fault::Ended.into()))
    }

    /// Ends the run: waits until the rig is safe.
    ///
    /// # Errors
    /// When the guard's task itself was lost.
    pub async fn end(self) -> Result<Ending, Fault> {
        drop(self.requests);
        self.task
            .await
            .map_err(|error| Fault::Panic(error.to_string()))
    }
}
