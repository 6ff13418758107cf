//! Recorded sightings, played back.

use crate::report::refusal;
use evidence::{Sight, SightFuture, Sighting};

/// Plays recorded sightings in order, one for each look. After the last it refuses.
#[derive(Clone, Debug)]
pub struct Replay {
    name: String,
    rest: std::vec::IntoIter<Sighting>,
}

impl Replay {
    /// A recording under its name.
    pub fn new(name: &str, sightings: Vec<Sighting>) -> Self {
        Self {
            name: name.to_owned(),
            rest: sightings.into_iter(),
        }
    }
}

impl Sight for Replay {
    fn look(&mut self) -> SightFuture<'_> {
        let sighting = self.rest.next();
        Box::pin(std::future::ready(sighting.unwrap_or_else(|| {
            refusal("the recording has ended".to_owned())
        })))
    }

    fn name(&self) -> String {
        format!("recording {}", self.name)
    }
}
