//! The steps of the check, from what everything else leans on to what leans on everything.

mod banks;
mod berth;
mod pots;
mod senses;

use super::bank::{Bank, Kind, ohms};
use super::hands::Hands;
use super::look::Look;
use super::{Seen, Step, Verdict};
use crate::fault::Fault;
use crate::rig::Rig;
use quantity::Ohms;
use std::collections::BTreeSet;

/// What the steps lean on.
struct Base {
    path: usize,
    sense: usize,
    /// Measured loop with the series bank shorted, and its doubt, Ω.
    total: (f64, f64),
    /// Least loop resistance that is verified.
    least: Ohms,
    /// Doubt that is left about the supply's step, V.
    rest: f64,
    /// The loop meter reads the wrong way round.
    negative: bool,
}

impl Base {
    /// Share by which a difference of resistances may be off, at this step of the supply.
    fn share(&self, rig: &Rig, set: f64) -> f64 {
        rig.supply.accuracy + (self.rest + 0.5 * rig.supply.resolution.get()) / set
    }
}

/// All steps. Ends early where nothing further can be told.
pub(super) async fn all<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let pots = rig.pots.as_ref().map_or(0, |bank| bank.pots.len());
    let banks = rig.sense.len() + rig.paths.len() + rig.series.len() + pots + rig.shunt.len();
    hands.expect(banks + 8);
    let Some(base) = senses::senses(rig, hands, into).await? else {
        let found = "everything else leans on this; check again once it is right";
        into.push(seen("all other parts", Verdict::Unseen, "", found, ""));
        return Ok(());
    };
    banks::paths(rig, hands, &base, into).await?;
    if !rig.series.is_empty() {
        banks::series(rig, hands, &base, into).await?;
    }
    pots::pots(rig, hands, &base, into).await?;
    banks::openings(rig, hands, &base, into).await?;
    if berth::short_and_switch(rig, hands, &base, into).await? {
        berth::shunts(rig, hands, &base, into).await?;
        berth::movement(rig, hands, &base, into).await?;
    }
    hands.put(BTreeSet::new()).await
}

/// A path and a sense element in the loop, the series bank shorted, the short closed.
fn loop_of(rig: &Rig, path: usize, sense: usize) -> BTreeSet<u32> {
    let mut set = BTreeSet::from([rig.switch.source, rig.paths[path].fixed.channel]);
    set.insert(rig.sense[sense].channel);
    set.extend(rig.series.iter().map(|e| e.channel));
    set.extend(rig.switch.bypass);
    set
}

fn with(mut set: BTreeSet<u32>, channels: impl IntoIterator<Item = u32>) -> BTreeSet<u32> {
    set.extend(channels);
    set
}

fn without(mut set: BTreeSet<u32>, channel: u32) -> BTreeSet<u32> {
    set.remove(&channel);
    set
}

fn seen(part: &str, verdict: Verdict, expected: &str, found: &str, look_at: &str) -> Seen {
    Seen {
        part: part.to_owned(),
        verdict,
        expected: expected.to_owned(),
        found: found.to_owned(),
        look_at: (verdict == Verdict::Wrong).then(|| look_at.to_owned()),
    }
}

fn judged(good: bool) -> Verdict {
    if good { Verdict::Good } else { Verdict::Wrong }
}

fn too_coarse(part: &str) -> Seen {
    let found = "the supply's smallest step drives more than the first touch through this loop";
    seen(part, Verdict::Unseen, "a current to look at", found, "")
}

/// Contacts in the loop at most, Ω.
fn contacts(rig: &Rig) -> f64 {
    let one = rig.switch.contact.get();
    let bank = match rig.switch.bypass {
        Some(_) => 1.0,
        None => rig.series.len() as f64,
    };
    one * (bank + 4.0) + rig.switch.main_contact.get() * 2.0
}

fn path_bank(rig: &Rig) -> Bank<'_> {
    Bank {
        name: "path",
        kind: Kind::Beside,
        elements: rig.paths.iter().map(|p| &p.fixed).collect(),
    }
}

/// The loop must be open now.
fn opened(rig: &Rig, base: &Base, part: &str, look: &Look, look_at: &str) -> Seen {
    let found = match look.total(rig.sense[base.sense].ohms.get()) {
        None => "nothing flows".to_owned(),
        Some((total, _)) => format!("current flows, as through {}", ohms(total)),
    };
    let verdict = judged(!look.flows());
    seen(part, verdict, "opens the loop", &found, look_at)
}
