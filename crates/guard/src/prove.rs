//! Proving that the current moves this needle in this picture, before the needle has been seen to
//! stand anywhere, by throwing the polarity.

use crate::core::Core;
use crate::proposal::{Halt, Report};
use crate::refusal::Refusal;
use crate::rest::Tick;
use crate::state::{Arrangement, loop_low};
use quantity::{Amps, Seconds, Volts};

/// Ramp of a wiggle, long enough for the supply's overshoot to stay small.
const WIGGLE_RAMP: Seconds = Seconds::new(0.4);
/// How long each polarity of a wiggle is watched.
const WIGGLE: Seconds = Seconds::new(1.0);
/// Largest drop at which the polarity may be thrown under a needle that was not seen to move: a
/// picture of something else would hide one that is already far from its zero. Hardly a movement has
/// less than 20 mV at full scale (common practice); of these this is 2.5 %.
const WIGGLE_DROP: Volts = Volts::milli(0.5);
/// Difference that counts as an answer, as a fraction of scale.
pub(crate) const ANSWERED: f64 = 0.002;

impl Core {
    /// The same current both ways: does the needle answer?
    pub(crate) async fn wiggle(&mut self) -> Result<Report, Halt> {
        let Some(now) = self.state.arrangement.clone() else {
            return Err(Refusal::Order("arrange a path first: nothing is connected").into());
        };
        if self.rig.switch.reverse.is_none() {
            return Err(Refusal::Order("this rig has no polarity contact").into());
        }
        let (drop, _) = self.last_cycle;
        if drop.abs() > WIGGLE_DROP && !self.evidence.moved() {
            let why =
                "the polarity is thrown at drops up to 0.5 mV only, until the needle has moved";
            return Err(Refusal::Order(why).into());
        }
        let target = self.just_below();
        let here = self.hold(WIGGLE).await?;
        self.wiggling = true;
        let seen = self.there_and_back(&now, target).await;
        self.wiggling = false;
        let (there, mut back) = match seen {
            Err(Halt::Refused(refusal)) => {
                // Half way: what is left is the polarity that was there, without current.
                self.drive(Amps::ZERO, WIGGLE_RAMP).await?;
                self.arrange(now).await?;
                return Err(refusal.into());
            }
            seen => seen?,
        };
        let looks = (
            self.mean_needle(&here.ticks),
            self.mean_needle(&there.ticks),
            self.mean_needle(&back.ticks),
        );
        let shown = match looks {
            // It must come back: another dial that took this one's place stands elsewhere, and stays.
            (Some((a, ua)), Some((b, ub)), Some((c, _))) => {
                let (there, left) = ((a - b).abs(), (a - c).abs());
                let answered = there > ANSWERED.max(6.0 * ua.hypot(ub)) && left < there / 2.0;
                if answered {
                    self.upscale
                        .get_or_insert(if a > b { now.reversed } else { !now.reversed });
                }
                answered
            }
            _ => false,
        };
        self.evidence.saw_wiggle(target, shown);
        back.moved = self.evidence.moved();
        Ok(back)
    }

    /// A little less than the current that flows.
    pub(crate) fn just_below(&self) -> Amps {
        let low = |a| loop_low(&self.rig, a);
        let ohms = self.measured.map(|m| m.ohms);
        let ohms = ohms.or(self.state.arrangement.as_ref().map(low));
        ohms.map_or(Amps::ZERO, |ohms| self.state.volts * 0.98 / ohms)
    }

    pub(crate) fn mean_needle(&self, ticks: &[Tick]) -> Option<(f64, f64)> {
        mean_needle(ticks, if self.person.is_some() { 1 } else { 3 })
    }

    async fn there_and_back(
        &mut self,
        now: &Arrangement,
        target: Amps,
    ) -> Result<(Report, Report), Halt> {
        let other = Arrangement {
            reversed: !now.reversed,
            ..now.clone()
        };
        let there = self.thrown(other, target).await?;
        let back = self.thrown(now.clone(), target).await?;
        Ok((there, back))
    }

    async fn thrown(&mut self, arrangement: Arrangement, target: Amps) -> Result<Report, Halt> {
        self.drive(Amps::ZERO, WIGGLE_RAMP).await?;
        self.arrange(arrangement).await?;
        self.drive(target, WIGGLE_RAMP).await?;
        self.hold(WIGGLE).await
    }
}

/// Mean deflection over the later half of the ticks, with its standard uncertainty; none with fewer
/// sightings than `least`.
fn mean_needle(ticks: &[Tick], least: usize) -> Option<(f64, f64)> {
    let seen: Vec<(f64, f64)> = ticks[ticks.len() / 2..]
        .iter()
        .filter_map(|t| t.needle)
        .collect();
    let n = seen.len() as f64;
    let mean = seen.iter().map(|(d, _)| d).sum::<f64>() / n;
    let u = seen.iter().map(|(_, u)| *u).fold(0.0, f64::max) / n.sqrt();
    (seen.len() >= least).then_some((mean, u))
}
