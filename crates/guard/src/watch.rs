//! Watching: one cycle reads the needle and both meters at the same time, keeps an observation,
//! and compares what was read with what is possible.

use crate::calm::Calm;
use crate::core::Core;
use crate::fault::Fault;
use crate::instruments::Instruments;
use crate::learn::LEAST_READING;
use crate::pots::PotCodes;
use crate::rest::Tick;
use crate::state::loop_low;
use crate::watcher::Watched;
use drivers::{Meter, Reading};
use evidence::{Needle, Observation, Purpose, Setting, Sight, Sighting};
use quantity::{Amps, Seconds, Volts};
use tokio::time::{Duration, Instant};

/// A picture older than this says nothing about now.
const OLDEST_PICTURE: f64 = 0.5;
/// So many repeats to the last digit are a frozen picture.
const FROZEN: u32 = 8;
/// So many cycles in a row without the current that must flow are a fault.
const UNFED: u32 = 3;
/// The longest time without seeing the needle while current may flow.
const BLIND_FOR: Seconds = Seconds::new(0.7);
/// As long as nothing can flow, a reader may take its time.
const NOBODY_WAITS: Seconds = Seconds::new(60.0);
/// A picture that waited so long for the meters is taken anew.
const WAITED: Duration = Duration::from_millis(250);
/// Below zero by this share of scale, the current is lowered.
const BACKWARDS: f64 = 0.018;
/// Current that the back-EMF of a swinging needle may add, as a share of the range's top. It brakes
/// the needle, so it does not count against the allowance.
const BACK_EMF: f64 = 0.03;
/// As much it may add where the drop shows that it does.
const SHOWN_EMF: f64 = 0.15;
/// Deflection below which a needle counts as not moved, so that the current may grow.
pub(crate) const STILL: f64 = 0.012;
/// Below zero by this share of scale, a needle that never stood above it shows its polarity.
const WRONG_WAY: f64 = 0.01;
/// In so many sightings one after another, since a knock shows the needle anywhere for a moment.
const WRONG_WAYS: u32 = 3;
/// Deflection below which the other polarity may be tried: a swing doubles it at most.
const TRIABLE: f64 = 0.007;

impl Core {
    /// One cycle. Read-back that contradicts the circuit, a needle beyond the ceiling and loss of
    /// sight are faults.
    pub(crate) async fn tick(&mut self) -> Result<Tick, Fault> {
        self.cycle(None).await
    }

    /// One cycle, with the needle where a person has `said` that it stands.
    pub(crate) async fn cycle(&mut self, said: Option<Needle>) -> Result<Tick, Fault> {
        if self
            .waiting
            .as_ref()
            .is_some_and(|answer| answer.is_closed())
        {
            // Whoever asked has gone away: nobody wants this state any more.
            return Err(Fault::Ended);
        }
        let started = self.now();
        if self.rig.probed_by_hand() {
            return self.cycle_by_hand(said).await;
        }
        let patience = self.patience();
        let (sighting, over_sense, across, codes, alive) = {
            let bench = &mut self.bench;
            let Instruments {
                output,
                meters: Some(meters),
                pots,
                ..
            } = &mut bench.instruments
            else {
                return Err(Fault::Instrument("there are no meters to read".to_owned()));
            };
            let cycle = async {
                tokio::join!(
                    biased;
                    look(&mut *bench.sight, patience),
                    meters.over_sense.read(),
                    meters.drop.read(),
                    confirm(pots),
                    output.keep_alive(),
                )
            };
            tokio::select! {
                biased;
                fault = stopped(&mut self.stop, &mut self.watched) => return Err(fault),
                cycle = cycle => cycle,
            }
        };
        codes?;
        alive?;
        let sighting = self.fresh(sighting).await?;
        let at = self.now();
        let over_sense = volts(over_sense?, "loop")?;
        let across = match across? {
            Reading::Overload { .. } => self.widen_drop_range().await?,
            reading => volts(reading, "drop")?,
        };
        let seen = sighting.and_then(|sighting| self.usable(sighting, started));
        let needle = said.map(|needle| (needle, at)).or(seen);
        let seen_at = needle.as_ref().map_or(at, |(_, seen_at)| *seen_at);
        let tick = Tick {
            at: (at + started) / 2.0,
            seen_at,
            needle: needle.as_ref().map(|(n, _)| (n.deflection, n.u)),
            loop_drop: over_sense,
            drop: across,
        };
        self.keep_watch(&tick, needle.map(|(n, _)| n))?;
        let lasted = match said {
            Some(_) => self.answered_step().get(),
            None => at - started,
        };
        self.judge(&tick, lasted)?;
        Ok(tick)
    }

    /// How long a picture is waited for; none where a person is asked instead.
    fn patience(&self) -> Option<Duration> {
        let live = self.volts() > Volts::ZERO;
        let patience = if live { BLIND_FOR } else { NOBODY_WAITS };
        self.person.is_none().then(|| patience.duration())
    }

    /// Meters may have taken so long that a picture taken meanwhile says little about now: another look.
    async fn fresh(&mut self, looked: Option<Looked>) -> Result<Option<Looked>, Fault> {
        let Some(patience) = self.patience() else {
            return Ok(None);
        };
        if looked.as_ref().is_some_and(|l| l.at.elapsed() < WAITED) {
            return Ok(looked);
        }
        tokio::select! {
            biased;
            fault = stopped(&mut self.stop, &mut self.watched) => Err(fault),
            again = look(&mut *self.bench.sight, Some(patience)) => Ok(again),
        }
    }

    /// What is looked at while the rig is live and nothing is proposed: everything, where current flows.
    pub(crate) async fn watch_idle(&mut self) -> Result<(), Fault> {
        let flows = self.volts() > Volts::ZERO;
        match flows && self.person.is_none() && !self.rig.probed_by_hand() {
            true => self.careful_tick().await.map(drop),
            false => self.bench.instruments.output.keep_alive().await,
        }
    }

    /// A sighting that may be used, fresh and finite, and when its picture was taken. Else its reason is
    /// remembered, and that nothing was seen since the cycle began.
    fn usable(&mut self, looked: Looked, began: f64) -> Option<(Needle, f64)> {
        let age = looked.sighting.age + looked.at.elapsed().as_secs_f64();
        let refused = match looked.sighting.seen {
            Ok(needle) if self.repeated(needle.deflection) => {
                format!(
                    "the same sighting {} times: the picture is frozen",
                    self.repeats
                )
            }
            Ok(needle) if age <= OLDEST_PICTURE && needle.deflection.is_finite() => {
                self.blind_since = None;
                self.u_shared = needle.u_shared;
                return Some((needle, self.now() - age));
            }
            Ok(_) => format!("the picture is {age:.2} s old"),
            Err(reason) => reason,
        };
        self.blind_since.get_or_insert(began);
        self.refusals += 1;
        self.last_refusal = refused;
        None
    }

    /// Whether this sighting repeats the ones before it to the last digit: a live reader has noise.
    fn repeated(&mut self, deflection: f64) -> bool {
        self.repeats = if deflection == self.last_deflection {
            self.repeats + 1
        } else {
            0
        };
        self.last_deflection = deflection;
        self.repeats >= FROZEN
    }

    pub(crate) fn keep_watch(&mut self, tick: &Tick, needle: Option<Needle>) -> Result<(), Fault> {
        let one = |value: f64, range: f64| evidence::Reading {
            value,
            s: 0.0,
            n: 1,
            range,
        };
        let observation = Observation {
            seq: self.seq,
            at: Seconds::new(tick.at),
            purpose: Purpose::Watch,
            set: self.setting(),
            loop_drop: Some(one(tick.loop_drop, self.loop_range)),
            drop: Some(one(tick.drop, self.drop_range)),
            supply: None,
            needle,
            needle_s: 0.0,
            sightings: u32::from(needle.is_some()),
            refused: (needle.is_none() && self.person.is_none())
                .then(|| (1, self.last_refusal.clone())),
            unsettled: 0.0,
            rested: false,
        };
        self.append(&observation)
    }

    /// The setting as an observation keeps it.
    pub(crate) fn setting(&self) -> Setting {
        Setting {
            bound: Some(self.bound),
            ..self.state.setting(&self.rig)
        }
    }

    pub(crate) fn append(&mut self, observation: &Observation) -> Result<(), Fault> {
        self.seq += 1;
        self.bench.journal.append(observation)?;
        Ok(())
    }

    /// Compares what was read with what is possible, and learns from it.
    pub(crate) fn judge(&mut self, tick: &Tick, lasted: f64) -> Result<(), Fault> {
        let live = self.volts() > Volts::ZERO;
        let current = self.loop_current(tick).abs();
        let drop = Volts::new(tick.drop);
        self.last_cycle = (drop, current);
        if self.sense_ohms().is_some() {
            let doubt = self.loop_doubt();
            let bound = self.expected * 1.02 + doubt + self.back_emf(tick);
            if current > bound {
                return Err(Fault::Current {
                    found: current,
                    bound,
                });
            }
            self.fed(tick, current + doubt)?;
            // A swinging needle turns no current that is more than half of what the supply drives.
            let shows = tick.loop_drop.abs() >= LEAST_READING.get();
            if live && shows && current > self.expected * 0.5 {
                self.loop_sign = Some(tick.loop_drop.signum());
            }
        }
        let Some((deflection, u)) = tick.needle else {
            let since = self.blind_since.unwrap_or(tick.at);
            let blind = Seconds::new(self.now() - since);
            // A person is not looked at all the time; who answers nothing gets no more current.
            // A look that was waited for in vain has taken just so long, but for rounding.
            let too_long = blind > BLIND_FOR * 0.999;
            if live && too_long && self.person.is_none() {
                return Err(Fault::LossOfSight {
                    blind,
                    reason: self.last_refusal.clone(),
                });
            }
            return Ok(());
        };
        self.below_ceiling(deflection, u)?;
        self.calmly(tick.seen_at, (deflection, u))?;
        let from_zero = self.evidence.from_zero(deflection);
        if self.person.is_none() && self.evidence.zero().is_some() && !self.evidence.moved() {
            self.first_way.saw(tick.seen_at, from_zero);
        }
        // A needle that rests below its mark has less way left before the lower stop.
        let room = (BACKWARDS + self.evidence.zero().unwrap_or(0.0).min(0.0)).max(BACKWARDS / 2.0);
        self.backwards = live && from_zero < -room;
        // After a wiggle the needle may still be swinging back; the wiggle has its own verdict.
        // Below zero means nothing before the zero was seen.
        let zero = self.evidence.zero().is_some();
        let first_sign =
            zero && !self.evidence.stands() && !self.evidence.wiggled() && !self.wiggling;
        match live && from_zero + 3.0 * u < -WRONG_WAY && first_sign && self.believed() {
            true => self.wrong_way += 1,
            false => self.wrong_way = 0,
        }
        if self.wrong_way >= WRONG_WAYS {
            // The other polarity is the one that moves this needle up.
            self.upscale = self.state.arrangement.as_ref().map(|a| !a.reversed);
        }
        if live && from_zero.abs() < STILL && !self.evidence.stands() {
            if from_zero.abs() < TRIABLE {
                // What the set-point of this moment makes; on the way down `expected` is still that of
                // its beginning.
                self.still = self.still.max(self.expected.min(self.drives_now()));
            }
            self.evidence
                .nothing_moved(current, drop, Seconds::new(lasted), &self.rig.limits);
        }
        if deflection > 0.9 {
            self.near_full_scale += lasted;
            if self.near_full_scale > self.rig.limits.near_full_scale.get() {
                return Err(Fault::TooLongNearFullScale(self.rig.limits.near_full_scale));
            }
        }
        Ok(())
    }

    /// A needle that stood still, and stands elsewhere all at once with nothing changed, is a fault; a person
    /// looks too seldom for that.
    fn calmly(&mut self, at: f64, needle: (f64, f64)) -> Result<(), Fault> {
        let volts = self.volts();
        if volts <= Volts::ZERO {
            self.calm = Calm::default();
            return Ok(());
        }
        if self.person.is_some() {
            return Ok(());
        }
        match self.calm.saw(at, volts, needle) {
            Some((from, to)) => Err(Fault::Jumped { from, to }),
            None => Ok(()),
        }
    }

    /// Whether the needle in the picture was seen on its way to where it stands, or has moved for sure.
    pub(crate) fn believed(&self) -> bool {
        self.evidence.moved() || !self.first_way.sprung()
    }

    /// A needle above its ceiling, by more than its reading may be off, is a fault.
    pub(crate) fn below_ceiling(&self, deflection: f64, u: f64) -> Result<(), Fault> {
        let live = self.volts() > Volts::ZERO;
        match live && deflection - 2.0 * u > self.rig.limits.ceiling + 0.003 {
            true => Err(Fault::BeyondCeiling(deflection)),
            false => Ok(()),
        }
    }

    /// The most that the set-point drives by itself, with every contact what it was told to be.
    pub(crate) fn drives_now(&self) -> Amps {
        let supply = &self.rig.supply;
        let highest = supply.highest(self.volts(), self.volts());
        let arrangement = self.state.arrangement.as_ref();
        arrangement.map_or(Amps::ZERO, |a| highest / loop_low(&self.rig, a))
    }

    /// The current that back-EMF may add to what the set-point drives: where the drop is less than
    /// the movement's resistance would have it, the rest of the loop carries the difference.
    pub(crate) fn back_emf(&self, tick: &Tick) -> Amps {
        let Some(arrangement) = &self.state.arrangement else {
            return Amps::ZERO;
        };
        let top = arrangement.range.top;
        let own = self
            .measured
            .and_then(|m| m.movement)
            .map_or(Volts::ZERO, |movement| self.expected * movement);
        let shown = (own - self.along(tick.drop)) / loop_low(&self.rig, arrangement);
        shown.max(top * BACK_EMF).min(top * SHOWN_EMF)
    }

    /// A reading of the drop, positive where it opposes the current. The back-EMF of a falling needle
    /// can turn it.
    pub(crate) fn along(&self, drop: f64) -> Volts {
        let reversed = self.state.arrangement.as_ref().is_some_and(|a| a.reversed);
        Volts::new(if reversed { -drop } else { drop })
    }

    /// The set-point, less the drop, must drive a current; `found` is the most that may flow by what
    /// was read. A supply that has tripped, or a contact that is open, drives none; without this check
    /// such a run would wait for the needle for ever.
    fn fed(&mut self, tick: &Tick, found: Amps) -> Result<(), Fault> {
        let Some(arrangement) = &self.state.arrangement else {
            return Ok(());
        };
        let supply = &self.rig.supply;
        let volts = self.bench.instruments.output.volts();
        let left = supply.lowest(volts) - Volts::new(tick.drop).abs();
        let least = left / self.rig.range_high(&arrangement.range);
        self.unfed = if found < least * 0.5 {
            self.unfed + 1
        } else {
            0
        };
        if self.unfed < UNFED {
            return Ok(());
        }
        Err(Fault::NothingFlows {
            volts,
            found,
            least,
        })
    }

    /// Loop current of a cycle by the stated sense resistance; zero with the loop open.
    pub(crate) fn loop_current(&self, tick: &Tick) -> Amps {
        self.sense_ohms()
            .map_or(Amps::ZERO, |ohms| Volts::new(tick.loop_drop) / ohms)
    }

    /// Twice the offset that the loop meter may have, as a current.
    pub(crate) fn loop_doubt(&self) -> Amps {
        let range = self.rig.loop_meter.range_for(Volts::new(self.loop_range));
        self.sense_ohms()
            .map_or(Amps::ZERO, |sense| Volts::new(2.0 * range.offset) / sense)
    }

    pub(crate) fn sense_ohms(&self) -> Option<quantity::Ohms> {
        let arrangement = self.state.arrangement.as_ref()?;
        Some(self.rig.sense[arrangement.range.sense].ohms)
    }

    /// The drop does not fit the range: takes the largest range and reads again.
    async fn widen_drop_range(&mut self) -> Result<f64, Fault> {
        let largest = self
            .rig
            .drop_meter
            .ranges
            .last()
            .map_or(0.0, |range| range.full_scale);
        if self.drop_range >= largest {
            return Err(Fault::Overload("drop"));
        }
        self.set_drop_range(Volts::new(largest)).await?;
        let meter = &mut self.bench.instruments.meters()?.drop;
        volts(meter.read().await?, "drop")
    }

    pub(crate) async fn set_drop_range(&mut self, largest: Volts) -> Result<(), Fault> {
        let range = self.rig.drop_meter.range_for(largest).full_scale;
        if range != self.drop_range
            && let Some(meters) = &mut self.bench.instruments.meters
        {
            configure(&mut meters.drop, range).await?;
            self.drop_range = range;
        }
        Ok(())
    }

    /// A drive may go beyond what its arrangement was made for: then the loop meter's range has to
    /// follow.
    pub(crate) async fn loop_holds(&mut self, most: Amps) -> Result<(), Fault> {
        let over_sense = self.sense_ohms().map_or(Volts::ZERO, |sense| most * sense);
        if over_sense.get() > self.loop_range {
            self.set_loop_range(over_sense).await?;
        }
        Ok(())
    }

    pub(crate) async fn set_loop_range(&mut self, largest: Volts) -> Result<(), Fault> {
        let range = self.rig.loop_meter.range_for(largest).full_scale;
        if range != self.loop_range
            && let Some(meters) = &mut self.bench.instruments.meters
        {
            configure(&mut meters.over_sense, range).await?;
            self.loop_range = range;
        }
        Ok(())
    }
}

/// A sighting, and when it came.
struct Looked {
    sighting: Sighting,
    at: Instant,
}

/// A look at the needle, which is waited for so long; a person is asked elsewhere.
async fn look(sight: &mut dyn Sight, patience: Option<Duration>) -> Option<Looked> {
    let patience = patience?;
    let sighting = tokio::time::timeout(patience, sight.look()).await;
    let sighting = sighting.unwrap_or_else(|_| Sighting {
        age: 0.0,
        seen: Err(format!("no picture within {} s", patience.as_secs_f64())),
    });
    let at = Instant::now();
    Some(Looked { sighting, at })
}

/// A bridge that starts anew by itself has moved every potentiometer.
pub(crate) async fn confirm(pots: &mut Option<PotCodes>) -> Result<(), Fault> {
    match pots {
        Some(pots) => pots.confirm().await,
        None => Ok(()),
    }
}

/// DC volts on a fixed range, one power-line cycle.
async fn configure(meter: &mut Meter, range: f64) -> Result<(), Fault> {
    Ok(meter.configure_dc_volts(Volts::new(range), 1.0).await?)
}

/// A number, or the fault that an overload is; not-a-number is an instrument error.
pub(crate) fn volts(reading: Reading, which: &'static str) -> Result<f64, Fault> {
    match reading {
        Reading::Value(value) => Ok(value),
        Reading::Overload { .. } => Err(Fault::Overload(which)),
        Reading::NotANumber => Err(Fault::Instrument(format!(
            "the {which} meter answered that it has no number"
        ))),
    }
}

/// Ends when somebody asks to stop, or when the watcher is lost.
pub(crate) async fn stopped(
    stop: &mut tokio::sync::watch::Receiver<bool>,
    watched: &mut Watched,
) -> Fault {
    let asked = async {
        // A dropped sender can't ask any more: then this never ends.
        if stop.wait_for(|asked| *asked).await.is_err() {
            std::future::pending::<()>().await;
        }
    };
    tokio::select! {
        biased;
        () = asked => Fault::Interrupted,
        fault = watched.lost() => fault,
    }
}
