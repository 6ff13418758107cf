//! The store itself: open, begin, list, read.

use crate::writer::encode;
use crate::{
    Durability, Outcome, Run, RunHead, RunId, RunSummary, RunWriter, StoreError, StoredResult,
    Trouble, schema,
};
use evidence::Observation;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, params};
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

/// A file of runs, or the same in memory. Clones share one connection and may live on other
/// threads.
#[derive(Clone, Debug)]
pub struct Store {
    connection: Arc<Mutex<Connection>>,
    place: Arc<str>,
}

impl Store {
    /// Opens the store at `path`, creates it where there is none, and brings an older format up
    /// to date.
    ///
    /// # Errors
    /// When the file cannot be opened or written, is something else, or is of a newer format.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        Self::open_file(path.as_ref(), OpenFlags::SQLITE_OPEN_CREATE)
    }

    /// Opens the store at `path`, which must be there.
    ///
    /// # Errors
    /// As [`Store::open`], and when there is no such file.
    pub fn open_existing(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = path.as_ref();
        if path.exists() {
            return Self::open_file(path, OpenFlags::empty());
        }
        let place = path.display().to_string();
        Err(StoreError {
            place,
            doing: "open it",
            trouble: Trouble::Missing,
        })
    }

    fn open_file(path: &Path, create: OpenFlags) -> Result<Self, StoreError> {
        // No SQLITE_OPEN_URI: a file name is a file name, whatever it begins with.
        let flags = create | OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        Self::set_up(path.display().to_string(), || {
            Connection::open_with_flags(path, flags)
        })
    }

    /// A store that is gone with its last clone, for campaigns and tests.
    ///
    /// # Errors
    /// When SQLite cannot be set up.
    pub fn in_memory() -> Result<Self, StoreError> {
        Self::set_up("in memory".to_owned(), Connection::open_in_memory)
    }

    fn set_up(
        place: String,
        open: impl FnOnce() -> Result<Connection, rusqlite::Error>,
    ) -> Result<Self, StoreError> {
        let prepared = open().map_err(Trouble::from).and_then(|mut connection| {
            schema::prepare(&mut connection)?;
            Ok(connection)
        });
        match prepared {
            Ok(connection) => Ok(Self {
                connection: Arc::new(Mutex::new(connection)),
                place: place.into(),
            }),
            Err(trouble) => Err(StoreError {
                place,
                doing: "open it",
                trouble,
            }),
        }
    }

    /// Runs `work` on the connection and says what failed, and where.
    pub(crate) fn with<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&mut Connection) -> Result<T, Trouble>,
    ) -> Result<T, StoreError> {
        // A panic elsewhere leaves no half-done transaction behind: dropping one rolls it back.
        let mut connection = self
            .connection
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        work(&mut connection).map_err(|trouble| StoreError {
            place: self.place.to_string(),
            doing,
            trouble,
        })
    }

    /// Begins a run. Its head is on disk when this returns.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn begin(&self, head: &RunHead, durability: Durability) -> Result<RunWriter, StoreError> {
        let id = self.with("begin a run", |connection| {
            let data = encode("the head of the run", head)?;
            connection.execute(
                "INSERT INTO run (label, started, head) VALUES (?1, ?2, ?3)",
                params![head.label, head.started, data],
            )?;
            Ok(RunId::new(connection.last_insert_rowid()))
        })?;
        Ok(RunWriter::new(self.clone(), id, 0, durability))
    }

    /// Goes on with an unfinished run after its last observation.
    ///
    /// # Errors
    /// When there is no such run, or it has ended.
    pub fn resume(&self, id: RunId, durability: Durability) -> Result<RunWriter, StoreError> {
        let next = self.with("resume a run", |connection| {
            let (ended, next) = connection
                .query_row(
                    "SELECT EXISTS (SELECT 1 FROM ending WHERE run = id),
                            (SELECT ifnull(max(seq) + 1, 0) FROM observation WHERE run = id)
                     FROM run WHERE id = ?1",
                    [id.get()],
                    |row| Ok((row.get::<_, bool>(0)?, row.get::<_, u64>(1)?)),
                )
                .optional()?
                .ok_or(Trouble::NoSuchRun(id))?;
            if ended {
                Err(Trouble::Ended(id))
            } else {
                Ok(next)
            }
        })?;
        Ok(RunWriter::new(self.clone(), id, next, durability))
    }

    /// All runs, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn list(&self) -> Result<Vec<RunSummary>, StoreError> {
        self.with("list its runs", |connection| {
            let mut query = connection.prepare_cached(
                "SELECT id, label, started, head ->> '$.rig_name', head ->> '$.simulated', outcome,
                        (SELECT count(*) FROM observation WHERE observation.run = run.id),
                        (SELECT count(*) FROM result WHERE result.run = run.id)
                 FROM run LEFT JOIN ending ON ending.run = run.id ORDER BY id",
            )?;
            let mut rows = query.query([])?;
            let mut runs = Vec::new();
            while let Some(row) = rows.next()? {
                runs.push(summary(row)?);
            }
            Ok(runs)
        })
    }

    /// One run without its observations.
    ///
    /// # Errors
    /// When there is no such run, or it cannot be read.
    pub fn run(&self, id: RunId) -> Result<Run, StoreError> {
        self.with("read a run", |connection| read_run(connection, id))
    }

    /// The observations of a run in order, also when it never ended.
    ///
    /// # Errors
    /// When there is no such run, or an observation cannot be read.
    pub fn observations(&self, id: RunId) -> Result<Vec<Observation>, StoreError> {
        self.with("read observations", |connection| {
            require(connection, id)?;
            let mut query = connection
                .prepare_cached("SELECT seq, data FROM observation WHERE run = ?1 ORDER BY seq")?;
            let mut rows = query.query([id.get()])?;
            let mut observations = Vec::new();
            while let Some(row) = rows.next()? {
                let (seq, data): (u64, String) = (row.get(0)?, row.get(1)?);
                observations.push(decode(&data, || format!("observation {seq} of {id}"))?);
            }
            Ok(observations)
        })
    }

    /// Appends a recomputed result; the older ones stay.
    ///
    /// # Errors
    /// When there is no such run, or it cannot be written.
    pub fn add_result(
        &self,
        id: RunId,
        program_version: &str,
        result: &Value,
    ) -> Result<(), StoreError> {
        self.with("keep a result", |connection| {
            require(connection, id)?;
            let data = encode("the result", result)?;
            insert_result(connection, id, program_version, &data)
        })
    }
}

/// Refuses a run that is not there.
pub(crate) fn require(connection: &Connection, id: RunId) -> Result<(), Trouble> {
    let found: bool = connection.query_row(
        "SELECT EXISTS (SELECT 1 FROM run WHERE id = ?1)",
        [id.get()],
        |row| row.get(0),
    )?;
    if found {
        Ok(())
    } else {
        Err(Trouble::NoSuchRun(id))
    }
}

pub(crate) fn insert_result(
    connection: &Connection,
    id: RunId,
    program_version: &str,
    data: &str,
) -> Result<(), Trouble> {
    connection.execute(
        "INSERT INTO result (run, program_version, data) VALUES (?1, ?2, ?3)",
        params![id.get(), program_version, data],
    )?;
    Ok(())
}

fn decode<T: DeserializeOwned>(data: &str, row: impl Fn() -> String) -> Result<T, Trouble> {
    serde_json::from_str(data).map_err(|error| Trouble::Unreadable {
        row: row(),
        reason: error.to_string(),
    })
}

fn outcome(id: RunId, word: Option<String>) -> Result<Option<Outcome>, Trouble> {
    word.map(|word| {
        Outcome::from_word(&word).ok_or_else(|| Trouble::Unreadable {
            row: format!("the ending of {id}"),
            reason: format!("unknown outcome \"{word}\""),
        })
    })
    .transpose()
}

fn summary(row: &Row<'_>) -> Result<RunSummary, Trouble> {
    let id = RunId::new(row.get(0)?);
    Ok(RunSummary {
        id,
        label: row.get(1)?,
        started: row.get(2)?,
        rig_name: row.get(3)?,
        simulated: row.get(4)?,
        outcome: outcome(id, row.get(5)?)?,
        observations: row.get(6)?,
        results: row.get(7)?,
    })
}

pub(crate) fn read_run(connection: &Connection, id: RunId) -> Result<Run, Trouble> {
    let (head, word, warnings): (String, Option<String>, Option<String>) = connection
        .query_row(
            "SELECT head, outcome, warnings
             FROM run LEFT JOIN ending ON ending.run = run.id WHERE id = ?1",
            [id.get()],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()?
        .ok_or(Trouble::NoSuchRun(id))?;
    let ending = || format!("the ending of {id}");
    let mut query = connection
        .prepare_cached("SELECT program_version, data FROM result WHERE run = ?1 ORDER BY id")?;
    let mut rows = query.query([id.get()])?;
    let mut results = Vec::new();
    while let Some(row) = rows.next()? {
        let data: String = row.get(1)?;
        let result = decode(&data, || format!("a result of {id}"))?;
        results.push(StoredResult {
            program_version: row.get(0)?,
            result,
        });
    }
    Ok(Run {
        id,
        head: decode(&head, || format!("the head of {id}"))?,
        outcome: outcome(id, word)?,
        warnings: warnings.map_or(Ok(Vec::new()), |warnings| decode(&warnings, ending))?,
        results,
    })
}

#[cfg(test)]
mod tests;
