//! Joins a run to the store: the run begins with its first observation, when the instruments are
//! known, and is closed with its outcome.

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

    /// The instruments, as they identified themselves.
    pub fn instruments(&self, instruments: &[(String, String)]) {
        self.lock().head.instruments = instruments.to_vec();
    }

    /// The observations of this run so far.
    pub fn observations(&self) -> Vec<Observation> {
        self.lock().kept.clone()
    }

    /// Ends the run; none when nothing was ever observed.
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
        let lost = |error: StoreError| JournalError(error.to_string());
        if inner.writer.is_none() {
            inner.writer = Some(
                inner
                    .store
                    .begin(&inner.head, inner.durability)
                    .map_err(lost)?,
            );
        }
        if let Some(writer) = &mut inner.writer {
            writer.keep(observation).map_err(lost)?;
        }
        inner.kept.push(observation.clone());
        Ok(())
    }
}
