//! Verifying the wiring by measurement: does each contact and resistor do what the rig file says?
//!
//! The current stays at or below the first touch, by what has been verified so far, and contacts
//! move at zero volts only. Nearly all of it happens with the movement switch open and the short
//! closed; only where switch and polarity themselves are looked at does the first touch flow in
//! whatever is in the berth.

mod bank;
mod hands;
mod look;
mod steps;

use crate::fault::Fault;
use crate::guard::Wires;
use crate::instruments::{Instruments, Ready};
use crate::rig::Rig;
use crate::safe::SafeReport;
use crate::watcher::Watching;
use futures::FutureExt;
use hands::Hands;
use quantity::Seconds;
use std::panic::AssertUnwindSafe;
use tokio::sync::watch;

/// What a look at one part came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It does what the file says.
    Good,
    /// It does not.
    Wrong,
    /// At so small a current it can't be told.
    Unseen,
}

/// One part of the rig, and what was seen of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// The part, with its relay channel.
    pub part: String,
    /// What it came to.
    pub verdict: Verdict,
    /// What the rig file lets expect.
    pub expected: String,
    /// What was found.
    pub found: String,
    /// What to look at; nothing where all is well.
    pub look_at: Option<String>,
}

/// How far the check has come.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Number of this step, from 1.
    pub number: usize,
    /// Steps altogether.
    pub of: usize,
    /// What is looked at now.
    pub what: String,
    /// Time that the rest will take, by the pace so far; not known at the first step.
    pub left: Option<Seconds>,
}

/// What the check found. The rig was made safe before this existed.
#[derive(Clone, Debug)]
pub struct Wiring {
    /// The instruments by role, as they identified themselves.
    pub instruments: Vec<(String, String)>,
    /// What was found energised at the start, before it was made safe.
    pub found: Vec<String>,
    /// Every part that was looked at.
    pub seen: Vec<Seen>,
    /// What ended the check early, if something did.
    pub fault: Option<Fault>,
    /// What making the rig safe at the end found.
    pub safe: SafeReport,
}

/// Opens the instruments, makes the rig safe, verifies its wiring, and makes it safe again. `stop`
/// turning true ends it in the safe state; `told` hears of each step.
///
/// # Errors
/// When an instrument can't be opened, the rig can't be made safe at the start, or nobody watches.
pub async fn check_wiring(
    rig: &Rig,
    mut wires: Wires,
    stop: watch::Receiver<bool>,
    watching: Watching,
    told: impl FnMut(&Step),
) -> Result<Wiring, Fault> {
    // Nobody looks at a needle here.
    let Ready {
        instruments,
        reader: (),
        found,
        mut heart,
        watched,
    } = Instruments::start(rig, &mut wires, async |_: &mut Wires| Ok(()), watching).await?;
    let identities = instruments.identities();
    let mut hands = Hands::new(rig, instruments, stop, watched, told);
    let (fault, seen, safe) = tokio::select! {
        biased;
        ended = checked(rig, &mut hands) => ended,
        never = heart.beat() => match never {},
    };
    heart.dismiss(safe.verified).await;
    let fault = fault.or_else(|| safe.failures.first().map(|f| Fault::Instrument(f.clone())));
    Ok(Wiring {
        instruments: identities,
        found,
        seen,
        fault,
        safe,
    })
}

/// The check and its safe ending, whatever happens in between.
async fn checked<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
) -> (Option<Fault>, Vec<Seen>, SafeReport) {
    let mut seen = Vec::new();
    let run = async {
        hands.go_live().await?;
        steps::all(rig, hands, &mut seen).await
    };
    let fault = match AssertUnwindSafe(run).catch_unwind().await {
        Ok(Ok(())) => None,
        Ok(Err(fault)) => Some(fault),
        Err(panic) => Some(Fault::Panic(crate::core::panic_text(&*panic))),
    };
    (fault, seen, hands.instruments.end(rig).await)
}
