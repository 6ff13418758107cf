//! One look at the needle.

use serde::{Deserialize, Serialize};
use std::future::Future;
use std::pin::Pin;

/// Where the needle stands, in fractions of the printed scale (0 = zero mark, 1 = full-scale mark).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Needle {
    /// Deflection as a fraction of full scale.
    pub deflection: f64,
    /// Standard uncertainty of this one sighting that averages out over many.
    pub u: f64,
    /// Standard uncertainty that all sightings of this dial share (geometry, scale set-up).
    pub u_shared: f64,
}

/// A sighting: the needle, or a refusal with its reason. A refusal means "unknown", never "zero".
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sighting {
    /// How long before its delivery the picture was taken, in seconds.
    pub age: f64,
    /// The needle, or why it could not be read.
    pub seen: Result<Needle, String>,
}

/// The future of one look.
pub type SightFuture<'a> = Pin<Box<dyn Future<Output = Sighting> + Send + 'a>>;

/// Where a person holds the leads of a meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Probed {
    /// Across the sense element.
    Sense,
    /// Across the movement, at its own terminals.
    Movement,
}

/// The future of voltages that a person reads, in volts, one for each place; or why there are none.
pub type ProbeFuture<'a> = Pin<Box<dyn Future<Output = Result<Vec<f64>, String>> + Send + 'a>>;

/// Who reads the needle: a camera, a person, a recording or the simulator.
pub trait Sight: Send {
    /// Looks once. A lost reader answers with refusals.
    fn look(&mut self) -> SightFuture<'_>;

    /// What reads, for the record.
    fn name(&self) -> String;

    /// Whether each look takes a person's time. Such a reader is asked, and not looked at all the
    /// time.
    fn by_person(&self) -> bool {
        false
    }

    /// Looks once, a person being told `about` what: what flows, or why an answer can't be.
    fn ask<'a>(&'a mut self, about: &'a str) -> SightFuture<'a> {
        let _ = about;
        self.look()
    }

    /// Holds a meter to these `places`, one after another, a person being told `about` what.
    fn probe<'a>(&'a mut self, about: &'a str, places: &'a [Probed]) -> ProbeFuture<'a> {
        let _ = (about, places);
        let none = "this reader holds no meter".to_owned();
        Box::pin(std::future::ready(Err(none)))
    }
}
