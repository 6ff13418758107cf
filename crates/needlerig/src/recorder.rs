//! Joins a run to the store: the run begins when the instruments are known, before anything is
//! energised, and is closed with its outcome.

use evidence::{Journal, JournalError, Observation};
use records::{Durability, Outcome, RunHead, RunId, RunWriter, Store, StoreError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

struct Inner {
    store: Store,
    head: RunHead,
    durability: Durability,
    writer: Option<RunWriter>,
    kept: Vec<Observation>,
}

/// One run's place in the store. Clones share it.
#[derive(Clone)]
pub struct Recorder(Arc<Mutex<Inner>>);

impl Recorder {
    /// For a run that has not begun.
    pub fn new(store: Store, head: RunHead, durability: Durability) -> Self {
        Self(Arc::new(Mutex::new(Inner {
            store,
            head,
            durability,
            writer: None,
            kept: Vec::new(),
        })))
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins the run with the instruments, as they identified themselves, and further notes.
    ///
    /// # Errors
    /// When it can't be kept.
    pub fn begin(
        &self,
        instruments: &[(String, String)],
        notes: impl IntoIterator<Item = String>,
    ) -> Result<(), JournalError> {
        let mut inner = self.lock();
        inner.head.instruments = instruments.to_vec();
        inner.head.notes.extend(notes);
        let writer = inner.store.begin(&inner.head, inner.durability);
        inner.writer = Some(writer.map_err(lost)?);
        Ok(())
    }

    /// What is known of the run.
    pub fn head(&self) -> RunHead {
        self.lock().head.clone()
    }

    /// The observations of this run so far.
    pub fn observations(&self) -> Vec<Observation> {
        self.lock().kept.clone()
    }

    /// Ends the run; none when it never began.
    ///
    /// # Errors
    /// When it can't be kept.
    pub fn finish(
        &self,
        outcome: Outcome,
        result: &serde_json::Value,
        warnings: &[String],
    ) -> Result<Option<RunId>, StoreError> {
        let writer = self.lock().writer.take();
        writer
            .map(|writer| writer.finish(outcome, result, warnings))
            .transpose()
    }
}

impl Journal for Recorder {
    fn append(&mut self, observation: &Observation) -> Result<(), JournalError> {
        let mut inner = self.lock();
        let Some(writer) = &mut inner.writer else {
            return Err(JournalError("the run has not begun, or has ended".into()));
        };
        writer.keep(observation).map_err(lost)?;
        tracing::trace!(target: "needlerig::kept", seq = observation.seq);
        inner.kept.push(observation.clone());
        Ok(())
    }
}

fn lost(error: StoreError) -> JournalError {
    JournalError(error.to_string())
}
