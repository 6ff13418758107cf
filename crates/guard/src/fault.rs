//! Faults: each ends the run in the safe state.

use drivers::DriverError;
use evidence::JournalError;
use quantity::{Amps, Seconds, Volts};
use thiserror::Error;

/// What went wrong. The rig is in the safe state when a caller sees this.
#[derive(Clone, Debug, Error)]
pub enum Fault {
    /// An instrument or its link.
    #[error("{0}")]
    Instrument(String),
    /// Read-back differs from what was set.
    #[error("{what} reads back {found} after {wanted} was set")]
    ReadBack {
        /// What was set.
        what: &'static str,
        /// What was set to.
        wanted: String,
        /// What was read.
        found: String,
    },
    /// An independent reading differs from what the circuit allows.
    #[error(
        "the loop carries {found}, but at most {bound} was possible: the rig is not what its file says"
    )]
    Current {
        /// What was read.
        found: Amps,
        /// What was possible.
        bound: Amps,
    },
    /// Less than half of what the set-point must drive at least.
    #[error(
        "the supply is set to {volts}, but the loop carries {found} where at least {least} must flow: \
         look at the supply's output, the source contact and the path, and whether a trip has let go"
    )]
    NothingFlows {
        /// Set-point.
        volts: Volts,
        /// What was read.
        found: Amps,
        /// What must flow, by the drop measured and the rig file.
        least: Amps,
    },
    /// Less current at rest than set-point, drop and rig file require.
    #[error(
        "the supply is set to {volts}, but the loop carries {found} where at least {least} must flow: \
         the rig is not what its file says; look at the supply, and at the sense bank, which is the ruler here"
    )]
    TooLittle {
        /// Set-point.
        volts: Volts,
        /// What was read.
        found: Amps,
        /// What must flow, by the drop measured and the rig file.
        least: Amps,
    },
    /// A reading overloaded where the circuit allows none.
    #[error("the {0} meter overloads where the circuit allows no such voltage")]
    Overload(&'static str),
    /// The needle is beyond the ceiling.
    #[error("the needle stands at {:.1} % of scale, beyond the ceiling", .0 * 100.0)]
    BeyondCeiling(f64),
    /// The needle stood still, and was elsewhere all at once, with nothing changed.
    #[error(
        "the needle stood at {:.1} % of scale and is at {:.1} % all at once, with nothing changed: does it \
         stick, or has something come between the reader and this dial?",
        .from * 100.0, .to * 100.0
    )]
    Jumped {
        /// Where it stood.
        from: f64,
        /// Where it is seen.
        to: f64,
    },
    /// The needle was not seen for too long while current could flow.
    #[error("the needle has not been seen for {blind}: {reason}")]
    LossOfSight {
        /// How long.
        blind: Seconds,
        /// The reader's last reason.
        reason: String,
    },
    /// The needle does not come to rest.
    #[error("the needle has not come to rest within {0}")]
    Restless(Seconds),
    /// Longer near full scale than the rig file allows.
    #[error("the needle has stood above 90 % of scale for {0}, the limit of the rig file")]
    TooLongNearFullScale(Seconds),
    /// An observation could not be kept.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// Somebody asked to stop.
    #[error("interrupted")]
    Interrupted,
    /// Nobody would make the rig safe if this program were killed.
    #[error("{0}; nobody would switch the output off if this program were killed")]
    Unwatched(String),
    /// A defect in the program.
    #[error("a defect in the program stopped the guard: {0}")]
    Panic(String),
    /// The supply is on, or not at zero, where it must be off.
    #[error("the supply still gives {0} after it was switched off")]
    NotOff(Volts),
    /// The guard has ended.
    #[error("the guard has ended; the rig is in the safe state")]
    Ended,
}

impl From<DriverError> for Fault {
    fn from(error: DriverError) -> Self {
        Self::Instrument(error.to_string())
    }
}
