//! Plain data that all sides share: what was set, what was read and when, and the two traits
//! through which the guard sees the needle ([`Sight`]) and hands over what it saw ([`Journal`]).

mod observation;
mod sighting;
mod statement;

pub use observation::{Journal, JournalError, Observation, Purpose, Reading, Setting};
pub use sighting::{Needle, ProbeFuture, Probed, Sight, SightFuture, Sighting};
pub use statement::{Element, MeterRange, RigStatement};
