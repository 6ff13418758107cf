//! A journal that compares what the rig really drove with what the guard counted with.

use super::{ENDLESS, NO_END, open};
use evidence::{Journal, JournalError, Observation};
use guard::Rig;
use hw_sim::SharedBench;
use quantity::Amps;
use std::sync::{Arc, Mutex};

/// Below this a current counts as none, A: the leakage granted to open contacts.
const LEAKAGE: f64 = 1e-9;

/// The largest ratios so far.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ratios {
    /// Largest driven current over the guard's bound of that moment.
    pub over_bound: f64,
    /// Largest driven current over the fault current of the heaviest path used so far, and of the one
    /// whose contact closes by itself.
    pub over_fault: f64,
    /// Bound at the last observation, and the largest fault current up to then.
    last: (Amps, Amps),
}

impl Ratios {
    /// The rig drove this since the last observation; these hold from now on.
    fn next(&mut self, driven: f64, bound: Amps, fault_current: Amps) {
        if driven > LEAKAGE {
            let held = self.last.0.max(bound);
            self.over_bound = self.over_bound.max(driven / held.get());
            // A contact of any path used so far may have welded.
            let path = self.last.1.max(fault_current);
            // Without a path nothing of the rig drives anything; the bound says so already.
            if path > Amps::ZERO {
                self.over_fault = self.over_fault.max(driven / path.get());
            }
        }
        self.last = (bound, self.last.1.max(fault_current));
    }
}

/// The journal; clones share what it found.
#[derive(Clone)]
pub struct Compare {
    bench: SharedBench,
    rig: Arc<Rig>,
    /// Fault current of a path whose contact may close by itself.
    closing: Amps,
    found: Arc<Mutex<Ratios>>,
}

impl Compare {
    /// A journal for a run of this rig on this bench.
    pub fn new(bench: &SharedBench, rig: &Arc<Rig>) -> Self {
        Self {
            bench: Arc::clone(bench),
            rig: Arc::clone(rig),
            closing: Amps::ZERO,
            found: Arc::default(),
        }
    }

    /// For a rig on which the contact of a path may close by itself that has this fault current.
    pub fn closing(self, closing: Amps) -> Self {
        Self { closing, ..self }
    }

    /// What was found, once the bench is where it should be looked at for the last time: the rig
    /// drove `driven` since the last observation, and the guard counted with `bound`.
    pub fn end(&self, driven: f64, bound: Amps) -> Ratios {
        let mut found = open(&self.found);
        found.next(driven, bound, Amps::ZERO);
        *found
    }
}

impl Journal for Compare {
    fn append(&mut self, observation: &Observation) -> Result<(), JournalError> {
        if observation.at.get() > ENDLESS {
            return Err(JournalError(NO_END.to_owned()));
        }
        let driven = open(&self.bench).take_driven();
        let Some(bound) = observation.set.bound else {
            return Err(JournalError("the guard states no bound".to_owned()));
        };
        let name = observation.set.path.as_deref();
        let mut paths = self.rig.paths.iter();
        let path = paths.find(|path| Some(path.name.as_str()) == name);
        let used = path.map_or(Amps::ZERO, |path| path.fault_current);
        let fault_current = used + self.closing;
        open(&self.found).next(driven, bound, fault_current);
        Ok(())
    }
}
