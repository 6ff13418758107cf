//! What is kept of a run besides its observations.

use evidence::RigStatement;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// The number of a run in its store, from 1; shown as "record 12".
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct RunId(i64);

impl RunId {
    /// The run with this number.
    pub const fn new(number: i64) -> Self {
        Self(number)
    }
    /// The number.
    pub const fn get(self) -> i64 {
        self.0
    }
}

impl fmt::Display for RunId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "record {}", self.0)
    }
}

/// A text that names no record.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("\"{0}\" is no record number; write for example \"12\"")]
pub struct RunIdError(String);

impl FromStr for RunId {
    type Err = RunIdError;
    fn from_str(text: &str) -> Result<Self, RunIdError> {
        let number = text.trim().trim_start_matches("record").trim();
        match number.parse() {
            Ok(number) if number > 0 => Ok(Self(number)),
            _ => Err(RunIdError(text.to_owned())),
        }
    }
}

/// What is known when a run begins.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RunHead {
    /// What the user calls the movement under test.
    pub label: String,
    /// Name of the rig.
    pub rig_name: String,
    /// The rig file as it was.
    pub rig_text: String,
    /// What the rig file states about the measuring parts.
    pub statement: RigStatement,
    /// Role and identity of each instrument.
    pub instruments: Vec<(String, String)>,
    /// Version of the program that measured.
    pub program_version: String,
    /// Seed of the simulation; none on real hardware.
    pub seed: Option<u64>,
    /// Nothing real was measured.
    pub simulated: bool,
    /// Ambient temperature in degrees Celsius and its standard uncertainty, where known.
    pub ambient: Option<(f64, f64)>,
    /// When the run began, as the caller's clock said (RFC 3339).
    pub started: String,
    /// What guarded the rig, and what was not fitted.
    pub guarded_by: Vec<String>,
    /// Anything else worth keeping.
    pub notes: Vec<String>,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// With figures.
    Result,
    /// The guard or the plan would not go on, for a stated reason.
    Refused,
    /// Something broke.
    Failed,
    /// Somebody stopped it.
    Interrupted,
}

impl Outcome {
    /// The word kept in the store.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Result => "result",
            Self::Refused => "refused",
            Self::Failed => "failed",
            Self::Interrupted => "interrupted",
        }
    }

    /// The outcome kept as `word`.
    pub(crate) fn from_word(word: &str) -> Option<Self> {
        [Self::Result, Self::Refused, Self::Failed, Self::Interrupted]
            .into_iter()
            .find(|outcome| outcome.word() == word)
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// One line of the list of runs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunSummary {
    /// Number.
    pub id: RunId,
    /// What the user calls the movement.
    pub label: String,
    /// When it began (RFC 3339).
    pub started: String,
    /// Name of the rig.
    pub rig_name: String,
    /// Nothing real was measured.
    pub simulated: bool,
    /// How it ended; none when it never did.
    pub outcome: Option<Outcome>,
    /// Observations kept.
    pub observations: u64,
    /// Results kept, recomputed ones included.
    pub results: u64,
}

impl RunSummary {
    /// The outcome in one word, "unfinished" when the run never ended.
    pub fn outcome_word(&self) -> &'static str {
        self.outcome.map_or("unfinished", Outcome::word)
    }
}

/// A result with the version of the program that computed it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StoredResult {
    /// Version of the program.
    pub program_version: String,
    /// What it computed.
    pub result: serde_json::Value,
}

/// A run as kept, without its observations.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Run {
    /// Number.
    pub id: RunId,
    /// What was known when it began.
    pub head: RunHead,
    /// How it ended; none when it never did.
    pub outcome: Option<Outcome>,
    /// Warnings given during the run.
    pub warnings: Vec<String>,
    /// Results, oldest first.
    pub results: Vec<StoredResult>,
}
