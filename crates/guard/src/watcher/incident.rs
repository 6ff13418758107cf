//! What a watcher did, kept in a file for the next start.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::fs::{File, rename};
use std::io::{Result, Write};
use std::path::Path;

/// Why a watcher acted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// The program ended without a word: killed, out of memory, or by a defect.
    Ended,
    /// The program gave no sign of life any more.
    Silent,
    /// The program could not make the rig safe by itself.
    NotSafe,
}

/// What a watcher did.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Incident {
    /// Name of the rig.
    pub rig: String,
    /// Number of the process that was watched.
    pub process: u32,
    /// When the watcher acted, in seconds since 1970-01-01 UTC.
    pub at: f64,
    /// Why.
    pub why: Why,
    /// Whether a reading has confirmed that nothing is driven.
    pub safe: bool,
    /// Seconds until that was known, or until now.
    pub took: f64,
    /// How often it was tried.
    pub attempts: u32,
    /// What failed in the last attempt.
    pub failures: Vec<String>,
}

impl Incident {
    /// Writes the report so that it is there as a whole or not at all.
    pub(crate) fn write(&self, path: &Path) -> Result<()> {
        let part = path.with_extension("part");
        let mut file = File::create(&part)?;
        serde_json::to_writer(&mut file, self)?;
        file.flush()?;
        file.sync_all()?;
        rename(&part, path)
    }
}

impl fmt::Display for Incident {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (process, rig, took) = (self.process, &self.rig, self.took);
        let why = match self.why {
            Why::Ended => "ended without a word (killed, out of memory, or a defect)",
            Why::Silent => "gave no sign of life any more and was ended",
            Why::NotSafe => "ended, but could not confirm that the rig is safe",
        };
        write!(f, "a run on \"{rig}\" (process {process}) {why}; ")?;
        if self.safe {
            write!(
                f,
                "its watcher switched the supply off and released all contacts, and confirmed it \
                 by a reading {took:.2} s later"
            )
        } else {
            write!(
                f,
                "its watcher could NOT confirm that the rig is safe, after {} attempts in \
                 {took:.0} s ({}); switch the supply off by hand",
                self.attempts,
                self.failures.join("; ")
            )
        }
    }
}
