//! The guard: the only code that may change an output, a relay or a meter function.
//!
//! A procedure *proposes* ([`Proposal`]); the guard answers with that state reached, or refuses
//! with the reason. It watches the needle itself through the [`evidence::Sight`] it owns, so
//! that the evidence for the allowance can't be forged or forgotten by a procedure.

mod act;
mod allowance;
mod bank;
mod calm;
mod check;
mod contacts;
mod core;
mod fault;
mod guard;
mod instruments;
mod learn;
mod output;
mod person;
mod pots;
mod probe;
mod probes;
#[cfg(test)]
mod properties;
mod proposal;
mod prove;
mod ramp;
mod refusal;
mod release;
mod rest;
mod rig;
mod safe;
mod state;
mod suspects;
mod trial;
mod trip;
mod watch;
mod watcher;
mod wiring;

pub use crate::allowance::{Evidence, Point, Response, SURE_MOTION};
pub use crate::check::{Drive, Dynamics, Known, LoopMeasured};
pub use crate::core::{Ending, Phase};
pub use crate::fault::Fault;
pub use crate::guard::{Guard, Wires};
pub use crate::probe::{Answer, Fit, Port, ask_identity, ports, udev_rule, unasked};
pub use crate::proposal::{Halt, Proposal, Report, Settle};
pub use crate::refusal::Refusal;
pub use crate::rest::{Stillness, Tick, stillness};
pub use crate::rig::{
    CameraSettings, CameraSource, CameraSpec, Element, Finding, Lead, Limits, MeterSpec, Part,
    Path, PersonSpec, Pot, PotBank, Protection, Range, ReaderSpec, Review, Rig, RigError,
    SupplySpec, SwitchSpec, Trip, TripLevel,
};
pub use crate::safe::SafeReport;
pub use crate::state::{Arrangement, State};
pub use crate::watcher::{Incident, WatcherProcess, Watching, Why, stand_watch};
pub use crate::wiring::{Seen, Step, Verdict, Wiring, check_wiring};
