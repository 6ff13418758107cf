//! Observations: appended as they happen, never altered.

use crate::Needle;
use quantity::{Amps, Ohms, Seconds, Volts};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// What the observation was made for. The analysis picks its data by this.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// A monitoring cycle while something moves or settles.
    Watch,
    /// At rest without current, before anything was driven.
    ZeroBefore,
    /// At rest without current, after full scale.
    ZeroAfter,
    /// At rest, approached from below.
    Rising,
    /// At rest, approached from above.
    Falling,
    /// At rest, approached from below, shunt open; first half of a half-shunt pair.
    Unshunted,
    /// At rest, approached from below, shunt closed; second half of a half-shunt pair.
    Shunted,
    /// At rest with the polarity reversed.
    Reversed,
}

/// What the rig was set to, in terms of the rig file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Setting {
    /// Supply set-point.
    pub supply: Volts,
    /// Name of the path in use; none when all are open.
    pub path: Option<String>,
    /// Stated resistance of path and series bank together.
    pub series: Ohms,
    /// Stated resistance of the sense element in use; none when all are open.
    pub sense: Option<Ohms>,
    /// Stated resistances of the shunt elements closed across the movement, in parallel.
    pub shunt: Vec<Ohms>,
    /// Polarity contact thrown.
    pub reversed: bool,
    /// Movement switch closed and short open.
    pub connected: bool,
    /// The most current that the guard counts with while this setting lasts; none in records made
    /// before it was kept.
    #[serde(default)]
    pub bound: Option<Amps>,
}

/// The mean of `n` readings of one instrument, in SI units.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Mean.
    pub value: f64,
    /// Sample standard deviation of one reading; zero when `n` is 1.
    pub s: f64,
    /// Number of readings.
    pub n: u32,
    /// The instrument's range, upper end, in SI units.
    pub range: f64,
}

/// What was set, what was read, and when.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// Position in the run, from 0.
    pub seq: u64,
    /// Seconds since the start of the run.
    pub at: Seconds,
    /// What it was made for.
    pub purpose: Purpose,
    /// Contacts and set-point.
    pub set: Setting,
    /// Voltage over the sense element, in volts.
    pub loop_drop: Option<Reading>,
    /// Four-wire drop across the movement, in volts.
    pub drop: Option<Reading>,
    /// Supply read-back, in volts.
    pub supply: Option<Reading>,
    /// Mean needle; its `u` is the standard uncertainty of the mean.
    pub needle: Option<Needle>,
    /// Standard deviation of one sighting about the mean; zero when there is one.
    pub needle_s: f64,
    /// Sightings in the mean.
    pub sightings: u32,
    /// Sightings refused meanwhile, and the last reason.
    pub refused: Option<(u32, String)>,
    /// Estimated rest of the motion still to come, as a fraction of full scale.
    pub unsettled: f64,
    /// Made while the rig was at rest; not told in records made before it was kept.
    #[serde(default)]
    pub rested: bool,
}

impl Observation {
    /// Made while the rig was at rest, not of one cycle of watching. Records that don't tell have means
    /// of several readings there.
    pub fn of_rest(&self) -> bool {
        self.rested || self.loop_drop.is_some_and(|reading| reading.n > 1)
    }

    /// Current through the sense element, by its stated resistance.
    pub fn loop_current(&self) -> Option<Amps> {
        Some(Volts::new(self.loop_drop?.value) / self.set.sense?)
    }
}

/// Why an observation could not be kept.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("the observation could not be kept: {0}")]
pub struct JournalError(pub String);

/// Who keeps observations.
pub trait Journal: Send {
    /// Keeps one observation. When this returns, it is as safe as the journal promises.
    ///
    /// # Errors
    /// When it could not be kept; the run then ends in the safe state.
    fn append(&mut self, observation: &Observation) -> Result<(), JournalError>;
}

impl Journal for Vec<Observation> {
    fn append(&mut self, observation: &Observation) -> Result<(), JournalError> {
        self.push(observation.clone());
        Ok(())
    }
}
