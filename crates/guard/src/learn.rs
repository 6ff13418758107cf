//! What a needle at rest teaches: an observation of it, and what that adds to the evidence.

use crate::act::HIDDEN;
use crate::allowance::{Point, SURE_MOTION};
use crate::check::{Dynamics, LoopMeasured};
use crate::core::Core;
use crate::fault::Fault;
use crate::output::TAKEN;
use crate::proposal::{Halt, Report, Settle};
use crate::refusal::Refusal;
use crate::rest::{Stillness, Tick};
use crate::state::loop_low;
use evidence::{Needle, Observation, Purpose, Reading};
use quantity::{Amps, Seconds, Volts};

/// A needle further from zero than this without current is not adjusted, or not this one.
const FARTHEST_ZERO: f64 = 0.07;
/// A rest is looked at for at least this share of the needle's period.
const LEAST_LOOK: f64 = 0.5;
/// Slower time constant of a needle that is not identified, at the least.
const UNKNOWN_SLOW: Seconds = Seconds::new(0.5);
/// Motion still to come that a rest may leave, at most.
const COARSEST_REST: f64 = 0.002;
/// Periods in s, and damping ratios, that needles may have.
const PERIODS: (f64, f64) = (0.02, 60.0);
const DAMPINGS: (f64, f64) = (0.001, 30.0);
/// A reading over the sense element below this says too little about the loop.
pub(crate) const LEAST_READING: Volts = Volts::milli(0.2);

impl Core {
    /// One observation from a window at rest.
    pub(crate) fn observe(
        &self,
        window: &[Tick],
        still: &Stillness,
        settle: Settle,
    ) -> Observation {
        // Meters resolve the back-EMF of motion that no picture shows; it has faded most at the end.
        let end = &window[window.len() - (window.len() / 3).max(4).min(window.len())..];
        let mean = |value: fn(&Tick) -> f64, range: f64| {
            let n = end.len() as f64;
            let mean = end.iter().map(value).sum::<f64>() / n;
            let spread =
                end.iter().map(|t| (value(t) - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
            Reading {
                value: mean,
                s: spread.sqrt(),
                n: end.len() as u32,
                range,
            }
        };
        let n = still.n as f64;
        Observation {
            seq: self.seq,
            at: Seconds::new(self.now()),
            purpose: settle.purpose,
            set: self.setting(),
            loop_drop: Some(mean(|t| t.loop_drop, self.loop_range)),
            drop: Some(mean(|t| t.drop, self.drop_range)),
            supply: None,
            needle: Some(Needle {
                deflection: still.mean,
                u: still.s.max(still.stated * 0.5) / n.sqrt(),
                u_shared: self.u_shared,
            }),
            needle_s: still.s,
            sightings: still.n as u32,
            refused: None,
            unsettled: still.rest_of_motion(settle.slow.get()),
            rested: true,
        }
    }

    /// What a rest counts as evidence must have been looked at for long enough.
    pub(crate) fn is_a_rest(&self, settle: Settle) -> Result<(), Refusal> {
        let slowest = self.rig.limits.slowest_period;
        let (window, slow) = match self.dynamics() {
            Some(d) => (d.period * LEAST_LOOK, d.slow() * 0.9),
            None => (slowest * LEAST_LOOK, UNKNOWN_SLOW),
        };
        let long = settle.window >= window && settle.slow >= slow;
        match long && settle.tolerance <= COARSEST_REST {
            true => Ok(()),
            false => Err(Refusal::Order(
                "a rest is looked at for at least half of a period of the needle, and judged by its own time \
                 constant and to 0.2 % of scale",
            )),
        }
    }

    /// How the needle moves, once a procedure has identified it from its swings.
    pub(crate) fn identified(&mut self, dynamics: Dynamics) -> Result<Report, Halt> {
        let unshunted = self
            .state
            .arrangement
            .as_ref()
            .filter(|a| a.shunt.is_empty());
        let Some(arrangement) = unshunted else {
            let why = "a needle is identified in a closed loop, without a shunt";
            return Err(Refusal::Order(why).into());
        };
        let sane = |value: f64, (low, high): (f64, f64)| (low..=high).contains(&value);
        if !sane(dynamics.period.get(), PERIODS) || !sane(dynamics.damping, DAMPINGS) {
            let why = "no needle has such a period and damping: identify it anew";
            return Err(Refusal::Order(why).into());
        }
        self.identified = Some((dynamics, loop_low(&self.rig, arrangement)));
        Ok(self.report(Vec::new()))
    }

    /// The same in the present loop.
    pub(crate) fn dynamics(&self) -> Option<Dynamics> {
        let (found, then) = self.identified?;
        let now = self.state.arrangement.as_ref();
        let now = now.map_or(then, |a| loop_low(&self.rig, a));
        Some(found.in_loop(then, now))
    }

    /// At rest, with the movement's part of the voltage measured, the current must be what the file
    /// makes of the rest of the loop: neither more nor less. A sense element that is not what it
    /// should be shows itself here.
    fn as_stated(&self, current: Amps, u: f64, drop: Volts) -> Result<(), Fault> {
        let Some(arrangement) = &self.state.arrangement else {
            return Ok(());
        };
        let (supply, volts) = (&self.rig.supply, self.volts());
        let most = (supply.highest(volts, volts) - drop) / loop_low(&self.rig, arrangement);
        let least =
            (supply.lowest(volts) - self.unloaded(drop)) / self.rig.range_high(&arrangement.range);
        if current * (1.0 - 4.0 * u) > most * HIDDEN {
            let (found, bound) = (current, most);
            return Err(Fault::Current { found, bound });
        }
        if current * (1.0 + 4.0 * u) * HIDDEN < least {
            let found = current;
            return Err(Fault::TooLittle {
                volts,
                found,
                least,
            });
        }
        Ok(())
    }

    /// Relative standard uncertainty of a loop that a `reading` over the sense element measures, at the
    /// set-point `set`.
    pub(crate) fn loop_u(&self, reading: Volts, set: Volts) -> f64 {
        let range = self.rig.loop_meter.range_for(Volts::new(self.loop_range));
        // Twice of it is as far as the read-back lets the set-point be off.
        let set_u = self.rig.supply.resolution * (TAKEN / 2.0);
        range.gain.max(0.0005) + range.offset / reading.get() + set_u / set
    }

    /// What a sense element beside its own may hide of the current, as a standard uncertainty of which
    /// twice counts.
    pub(crate) fn ruler_doubt(&self) -> f64 {
        (self.falsified.ruler - 1.0) / 2.0
    }

    /// What a rest observation adds to the evidence.
    pub(crate) fn learn(&mut self, observation: &Observation) -> Result<(), Halt> {
        let (Some(needle), Some(a)) = (observation.needle, &self.state.arrangement) else {
            return Ok(());
        };
        if matches!(observation.purpose, Purpose::ZeroBefore) {
            if self.volts() > Volts::ZERO {
                return Err(Refusal::Order("a zero is seen without current").into());
            }
            if needle.deflection.abs() > FARTHEST_ZERO {
                return Err(Refusal::Zero(needle.deflection).into());
            }
            self.evidence.saw_zero(needle.deflection);
            self.first_way.begins(self.now());
            return Ok(());
        }
        let (Some(current), true) = (observation.loop_current(), a.shunt.is_empty()) else {
            return Ok(());
        };
        let reversed = a.reversed;
        let current = current.abs();
        let reading = Volts::new(observation.loop_drop.map_or(0.0, |reading| reading.value)).abs();
        if self.volts() > Volts::ZERO && reading >= LEAST_READING {
            let drop = Volts::new(observation.drop.map_or(0.0, |reading| reading.value)).abs();
            // A supply that gave something else for a moment of the window shows in the scatter.
            let scatter = observation
                .loop_drop
                .map_or(0.0, |r| r.s / f64::from(r.n).sqrt());
            let u = self.loop_u(reading, self.volts()) + scatter / reading.get();
            self.as_stated(current, u, drop)?;
            let most = current * (1.0 + 4.0 * u);
            self.acquit((current * (1.0 - 4.0 * u), most), drop);
            self.measured = Some(LoopMeasured {
                ohms: self.volts() / current,
                u: u + self.ruler_doubt(),
                volts: self.volts(),
                movement: Some(drop / current),
                rest: self.measured.and_then(|measured| measured.rest),
            });
            self.expected = self.expected.min(most);
        }
        let from_zero = self.evidence.from_zero(needle.deflection);
        if from_zero >= SURE_MOTION && self.volts() > Volts::ZERO && self.believed() {
            // Plain motion overrides what a wiggle may have seemed to show.
            self.upscale = Some(reversed);
            let u = needle.u.hypot(needle.u_shared).hypot(observation.unsettled);
            let point = Point {
                current,
                deflection: needle.deflection,
                u,
                fell: self.fell,
            };
            if let Some(lag) = self.evidence.lag(&point) {
                return Err(self.stuck(needle.deflection, lag, current).into());
            }
            self.evidence.stood(point);
        }
        Ok(())
    }
}
