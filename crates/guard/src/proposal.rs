//! What a procedure may propose, and what it gets back.

use crate::check::Dynamics;
use crate::fault::Fault;
use crate::refusal::Refusal;
use crate::rest::Tick;
use crate::state::Arrangement;
use evidence::{Observation, Purpose};
use quantity::{Amps, Seconds, Volts};

/// A proposal. The guard answers with that state reached, or with the reason why not.
#[derive(Clone, Debug, PartialEq)]
pub enum Proposal {
    /// Another arrangement of the contacts; the supply must stand at zero.
    Arrange(Arrangement),
    /// Another loop current, along an S-shaped ramp; zero length is one step.
    Drive {
        /// Loop current at the end, by what is known of the loop.
        target: Amps,
        /// Length of the ramp.
        over: Seconds,
    },
    /// Watch for a while, changing nothing.
    Hold(Seconds),
    /// Watch until the needle rests, and make an observation of it.
    Settle(Settle),
    /// Throw the polarity and back at the present current: does this needle move at all?
    Wiggle,
    /// The current gently down to zero: does the needle follow, and does its back-EMF say so?
    LetGo,
    /// The needle's period and damping have been identified from its swings.
    Identified(Dynamics),
}

/// How to settle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settle {
    /// What the observation is for.
    pub purpose: Purpose,
    /// Length of the window that must be still.
    pub window: Seconds,
    /// Slower time constant of the needle, to judge what is still to come.
    pub slow: Seconds,
    /// Motion still to come that is accepted, as a fraction of scale.
    pub tolerance: f64,
}

/// What a proposal led to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// Cycles watched meanwhile.
    pub ticks: Vec<Tick>,
    /// The observation, when one was asked for.
    pub observation: Option<Observation>,
    /// The largest current that the evidence permits.
    pub allowance: Amps,
    /// The largest drive target that would be accepted now.
    pub furthest: Amps,
    /// Loop current of the last cycle, where the loop is closed.
    pub current: Option<Amps>,
    /// Supply set-point.
    pub volts: Volts,
    /// The needle went backwards; the current was lowered.
    pub backwards: bool,
    /// A ramp ended early, where growth without motion does.
    pub cut_short: bool,
    /// Whether the movement has been proved to move, by motion or by a wiggle.
    pub moved: bool,
    /// Why growth without motion has ended, if it has.
    pub quiet_end: Option<String>,
}

/// Why a proposal was not carried out.
#[derive(Clone, Debug, thiserror::Error)]
pub enum Halt {
    /// Refused; nothing was changed.
    #[error("{0}")]
    Refused(#[from] Refusal),
    /// Something went wrong; the rig is in the safe state.
    #[error("{0}")]
    Fault(#[from] Fault),
}
