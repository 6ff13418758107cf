//! The plan that characterises one movement: zero, creep to the first sign of motion, exponent,
//! period, then the sweep over the scale, repeats at full scale, the half-shunt pair, zero again.

mod creep;
mod half_shunt;
mod hand;
mod sweep;

use crate::plan::{Outcome, Plan, Stopped, Voice};
use evidence::Purpose;
use guard::Rig;
use hand::Hand;
use quantity::{Amps, Seconds};
use std::sync::Arc;

/// How much is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// All marks, repeats at full scale, two half-shunt pairs.
    Full,
    /// Fewer marks and repeats: wider intervals in a third of the time.
    Quick,
}

/// Deflection from which on a step shows period and damping well.
const SHOWS_SWINGS: f64 = 0.08;

/// The plan for one movement on this rig.
pub fn characterize(rig: Arc<Rig>, depth: Depth) -> Plan {
    Plan::new(move |voice| script(voice, rig, depth))
}

async fn script(voice: Voice, rig: Arc<Rig>, depth: Depth) -> Result<Outcome, Stopped> {
    let mut hand = Hand::new(voice, rig, depth)?;
    hand.begin().await?;
    if let Some(reason) = creep::creep(&mut hand).await? {
        hand.finish().await?;
        return Ok(Outcome::NothingMoves(reason));
    }
    learn_to_move(&mut hand).await?;
    sweep::final_range(&mut hand).await?;
    if hand.dynamics.is_none() && !hand.rig.read_by_person() {
        period_and_damping(&mut hand).await?;
    }
    sweep::scale(&mut hand).await?;
    sweep::repeats(&mut hand).await?;
    half_shunt::pairs(&mut hand).await?;
    hand.finish().await?;
    Ok(Outcome::Complete)
}

/// What a range holds that is chosen for the first of several steps up.
const GROWS: f64 = 2.0;
/// Rests in a row that brought the current no further, after which another range must help.
const NO_FURTHER: u32 = 2;

/// From the first sign of motion to a known exponent, period and damping.
async fn learn_to_move(hand: &mut Hand) -> Result<(), Stopped> {
    hand.say("first motion", 0.30).await;
    let mut here = hand.here;
    let mut no_further = 0;
    for _ in 0..14 {
        if here >= SHOWS_SWINGS && hand.law.exponent().is_some() {
            break;
        }
        // The first step in a finer range is to be one that it can make.
        let mut most = None;
        if no_further == NO_FURTHER {
            if !hand.finer_range().await? {
                break;
            }
            no_further = 0;
            most = Some(hand.range.top);
        }
        let before = hand.current;
        let mark = hand.law.times(here, 2.2);
        let next = hand.law.current_for(mark).unwrap_or(Amps::ZERO);
        // A needle that hangs below its zero is no reason to go down.
        let next = most.map_or(next, |most| next.min(most)).max(before);
        hand.reach(next, GROWS).await?;
        hand.drive(next).await?;
        here = hand.settle(Purpose::Rising).await?;
        // The supply's next step may be a larger one than is allowed; with more resistance it is smaller.
        no_further = match hand.current > before * 1.002 {
            true => 0,
            false => no_further + 1,
        };
    }
    period_and_damping(hand).await
}

/// A step a little farther up, and what the needle does after it.
async fn period_and_damping(hand: &mut Hand) -> Result<(), Stopped> {
    hand.say("period and damping", 0.36).await;
    let next = hand.law.current_for(hand.here + 0.12).unwrap_or(Amps::ZERO);
    hand.reach(next, GROWS).await?;
    // No eye follows a swing: with a person the needle stays the slowest that there may be.
    if hand.law.exponent().is_some() && !hand.rig.read_by_person() {
        hand.swing(next).await?;
    }
    hand.settle(Purpose::Rising).await?;
    Ok(())
}

impl Hand {
    /// Contacts arranged, current at zero, zero of needle and meters seen.
    async fn begin(&mut self) -> Result<(), Stopped> {
        self.say("zero", 0.02).await;
        let range = self.range.clone();
        self.arrange(range, Vec::new()).await?;
        let zero = self.settle(Purpose::ZeroBefore).await?;
        self.law = crate::needle::Law::with_zero(zero);
        Ok(())
    }

    /// Current to zero, zero of needle and meters seen again.
    async fn finish(&mut self) -> Result<(), Stopped> {
        self.say("zero again", 0.97).await;
        self.lower().await?;
        self.settle(Purpose::ZeroAfter).await?;
        Ok(())
    }

    /// One step, and the swings after it: the needle's period and damping.
    async fn swing(&mut self, target: Amps) -> Result<(), Stopped> {
        let stepped = self.drive_over(target, Seconds::ZERO).await?;
        let began = stepped.ticks.first().map_or(0.0, |tick| tick.at) - 0.025;
        let first = self.hold(Seconds::new(1.0)).await?;
        let rest = self.hold(self.rig.limits.slowest_period).await?;
        if let Some(dynamics) = crate::needle::identify(&[&stepped, &first, &rest], began) {
            self.identified(dynamics).await?;
        }
        Ok(())
    }
}
