//! The writer of one run.

use crate::store::insert_result;
use crate::{Outcome, RunId, Store, StoreError, Trouble};
use evidence::{Journal, JournalError, Observation};
use rusqlite::{Connection, TransactionBehavior, params};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// When an observation is on disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Durability {
    /// Before it is acknowledged. For real rigs: what a movement went through cannot be repeated.
    Full,
    /// In groups of 500, and at the end. For simulated rigs, which their seed repeats.
    Grouped,
}

/// Observations in one commit under [`Durability::Grouped`].
const GROUP: usize = 500;

/// Keeps the observations of one run.
///
/// Dropped without [`RunWriter::finish`], the run stays listed as unfinished; what was appended is
/// written first, as far as that is possible.
#[derive(Debug)]
pub struct RunWriter {
    store: Store,
    id: RunId,
    next: u64,
    group: usize,
    /// Position and text of each observation that is not yet committed.
    waiting: Vec<(u64, String)>,
}

impl RunWriter {
    pub(crate) fn new(store: Store, id: RunId, next: u64, durability: Durability) -> Self {
        let group = match durability {
            Durability::Full => 1,
            Durability::Grouped => GROUP,
        };
        Self {
            store,
            id,
            next,
            group,
            waiting: Vec::new(),
        }
    }

    /// The run that is written.
    pub const fn id(&self) -> RunId {
        self.id
    }

    /// Position of the observation that comes next.
    pub const fn next_seq(&self) -> u64 {
        self.next
    }

    /// Keeps one observation, which must read back exactly as it is.
    ///
    /// # Errors
    /// When it is out of order, holds a number that is not finite, or cannot be written. After a
    /// failed write the observation stays waiting for the next commit.
    pub fn keep(&mut self, observation: &Observation) -> Result<(), StoreError> {
        let (expected, found) = (self.next, observation.seq);
        let text = self.store.with("keep an observation", |_| {
            if found != expected {
                return Err(Trouble::OutOfOrder { expected, found });
            }
            encode("the observation", observation)
        })?;
        self.waiting.push((found, text));
        self.next += 1;
        if self.waiting.len() >= self.group {
            self.flush()
        } else {
            Ok(())
        }
    }

    /// Commits what waits.
    ///
    /// # Errors
    /// When it cannot be written; it then goes on waiting.
    pub fn flush(&mut self) -> Result<(), StoreError> {
        let Self {
            store, id, waiting, ..
        } = self;
        if waiting.is_empty() {
            return Ok(());
        }
        store.with("keep observations", |connection| {
            let transaction =
                connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            insert_observations(&transaction, *id, waiting)?;
            Ok(transaction.commit()?)
        })?;
        waiting.clear();
        Ok(())
    }

    /// Ends the run: its last observations, outcome, warnings and result in one commit. A result
    /// of `null` is none.
    ///
    /// # Errors
    /// When it cannot be written; the run then stays unfinished.
    pub fn finish(
        mut self,
        outcome: Outcome,
        result: &Value,
        warnings: &[String],
    ) -> Result<RunId, StoreError> {
        let Self {
            store, id, waiting, ..
        } = &mut self;
        store.with("end a run", |connection| {
            let warnings = encode("the list of warnings", &warnings.to_vec())?;
            let transaction =
                connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            insert_observations(&transaction, *id, waiting)?;
            if !result.is_null() {
                let version: String = transaction.query_row(
                    "SELECT head ->> '$.program_version' FROM run WHERE id = ?1",
                    [id.get()],
                    |row| row.get(0),
                )?;
                insert_result(&transaction, *id, &version, &encode("the result", result)?)?;
            }
            transaction.execute(
                "INSERT INTO ending (run, outcome, warnings) VALUES (?1, ?2, ?3)",
                params![id.get(), outcome.word(), warnings],
            )?;
            Ok(transaction.commit()?)
        })?;
        waiting.clear();
        Ok(*id)
    }
}

impl Journal for RunWriter {
    fn append(&mut self, observation: &Observation) -> Result<(), JournalError> {
        self.keep(observation)
            .map_err(|error| JournalError(error.to_string()))
    }
}

impl Drop for RunWriter {
    fn drop(&mut self) {
        if let Err(error) = self.flush() {
            tracing::error!(
                "{} observations of {} are lost: {error}",
                self.waiting.len(),
                self.id
            );
        }
    }
}

fn insert_observations(
    connection: &Connection,
    id: RunId,
    waiting: &[(u64, String)],
) -> Result<(), Trouble> {
    let mut insert = connection
        .prepare_cached("INSERT INTO observation (run, seq, data) VALUES (?1, ?2, ?3)")?;
    for (seq, data) in waiting {
        insert.execute(params![id.get(), seq, data])?;
    }
    Ok(())
}

/// `value` as JSON that reads back as exactly `value`. JSON has no word for infinity or
/// not-a-number and writes `null` instead; such a value is refused here, not found out years later.
pub(crate) fn encode<T>(what: &str, value: &T) -> Result<String, Trouble>
where
    T: Serialize + DeserializeOwned + PartialEq,
{
    let text = serde_json::to_string(value).map_err(|_| Trouble::NotKept(what.to_owned()))?;
    match serde_json::from_str::<T>(&text) {
        Ok(back) if back == *value => Ok(text),
        _ => Err(Trouble::NotKept(what.to_owned())),
    }
}
