//! Proving that the current moves this needle in this picture, before the needle has been seen to
//! stand anywhere: by throwing the polarity, and by letting go.

use crate::allowance::Response;
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
const ANSWERED: f64 = 0.002;
/// Difference below which the picture stands quite still, as a fraction of scale.
const UNMOVED: f64 = 0.0001;
/// A reader that tells less than this apart can't say that a needle stood still.
const SHARP: f64 = 0.0003;
/// Back-EMF of a coil that swings freely, as a share of the drop that was let go: an eighth of what a
/// bare coil with critical damping when shorted makes on so slow a ramp (derived here).
const PLAIN: f64 = 0.01;
/// How long the needle is watched before it is let go and after: long enough to see a fraction of a
/// thousandth move.
const LOOK: Seconds = Seconds::new(4.0);
/// So many looks at most, until the drop scatters by less than this share.
const LOOKS: u32 = 3;
const RESTING: f64 = 0.01;
/// Length of the ramp on which it is let go, in slowest periods; what it then swings below its zero
/// is 2.5 % of the way.
const GENTLY: f64 = 2.5;
/// The two meters may read this far apart in time.
const SKEW: Seconds = Seconds::milli(5.0);
/// A departure of the drop from Ohm's law that counts as back-EMF: so many times its scatter at
/// rest, and this share of the drop.
const SCATTERS: f64 = 6.0;
const SHARE: f64 = 0.002;
/// Without a current of so many times its scatter there is no line to depart from.
const LEAST_CURRENT: f64 = 50.0;

impl Core {
    /// The same current both ways: does the needle answer?
    pub(crate) async fn wiggle(&mut self) -> Result<Report, Halt> {
        let Some(now) = self.state.arrangement.clone() else {
            return Err(Refusal::Order("arrange a path first: nothing is connected").into());
        };
        if self.rig.switch.reverse.is_none() {
            return Err(Refusal::Order("this rig has no polarity contact").into());
        }
        let drop = self.last_quiet.map_or(Volts::ZERO, |(drop, _)| drop.abs());
        if drop > WIGGLE_DROP && !self.evidence.moved() {
            let why =
                "the polarity is thrown at drops up to 0.5 mV only, until the needle has moved";
            return Err(Refusal::Order(why).into());
        }
        let target =
            self.state.volts * 0.98 / self.measured.map_or(loop_low(&self.rig, &now), |m| m.ohms);
        let here = self.hold(WIGGLE).await?;
        self.wiggling = true;
        let there = self.flipped(&now, target).await;
        self.wiggling = false;
        let there = there?;
        self.drive(Amps::ZERO, WIGGLE_RAMP).await?;
        self.arrange(now.clone()).await?;
        self.drive(target, WIGGLE_RAMP).await?;
        let mut back = self.hold(WIGGLE).await?;
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
        self.evidence.saw_wiggle(shown);
        back.moved = self.evidence.moved();
        back.backwards = there.backwards;
        Ok(back)
    }

    fn mean_needle(&self, ticks: &[Tick]) -> Option<(f64, f64)> {
        mean_needle(ticks, if self.person.is_some() { 1 } else { 3 })
    }

    async fn flipped(&mut self, now: &Arrangement, target: Amps) -> Result<Report, Halt> {
        self.drive(Amps::ZERO, WIGGLE_RAMP).await?;
        self.arrange(Arrangement {
            reversed: !now.reversed,
            ..now.clone()
        })
        .await?;
        self.drive(target, WIGGLE_RAMP).await?;
        self.hold(WIGGLE).await
    }

    /// The last look at a needle once its back-EMF has gone, or once it has had its time.
    async fn look_until_rest(&mut self) -> Result<Report, Halt> {
        let mut here = self.hold(LOOK).await?;
        for _ in 1..LOOKS {
            let (drop, scatter) = mean(&here.ticks, |tick| tick.drop);
            if scatter <= drop.abs() * RESTING {
                break;
            }
            here = self.hold(LOOK).await?;
        }
        Ok(here)
    }

    /// The current gently down to zero: does the needle follow? Harmless wherever the needle stands,
    /// seen or not. If it does not, but the drop shows back-EMF, something else is in the picture.
    pub(crate) async fn let_go(&mut self) -> Result<Report, Halt> {
        let here = self.look_until_rest().await?;
        let over = self.rig.limits.slowest_period * GENTLY;
        let down = self.drive(Amps::ZERO, over).await?;
        self.confirm_idle().await?;
        let mut there = self.hold(LOOK).await?;
        let looks = (
            self.mean_needle(&here.ticks),
            self.mean_needle(&there.ticks),
        );
        let (answered, unmoved) = match looks {
            (Some((a, ua)), Some((b, ub))) => {
                let (moved, u) = ((a - b).abs(), ua.hypot(ub));
                // Without current it stands at its zero, and not where another dial has its needle.
                let at_zero = self.evidence.from_zero(b).abs() < (moved / 2.0).max(ANSWERED);
                (
                    moved > ANSWERED.max(6.0 * u) && at_zero,
                    u < SHARP && moved < UNMOVED.max(4.0 * u),
                )
            }
            _ => (false, false),
        };
        let (drop, _) = mean(&here.ticks, |tick| tick.drop);
        let current = here
            .ticks
            .last()
            .map_or(Amps::ZERO, |tick| self.loop_current(tick))
            .abs();
        let response = match back_emf(&here.ticks, &down.ticks, &there.ticks, over) {
            _ if answered => Response::Seen,
            Some(share) if share >= PLAIN && unmoved => Response::FeltPlainly,
            Some(_) => Response::Felt,
            None => Response::None,
        };
        self.evidence.let_go(Volts::new(drop).abs(), response);
        there.moved = self.evidence.moved();
        there.quiet_end = self
            .evidence
            .quiet_end(Volts::new(drop), current, &self.rig.limits);
        Ok(there)
    }
}

/// By how much of its change the drop, on the way from one rest to another, departs from the
/// straight line between them, against the current; none where that is no more than the meters can.
/// Where it is more, the needle moves.
fn back_emf(here: &[Tick], way: &[Tick], there: &[Tick], over: Seconds) -> Option<f64> {
    let there = &there[there.len() / 2..];
    let ((v1, _), (i1, _)) = (mean(here, |t| t.drop), mean(here, |t| t.loop_drop));
    let ((v0, sv), (i0, si)) = (mean(there, |t| t.drop), mean(there, |t| t.loop_drop));
    if (i1 - i0).abs() < LEAST_CURRENT * si {
        return None;
    }
    let slope = (v1 - v0) / (i1 - i0);
    let most = way
        .iter()
        .map(|t| (t.drop - v0 - slope * (t.loop_drop - i0)).abs())
        .fold(0.0, f64::max);
    // The steepest part of an S-shaped ramp is twice its mean slope.
    let skew = 2.0 * (v1 - v0).abs() * (SKEW / over);
    let meters = SCATTERS * (sv + slope.abs() * si) + SHARE * (v1 - v0).abs() + skew;
    (most > meters).then(|| most / (v1 - v0).abs())
}

/// Mean and standard deviation of a reading.
fn mean(ticks: &[Tick], value: fn(&Tick) -> f64) -> (f64, f64) {
    let n = ticks.len() as f64;
    let mean = ticks.iter().map(value).sum::<f64>() / n;
    let squares: f64 = ticks.iter().map(|t| (value(t) - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0).max(1.0)).sqrt())
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

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 kΩ and 100 Ω of sense, from 10 mV to nothing in ten seconds; the needle's own voltage is
    /// `emf` at the steepest place. Readings scatter by 1 µV.
    fn release(emf: f64) -> [Vec<Tick>; 3] {
        let tick = |n: usize, share: f64, emf: f64| {
            let noise = 1e-6 * [0.3, -1.2, 0.9, 0.4, -0.6, 1.1, -0.9][n % 7];
            let at = n as f64 * 0.05;
            Tick {
                at,
                seen_at: at,
                needle: None,
                loop_drop: 1e-3 * share + 2e-6 + noise,
                drop: 10e-3 * share - emf - 3e-6 - noise,
            }
        };
        let way = |n: usize| {
            let t = n as f64 / 200.0;
            let turn = std::f64::consts::TAU * t;
            let (share, speed) = (
                1.0 - t + turn.sin() / std::f64::consts::TAU,
                1.0 - turn.cos(),
            );
            tick(n, share, emf * speed / 2.0)
        };
        [
            (0..20).map(|n| tick(n, 1.0, 0.0)).collect(),
            (0..=200).map(way).collect(),
            (0..20).map(|n| tick(n, 0.0, 0.0)).collect(),
        ]
    }

    fn felt(emf: f64) -> Option<f64> {
        let [here, way, there] = release(emf);
        back_emf(&here, &way, &there, Seconds::new(10.0))
    }

    #[test]
    fn back_emf_is_felt_where_it_is_more_than_the_meters_may_err() {
        assert_eq!((felt(0.0), felt(5e-6)), (None, None));
        for emf in [300e-6, -300e-6] {
            let share = felt(emf).unwrap();
            assert!((share - 0.03).abs() < 2e-3, "{share}");
        }
    }

    #[test]
    fn without_current_nothing_is_felt() {
        let [mut here, mut way, there] = release(300e-6);
        for tick in here.iter_mut().chain(&mut way) {
            tick.loop_drop = 2e-6;
        }
        assert_eq!(back_emf(&here, &way, &there, Seconds::new(10.0)), None);
    }
}
