//! The check: from what is known and what is proposed to what may be done, or why not. Pure; the
//! guard applies nothing that did not come out of here.

use crate::allowance::Evidence;
use crate::output::TAKEN;
use crate::refusal::Refusal;
use crate::rig::{Rig, on_grid};
use crate::state::{Arrangement, State, loop_low};
use quantity::{Amps, Ohms, Seconds, Volts};

/// Time between two set-points of a ramp, at most.
pub(crate) const SET_POINT_EVERY: Seconds = Seconds::new(0.05);
/// Share of full scale that a needle may be driven below zero: 2 % is the limit, this leaves room.
const REVERSE_SHARE: f64 = 0.015;
/// How far a needle may swing below its zero on a planned way down, as a fraction of scale.
const LOWEST: f64 = 0.022;
/// By so much of what it was seen to have a movement may have less resistance while it carries less: it
/// is cooler. Copper that is 50 K cooler has a sixth less, hot wires a fifth (from memory).
const COOLER: f64 = 0.2;
/// An identified period is trusted to this factor.
pub(crate) const PERIOD_TRUST: f64 = 1.15;

/// How the needle moves, as identified from its own swings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dynamics {
    /// Free period.
    pub period: Seconds,
    /// Damping ratio as driven.
    pub damping: f64,
}

impl Dynamics {
    /// Time constant of the slower pole (or of the envelope), source: two-pole response.
    pub fn slow(&self) -> Seconds {
        let omega = std::f64::consts::TAU / self.period.get();
        let root = (self.damping * self.damping - 1.0).max(0.0).sqrt();
        Seconds::new(1.0 / (omega * (self.damping - root).max(0.01)))
    }

    /// What was identified in a loop of `then`, in one of `now`. More resistance damps less, in
    /// proportion at most: what air and frame damp stays, and so does the movement's own resistance. Less
    /// is not counted on.
    pub fn in_loop(self, then: Ohms, now: Ohms) -> Self {
        Self {
            damping: self.damping * (then / now).min(1.0),
            ..self
        }
    }
}

/// What a measurement says about the loop in the present arrangement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopMeasured {
    /// Set-point over loop current.
    pub ohms: Ohms,
    /// Relative standard uncertainty.
    pub u: f64,
    /// Set-point at which it was measured.
    pub volts: Volts,
    /// Movement resistance seen then, unshunted; none where the loop was measured without it.
    pub movement: Option<Ohms>,
    /// The least that the loop without the movement has, where that was measured.
    pub rest: Option<Ohms>,
}

/// All that the check may rely on.
#[derive(Clone, Copy)]
pub struct Known<'a> {
    /// The rig file.
    pub rig: &'a Rig,
    /// What was seen of the needle.
    pub evidence: &'a Evidence,
    /// The loop, where measured in this arrangement with the shunt open.
    pub measured: Option<LoopMeasured>,
    /// How the needle moves, once identified.
    pub dynamics: Option<Dynamics>,
    /// The polarity that moves the needle up-scale, once seen.
    pub upscale: Option<bool>,
    /// Largest worst-case current of a state in which nothing moved.
    pub still: Amps,
    /// Heaviest path that the rig file makes reachable.
    pub heaviest: usize,
    /// By how much the current can be larger than the file has it, should one of the contacts that
    /// opened last still be closed; 1 where none did.
    pub stuck: f64,
}

/// A drive that passed the check.
#[derive(Clone, Debug, PartialEq)]
pub struct Drive {
    /// Supply set-point at the end.
    pub volts: Volts,
    /// The most current that can flow in the movement on the way and at the end, also if the
    /// shunt fell open.
    pub bound: Amps,
    /// The same if every contact is what it was told to be.
    pub expected: Amps,
    /// The furthest that the needle can swing, where that can be known.
    pub peak: Option<f64>,
}

impl Known<'_> {
    /// The most current that set-point `volts` can drive through the movement, `step` being the
    /// largest single upward step on the way.
    fn current_high(&self, arrangement: &Arrangement, volts: Volts, step: Volts) -> Amps {
        let supply = &self.rig.supply;
        let stated = supply.highest(volts, volts - step) / loop_low(self.rig, arrangement);
        let stated = stated * self.stuck;
        let Some(m) = self.measured else {
            return stated;
        };
        // What a hand sets is off by part of a digit, then and now, either way. It is no constant offset.
        let off = match supply.by_hand() {
            true => supply.resolution * TAKEN,
            false => Volts::ZERO,
        };
        let (least, driving) = (m.ohms * (1.0 - 2.0 * m.u), m.volts - supply.offset - off);
        if least <= Ohms::ZERO || driving <= Volts::ZERO {
            return stated;
        }
        // The offset was measured along with the loop at m.volts; what matters is its change. At its
        // most negative it makes the loop look larger, by m.volts over what was left to drive.
        let larger = m.volts / driving;
        let offset = supply.offset * larger * (1.0 - volts / m.volts).abs();
        let more = off * larger + offset + step * supply.overshoot;
        let Some(movement) = m.movement else {
            return stated.min((volts + more) / least);
        };
        // A movement need not be a resistor; there may be diodes in it. With more current its drop does
        // not fall, so that what more the supply gives meets the rest of the loop at the most.
        let rest = loop_low(self.rig, arrangement) / self.stuck;
        let rest = m.rest.map_or(rest, |measured| measured.max(rest));
        let grown = m.volts / least
            + ((volts - m.volts).max(Volts::ZERO) * (1.0 + supply.accuracy) + more) / rest;
        let cooler = (least - movement * COOLER).max(Ohms::ZERO);
        match volts < m.volts {
            true => stated.min(grown).min((volts + more) / cooler),
            false => stated.min(grown),
        }
    }

    /// The set-point that should drive `target`, rounded down.
    fn volts_for(&self, arrangement: &Arrangement, target: Amps) -> Volts {
        let ohms = self
            .measured
            .map_or(loop_low(self.rig, arrangement), |m| m.ohms);
        on_grid(target * ohms, self.rig.supply.resolution)
    }

    fn largest_step(&self, change: Volts, over: Seconds) -> Volts {
        // The steepest part of an S-shaped ramp is twice its mean slope; the supply's grid is no finer.
        let steps = (over / SET_POINT_EVERY).max(1.0);
        let grid = self.rig.supply.resolution;
        change.min(grid * (change * 2.0 / steps / grid).ceil().max(1.0))
    }

    /// Checks a change of the loop current to `target` along an S-shaped ramp of length `over`.
    ///
    /// # Errors
    /// The first rule that it breaks, with its figures.
    pub fn drive(&self, state: &State, target: Amps, over: Seconds) -> Result<Drive, Refusal> {
        let Some(arrangement) = &state.arrangement else {
            return Err(Refusal::Order("arrange a path first: nothing is connected"));
        };
        if !target.is_finite() || !over.is_finite() || over < Seconds::ZERO {
            return Err(Refusal::Order(
                "a current and the length of its ramp must be finite",
            ));
        }
        let volts = self.volts_for(arrangement, target);
        if target < Amps::ZERO || volts > self.rig.supply.max_voltage {
            return Err(Refusal::Range { target, volts });
        }
        let change = volts - state.volts;
        // A hand makes no steps that could be counted: it may overshoot on the whole way.
        let steps_over = match self.rig.supply.by_hand() {
            true => Seconds::ZERO,
            false => over,
        };
        let step = self.largest_step(change.max(Volts::ZERO), steps_over);
        let bound = self.current_high(arrangement, volts, step);
        if change > Volts::ZERO {
            self.within_allowance(arrangement, bound)?;
            self.within_ratings(
                arrangement,
                self.carried(arrangement, (state.volts, volts), bound),
            )?;
            self.within_movement_limits(bound)?;
        }
        let peak = self.peak(arrangement, (state.volts, volts), bound, over)?;
        if change < Volts::ZERO {
            self.within_fall(arrangement, (state.volts, volts), over)?;
        }
        let told = Known {
            stuck: 1.0,
            ..*self
        };
        Ok(Drive {
            volts,
            bound,
            expected: told.current_high(arrangement, volts, step),
            peak,
        })
    }

    /// Checks a new arrangement; the supply stands at zero meanwhile.
    ///
    /// # Errors
    /// The first rule that it breaks, with its figures.
    pub fn arrange(&self, next: &Arrangement) -> Result<(), Refusal> {
        if let Some(bank) = &self.rig.pots {
            bank.admits(&next.range.pots)?;
        }
        let most = self
            .rig
            .supply
            .highest(self.rig.supply.max_voltage, Volts::ZERO);
        if !(next.range.top > Amps::ZERO && next.range.top <= most / loop_low(self.rig, next)) {
            return Err(Refusal::Order(
                "a range goes no further than its resistance lets it",
            ));
        }
        let path = &self.rig.paths[next.range.path];
        let proven = self.evidence.full_scale_low(&self.rig.limits);
        let earned = next.range.path == 0 || path.fault_current * self.rig.limits.earn <= proven;
        if !earned || next.range.path > self.heaviest {
            let fault = path.fault_current;
            return Err(Refusal::NotEarned {
                path: path.name.clone(),
                fault,
                proven,
            });
        }
        let idle = self.rig.supply.highest(Volts::ZERO, Volts::ZERO) / loop_low(self.rig, next);
        let idle = idle * self.stuck;
        let allowance = self.evidence.allowance(&self.rig.limits);
        if idle > allowance {
            return Err(Refusal::Allowance {
                bound: idle,
                allowance,
            });
        }
        Ok(())
    }

    /// The largest current that [`drive`](Self::drive) would accept at rest.
    pub fn furthest(&self, arrangement: &Arrangement) -> Amps {
        let allowance = self.evidence.allowance(&self.rig.limits);
        let (mut low, mut high) = (Volts::ZERO, self.rig.supply.max_voltage);
        for _ in 0..24 {
            let middle = (low + high) * 0.5;
            let step = self.rig.supply.resolution;
            match self.current_high(arrangement, middle, step) <= allowance {
                true => low = middle,
                false => high = middle,
            }
        }
        low / self
            .measured
            .map_or(loop_low(self.rig, arrangement), |m| m.ohms)
    }

    fn within_allowance(&self, arrangement: &Arrangement, bound: Amps) -> Result<(), Refusal> {
        let allowance = self.evidence.allowance(&self.rig.limits);
        if bound > allowance {
            return Err(Refusal::Allowance { bound, allowance });
        }
        let limit = match self.upscale {
            Some(upscale) if upscale == arrangement.reversed => return Ok(()),
            Some(_) => self.evidence.full_scale_low(&self.rig.limits) * REVERSE_SHARE,
            None if arrangement.reversed => self.still,
            None => return Ok(()),
        };
        if bound > limit * 1.01 {
            return Err(Refusal::Backwards { bound, limit });
        }
        Ok(())
    }

    /// The most that the loop carries when the set-point goes from `from` to `to`: with the shunt closed
    /// more than the `bound` of the movement's current.
    pub(crate) fn carried(
        &self,
        arrangement: &Arrangement,
        (from, to): (Volts, Volts),
        bound: Amps,
    ) -> Amps {
        if arrangement.shunt.is_empty() {
            return bound;
        }
        let most = self.rig.supply.highest(to, from) / loop_low(self.rig, arrangement);
        bound.max(most * self.stuck)
    }

    fn within_ratings(&self, arrangement: &Arrangement, bound: Amps) -> Result<(), Refusal> {
        let range = &arrangement.range;
        let series = self
            .rig
            .series
            .iter()
            .zip(&range.series)
            .filter(|(_, used)| **used);
        if let Some(bank) = self.rig.pots.as_ref().filter(|_| !range.pots.is_empty())
            && bound > bank.carries(&range.pots)
        {
            return Err(Refusal::Carries {
                current: bound,
                rating: bank.carries(&range.pots),
            });
        }
        let fixed = &self.rig.paths[range.path].fixed;
        let sense = &self.rig.sense[range.sense];
        for element in series.map(|(element, _)| element).chain([fixed, sense]) {
            let power = bound * element.high() * bound;
            if power > element.power {
                let element_name = format!(
                    "the {} element on channel {}",
                    element.ohms, element.channel
                );
                return Err(Refusal::Rating {
                    element: element_name,
                    power,
                    rating: element.power,
                });
            }
        }
        Ok(())
    }

    fn within_movement_limits(&self, bound: Amps) -> Result<(), Refusal> {
        let Some(movement) = self.measured.and_then(|m| m.movement) else {
            return Ok(());
        };
        let limits = &self.rig.limits;
        let drop = bound * movement;
        let power = drop * bound;
        if drop > limits.drop {
            let (what, limit) = (format!("a drop of {drop}"), limits.drop.to_string());
            return Err(Refusal::Movement { what, limit });
        }
        if power > limits.power {
            return Err(Refusal::Movement {
                what: power.to_string(),
                limit: limits.power.to_string(),
            });
        }
        Ok(())
    }

    /// The furthest the needle can swing when the current goes to `bound`.
    fn peak(
        &self,
        arrangement: &Arrangement,
        (from, to): (Volts, Volts),
        bound: Amps,
        over: Seconds,
    ) -> Result<Option<f64>, Refusal> {
        if !self.evidence.stands() {
            return Ok(None);
        }
        let residue = self.residue(over);
        let Some(end) = self.evidence.deflection_high(bound) else {
            // One sighting of motion: how far the next may go is unknown, so it must go gently.
            let gentle = residue <= 0.1 || bound <= self.evidence.allowance(&self.rig.limits) * 0.7;
            let refusal = Refusal::Order(
                "this needle has only just moved: ramp over 2.5 of its slowest periods",
            );
            return if gentle { Ok(None) } else { Err(refusal) };
        };
        let start = self.current_high(arrangement, from, Volts::ZERO);
        let start = self.evidence.deflection_high(start).unwrap_or(end);
        // What overshoots is the way, and it may begin lower than expected; down there is none.
        let lowest = self.evidence.zero().unwrap_or(0.0) + self.lowest(arrangement, from);
        let way = if to > from { end - lowest } else { 0.0 };
        let swing = residue * way.max(0.0);
        let peak = start.max(end + swing.max(self.last_steps(arrangement, (from, to), end, over)));
        let ceiling = self.rig.limits.ceiling;
        if peak > ceiling {
            return Err(Refusal::Overshoot { peak, ceiling });
        }
        Ok(Some(peak))
    }

    /// How far the needle swings past `end` by the last steps of a ramp up: however slow it is, the supply
    /// goes by steps of its grid.
    fn last_steps(
        &self,
        arrangement: &Arrangement,
        (from, to): (Volts, Volts),
        end: f64,
        over: Seconds,
    ) -> f64 {
        let before = (to - self.rig.supply.resolution).max(from);
        let before = self.current_high(arrangement, before, Volts::ZERO);
        let before = self.evidence.deflection_high(before).unwrap_or(end);
        // Steps that come a period apart add up: as many as there are, and periods, and their damping
        // lets last.
        let swing = self.overshoot();
        let lasting = 1.0 / (1.0 - swing * swing).max(1e-9);
        let steps = ((to - from) / self.rig.supply.resolution).max(1.0);
        let periods = (self.periods(over) * PERIOD_TRUST * PERIOD_TRUST).max(1.0);
        swing * (end - before).max(0.0) * steps.min(periods).min(lasting)
    }

    /// The lowest that the needle can swing when the set-point falls.
    fn within_fall(
        &self,
        arrangement: &Arrangement,
        (from, to): (Volts, Volts),
        over: Seconds,
    ) -> Result<(), Refusal> {
        let start = self.current_high(arrangement, from, Volts::ZERO);
        let Some(start) = self.evidence.deflection_high(start) else {
            return Ok(());
        };
        let end = self.lowest(arrangement, to);
        let lowest = end - self.residue(over) * (self.evidence.from_zero(start) - end);
        if lowest < -LOWEST {
            return Err(Refusal::Undershoot { lowest });
        }
        Ok(())
    }

    /// The lowest that the needle may stand at this set-point, as a distance from its zero.
    fn lowest(&self, arrangement: &Arrangement, volts: Volts) -> f64 {
        // With the shunt closed, the movement may carry next to nothing.
        let current = match (self.measured, arrangement.shunt.is_empty()) {
            (
                Some(LoopMeasured {
                    ohms,
                    u,
                    volts: then,
                    movement: Some(movement),
                    ..
                }),
                true,
            ) => {
                // A drop that falls less than the current, as that of a diode, stays at its most.
                let rest = (ohms - movement).max(Ohms::ZERO);
                let fallen = (then - volts).max(Volts::ZERO) * (ohms / rest);
                let least = (then - fallen) * (1.0 - 2.0 * u);
                (least - self.rig.supply.offset).max(Volts::ZERO) / ohms
            }
            _ => Amps::ZERO,
        };
        self.evidence.deflection_low(current).unwrap_or(0.0)
    }

    /// Overshoot of an S-shaped ramp (velocity a raised cosine) as a share of the move. The
    /// residual swing of an undamped needle after such a ramp of n periods is
    /// |sin(πn)/(πn(1−n²))| (Fourier transform of the raised cosine); its envelope is used, so an
    /// exact period is not needed.
    fn residue(&self, over: Seconds) -> f64 {
        let n = self.periods(over);
        let ramp = match self.rig.supply.by_hand() {
            // A hand that turns evenly leaves sin(πn)/(πn) (Fourier transform of a constant).
            true if n > 1.0 => 1.0 / (std::f64::consts::PI * n),
            false if n > 1.4 => 1.0 / (std::f64::consts::PI * n * (n * n - 1.0)),
            _ => 1.0,
        };
        ramp.min(self.overshoot())
    }

    /// How many of the needle's periods a ramp takes, at the least.
    fn periods(&self, over: Seconds) -> f64 {
        let slowest = self.rig.limits.slowest_period;
        let period = self
            .dynamics
            .map_or(slowest, |d| (d.period * PERIOD_TRUST).min(slowest));
        over / period
    }

    /// How far the needle swings past its new place after a step, as a share of it.
    fn overshoot(&self) -> f64 {
        self.dynamics.map_or(1.0, |d| {
            let damping = d.damping * 0.8;
            if damping >= 1.0 {
                return 0.0;
            }
            (-std::f64::consts::PI * damping / (1.0 - damping * damping).sqrt()).exp()
        })
    }
}
