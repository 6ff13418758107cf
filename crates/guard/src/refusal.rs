//! What the guard says no with.

use quantity::{Amps, Volts, Watts};
use thiserror::Error;

/// Why the guard will not do what was proposed, or not count what it saw as evidence. Nothing was
/// changed.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum Refusal {
    /// More current than the evidence permits.
    #[error("up to {bound} could flow, but what was seen so far permits {allowance}")]
    Allowance {
        /// Worst-case current of the proposal.
        bound: Amps,
        /// What the evidence permits.
        allowance: Amps,
    },
    /// The needle could swing past the ceiling.
    #[error("the needle could swing to {:.1} % of scale; the ceiling is {:.1} %", .peak * 100.0, .ceiling * 100.0)]
    Overshoot {
        /// Highest deflection that the move could reach.
        peak: f64,
        /// The ceiling.
        ceiling: f64,
    },
    /// The needle could swing below zero.
    #[error("the needle could swing to {:.1} % of scale on its way down", .lowest * 100.0)]
    Undershoot {
        /// Lowest deflection from zero that the move could reach.
        lowest: f64,
    },
    /// A path that is not earned.
    #[error(
        "path {path} could drive {fault} by a single fault; only {proven} of full-scale current is proven"
    )]
    NotEarned {
        /// Path name.
        path: String,
        /// Its fault current.
        fault: Amps,
        /// The full-scale current proven so far.
        proven: Amps,
    },
    /// An element beyond its rating.
    #[error("{element} would take {power}; it is rated {rating}")]
    Rating {
        /// Which element.
        element: String,
        /// What it would take.
        power: Watts,
        /// Its rating.
        rating: Watts,
    },
    /// More current than potentiometers are rated for.
    #[error("the potentiometers would carry up to {current}; they are rated {rating}")]
    Carries {
        /// What they would carry.
        current: Amps,
        /// What they are rated for.
        rating: Amps,
    },
    /// A potentiometer of which a reset of the bridge would leave less.
    #[error(
        "potentiometer {number} at code {code}: a reset of the bridge brings it to {power_up}, and so          the current up; no code above {power_up} is used"
    )]
    Reset {
        /// Which potentiometer.
        number: u8,
        /// The code asked for.
        code: u16,
        /// Its code after a reset.
        power_up: u16,
    },
    /// A limit of the movement from the rig file.
    #[error("the movement would see {what}, above the limit of the rig file ({limit})")]
    Movement {
        /// What it would see.
        what: String,
        /// The limit.
        limit: String,
    },
    /// Beyond what the supply or the range gives.
    #[error("{target} needs {volts}, beyond what this range gives")]
    Range {
        /// The current asked for.
        target: Amps,
        /// The voltage it would take.
        volts: Volts,
    },
    /// Backwards beyond what is known to be harmless.
    #[error("{bound} backwards is not known to be harmless; {limit} is")]
    Backwards {
        /// Worst-case current.
        bound: Amps,
        /// What is known to be harmless.
        limit: Amps,
    },
    /// Growth without motion has ended.
    #[error("no more current without motion: {0}")]
    Quiet(String),
    /// A needle that does not follow the current.
    #[error(
        "the needle sticks: it stands at {:.1} % of scale, at least {:.1} % below where {current} must \
         bring it; more current could let it jump. Look for dirt in the gap and at the pivots",
        .deflection * 100.0, .lag * 100.0
    )]
    Sticks {
        /// Where it stands, as a fraction of scale.
        deflection: f64,
        /// By how much it stayed behind, as a fraction of scale.
        lag: f64,
        /// The current that flows.
        current: Amps,
    },
    /// A needle that is not near zero without current.
    #[error(
        "without current the needle stands at {:.1} % of scale: set its zero adjuster; or is the reader \
         looking at another dial?",
        .0 * 100.0
    )]
    Zero(f64),
    /// Something must be done first.
    #[error("{0}")]
    Order(&'static str),
}
