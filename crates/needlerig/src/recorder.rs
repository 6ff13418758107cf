//! Joins a run to the store: the run begins when the instruments are known, before anything is
//! energised, and is closed with its outcome.

use evidence::{Journal, JournalError, Observation};
use quantity::Seconds;
use records::{Durability, Outcome, RunHead, RunId, RunWriter, Store, StoreError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

struct Inner {
    store: Store,
    head: RunHead,
    durability: Durability,
    writer: Option<RunWriter>,
    kept: Vec<Observation>,
    /// The unfinished run that this one goes on with.
    unfinished: Option<RunId>,
    /// When its last observation was made.
    before: Seconds,
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
            unfinished: None,
            before: Seconds::ZERO,
        })))
    }

    /// For a run that goes on with an unfinished one, in the same record.
    ///
    /// # Errors
    /// When its observations can't be read.
    pub fn resuming(
        store: Store,
        head: RunHead,
        durability: Durability,
        unfinished: RunId,
    ) -> Result<Self, StoreError> {
        let kept = store.observations(unfinished)?;
        let before = kept.iter().map(|o| o.at).fold(Seconds::ZERO, Seconds::max);
        let recorder = Self::new(store, head, durability);
        {
            let mut inner = recorder.lock();
            inner.kept = kept;
            inner.unfinished = Some(unfinished);
            inner.before = before;
        }
        Ok(recorder)
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
        let writer = match inner.unfinished {
            Some(run) => inner.store.resume(run, inner.durability),
            None => inner.store.begin(&inner.head, inner.durability),
        };
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
        let before = inner.before;
        let Some(writer) = &mut inner.writer else {
            return Err(JournalError("the run has not begun, or has ended".into()));
        };
        // Its number and its time count from the beginning of the record.
        let observation = Observation {
            seq: writer.next_seq(),
            at: before + observation.at,
            ..observation.clone()
        };
        writer.keep(&observation).map_err(lost)?;
        tracing::trace!(target: "needlerig::kept", seq = observation.seq);
        inner.kept.push(observation);
        Ok(())
    }
}

fn lost(error: StoreError) -> JournalError {
    JournalError(error.to_string())
}
