//! A change of the current: step by step, and each step looked at.

use crate::allowance::LAG;
use crate::check::{Drive, Known, PERIOD_TRUST, SET_POINT_EVERY};
use crate::core::Core;
use crate::fault::Fault;
use crate::output::Armed;
use crate::proposal::{Halt, Report};
use crate::refusal::Refusal;
use crate::rest::Tick;
use crate::state::Arrangement;
use crate::watch::STILL;
use quantity::{Amps, Seconds, Volts};

/// A needle that stays behind in a ramp by this share of scale hangs: twice what is allowed at rest.
const HANGS: f64 = 2.0 * LAG;
/// So many of its slower time constants after a change a needle has followed it, within a hundredth.
const SETTLED: f64 = 5.0;

impl Core {
    pub(crate) async fn ramp(&mut self, target: Amps, over: Seconds) -> Result<Report, Halt> {
        let checked = self.known().drive(&self.state, target, over)?;
        let epoch = self.bench.instruments.output.epoch();
        if checked.volts > self.state.volts {
            self.may_grow()?;
        }
        let from = self.volts();
        let (mut bound, mut expected) = (checked.bound, checked.expected);
        if let Some(arrangement) = &self.state.arrangement {
            let (known, way) = (self.known(), (from, checked.volts));
            let told = Known {
                stuck: 1.0,
                ..known
            };
            bound = known.carried(arrangement, way, bound);
            expected = told.carried(arrangement, way, expected);
        }
        self.bound = self.bound.max(bound);
        self.expected = self.expected.max(expected);
        self.loop_holds(expected).await?;
        let sense = self.state.arrangement.as_ref().map(|a| a.range.sense);
        if let Some(sense) = sense {
            self.trip_follows(sense, self.expected).await?;
        }
        // It may still be on its way down from somewhere higher.
        let peak = checked.peak.map(|peak| peak.max(self.last_deflection));
        if checked.volts != from {
            self.unanswered();
            self.fell = checked.volts < from;
        }
        // A person turns the knob as slowly as was asked for.
        let count = match self.rig.supply.by_hand() {
            true => 1,
            false => (over / SET_POINT_EVERY).ceil().max(1.0) as usize,
        };
        let (stood, grid) = (self.last_deflection, self.rig.supply.resolution);
        let mut ticks = Vec::with_capacity(count);
        let mut cut_short = false;
        for step in 1..=count {
            let share = step as f64 / count as f64;
            let began = Seconds::new(self.now());
            let volts = set_point(from, checked.volts, share, grid);
            // On a coarse grid most are the one before, which a slow supply need not be told again.
            if step == count || (volts - self.volts()).abs() > grid * 0.5 {
                self.set(&checked, from, volts, epoch).await?;
            }
            let tick = self.driven(step == count).await?;
            // A fast rig would be through sooner than the needle's swing was reckoned for; after a late
            // reply it must not make up for it, which would be steeper.
            if count > 1 {
                self.until(began + over / count as f64).await?;
            }
            let Some(tick) = tick else { continue };
            ticks.push(tick);
            let raising = checked.volts > from;
            if raising && self.backwards && !self.reversed_on_purpose() {
                self.retreat().await?;
                break;
            }
            if !raising && self.goes_wrong() {
                // On its way to the lower stop there is no time for a gentle fall.
                self.set(&checked, from, checked.volts, epoch).await?;
                ticks.push(self.tick().await?);
                break;
            }
            self.within_peak(&tick, peak)?;
            if raising {
                self.keeps_up(&ticks).await?;
            }
            cut_short = raising && self.growth_is_over(&tick, stood);
            if cut_short {
                break;
            }
        }
        // Less counts only once a reading has shown it.
        let shown = ticks.last().map(|tick| self.loop_current(tick).abs());
        if shown.is_some_and(|current| current <= bound + self.loop_doubt()) {
            self.bound = bound;
        }
        self.expected = expected;
        if let Some(sense) = sense {
            self.trip_follows(sense, expected).await?;
        }
        let mut report = self.report(ticks);
        report.cut_short = cut_short;
        Ok(report)
    }

    /// Whether the needle lets the current grow at all.
    fn may_grow(&self) -> Result<(), Refusal> {
        if let Some(sticks) = &self.sticks {
            return Err(sticks.clone());
        }
        self.quiet_end()
            .map_or(Ok(()), |reason| Err(Refusal::Quiet(reason)))
    }

    /// One set-point of a ramp that was checked.
    async fn set(
        &mut self,
        checked: &Drive,
        from: Volts,
        volts: Volts,
        epoch: u64,
    ) -> Result<(), Fault> {
        let output = &mut self.bench.instruments.output;
        if volts > output.volts() {
            let armed = Armed::new(checked, from, epoch, &self.watched)?;
            output.raise(armed, volts).await?;
        } else {
            output.lower(volts).await?;
        }
        self.state.volts = volts;
        Ok(())
    }

    /// Lets time pass up to `moment` of the run, where it has not.
    async fn until(&mut self, moment: Seconds) -> Result<(), Fault> {
        let left = moment - Seconds::new(self.now());
        match left > Seconds::ZERO {
            true => self.pause(left).await,
            false => Ok(()),
        }
    }

    /// A needle further than any swing of this move could bring it is not what was identified.
    fn within_peak(&self, tick: &Tick, peak: Option<f64>) -> Result<(), Fault> {
        match (tick.needle, peak) {
            (Some((d, u)), Some(peak)) if d - 4.0 * u > peak.max(0.1) + 0.05 => {
                Err(Fault::BeyondCeiling(d))
            }
            _ => Ok(()),
        }
    }

    /// A needle that stands well below where the current of some time ago must have brought it hangs, and
    /// gets no more current, which it would take along when it lets go.
    async fn keeps_up(&mut self, ticks: &[Tick]) -> Result<(), Halt> {
        let shunted = |a: &Arrangement| !a.shunt.is_empty();
        if self.wiggling
            || self.reversed_on_purpose()
            || self.state.arrangement.as_ref().is_some_and(shunted)
        {
            return Ok(());
        }
        let Some((tick, (deflection, u))) =
            ticks.last().and_then(|tick| Some((tick, tick.needle?)))
        else {
            return Ok(());
        };
        let seen = tick.seen_at - self.follows_within().get();
        let Some(then) = ticks[..ticks.partition_point(|tick| tick.at <= seen)].last() else {
            return Ok(());
        };
        let current = (self.loop_current(then).abs() - self.loop_doubt()).max(Amps::ZERO);
        let lag = self.evidence.due(current) - self.evidence.from_zero(deflection) - 4.0 * u;
        if lag <= HANGS {
            return Ok(());
        }
        self.retreat().await?;
        Err(self.stuck(deflection, lag, current).into())
    }

    /// Within which time a needle that does not stick has followed the current.
    fn follows_within(&self) -> Seconds {
        let unknown = self.rig.limits.slowest_period * 2.0;
        self.dynamics().map_or(unknown, |d| {
            (d.period * PERIOD_TRUST).max(d.slow() * SETTLED)
        })
    }

    /// The refusal of all further growth: this needle sticks.
    pub(crate) fn stuck(&mut self, deflection: f64, lag: f64, current: Amps) -> Refusal {
        let sticks = Refusal::Sticks {
            deflection,
            lag,
            current,
        };
        self.sticks.get_or_insert(sticks).clone()
    }

    /// Growth without motion goes no further than to the first motion, or to what ends it: a needle
    /// whose scale begins late may pass all of it within a third more current.
    /// One that hung away from its zero when the ramp began has to go further: `stood` is where it was.
    fn growth_is_over(&self, tick: &Tick, stood: f64) -> bool {
        let hung = self.evidence.from_zero(stood) + STILL / 2.0;
        let moves = |(d, u): (f64, f64)| self.evidence.from_zero(d) - 3.0 * u > STILL.max(hung);
        self.quiet_end().is_some() || !self.evidence.stands() && tick.needle.is_some_and(moves)
    }

    /// The needle of a movement whose polarity is not known goes backwards.
    pub(crate) fn goes_wrong(&self) -> bool {
        self.backwards && !self.evidence.stands() && !self.reversed_on_purpose()
    }

    pub(crate) fn reversed_on_purpose(&self) -> bool {
        self.state.arrangement.as_ref().is_some_and(|a| a.reversed) && self.upscale.is_none()
    }

    /// Why growth without motion has ended, by what the last cycle read.
    pub(crate) fn quiet_end(&self) -> Option<String> {
        let (drop, current) = match self.volts() > Volts::ZERO {
            true => self.last_cycle,
            // What was read while the supply still fell tells nothing any more.
            false => (Volts::ZERO, Amps::ZERO),
        };
        self.quiet_end_at(drop, current)
    }

    pub(crate) fn quiet_end_at(&self, drop: Volts, current: Amps) -> Option<String> {
        match self.believed() {
            true => self.evidence.quiet_end(drop, current, &self.rig.limits),
            false => self.first_way.unclear(),
        }
    }
}

/// The set-point at `share` of an S-shaped ramp, on the supply's own grid.
pub(crate) fn set_point(from: Volts, to: Volts, share: f64, grid: Volts) -> Volts {
    if share >= 1.0 {
        return to;
    }
    let tau = std::f64::consts::TAU;
    let done = share - (tau * share).sin() / tau;
    let volts = from + (to - from) * done;
    (grid * (volts / grid).round()).min(from.max(to))
}
