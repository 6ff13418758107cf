//! Meters that a person holds to the circuit: when they are read, and which readings can be.
//!
//! Between two answers nothing is measured. What keeps the needle safe meanwhile:
//! * What counts is the worst that the rig file makes of the set-point. A reading tells of the state of
//!   the rig in which it was made, and of no other; what was not read teaches nothing.
//! * After each change of the current the needle is asked for, then the meters, and there is no other
//!   change before both are answered. The needle comes first, since it is what can be bent.
//! * The allowance doubles at most with each answer, from the current that was read.
//! * Less current than before counts only once a reading has shown it. At zero volts nothing is asked
//!   until contacts are to move, which no current may flow for.

use crate::act::HIDDEN;
use crate::core::Core;
use crate::fault::Fault;
use crate::person::Nobody;
use crate::proposal::{Halt, Report, Settle};
use crate::rest::{Stillness, Tick};
use crate::state::{Arrangement, loop_low};
use crate::watch::{confirm, stopped};
use evidence::{Needle, Probed};
use quantity::{Amps, Ohms, Seconds, Volts};

/// A movement may seem to have so much more or less resistance than at the reading before: it warms.
const OHMS_CHANGE: f64 = 0.15;

/// Why readings can hardly be, with the arithmetic.
struct Doubt {
    why: String,
    /// What they mean, should they stay.
    fault: Option<Fault>,
}

impl Core {
    /// Lets time pass, unless the run is to end.
    pub(crate) async fn pause(&mut self, time: Seconds) -> Result<(), Fault> {
        let passes = async {
            tokio::time::sleep(time.duration()).await;
            Ok(())
        };
        tokio::select! {
            biased;
            fault = stopped(&mut self.stop, &mut self.watched) => Err(fault),
            done = self.bench.instruments.output.alive_during(passes) => done,
        }
    }

    /// Cycles for so long; none by hand, where time only passes.
    pub(crate) async fn cycles(&mut self, time: Seconds) -> Result<Vec<Tick>, Fault> {
        let mut ticks = Vec::new();
        if self.rig.probed_by_hand() {
            self.pause(time).await?;
            return Ok(ticks);
        }
        let end = self.now() + time.get();
        while self.now() < end {
            ticks.push(self.careful_tick().await?);
        }
        Ok(ticks)
    }

    /// One cycle; by hand none, since nobody has to look before current flows.
    pub(crate) async fn glance(&mut self) -> Result<Vec<Tick>, Fault> {
        match self.rig.probed_by_hand() {
            true => Ok(Vec::new()),
            false => Ok(vec![self.tick().await?]),
        }
    }

    /// What a new set-point makes. By hand that is looked at once, at the end of the way, when the
    /// needle has had time to follow; not at zero volts.
    pub(crate) async fn driven(&mut self, arrived: bool) -> Result<Option<Tick>, Fault> {
        if !self.rig.probed_by_hand() {
            return self.tick().await.map(Some);
        }
        if !arrived || self.volts() <= Volts::ZERO {
            return Ok(None);
        }
        if self.owes_answer() {
            self.let_settle().await?;
        }
        self.asked_tick().await.map(Some)
    }

    /// One cycle with the readings of this state; asks for them where there are none yet.
    pub(crate) async fn cycle_by_hand(&mut self, said: Option<Needle>) -> Result<Tick, Fault> {
        let (over_sense, across) = match self.person.as_ref().and_then(|asked| asked.readings) {
            Some(readings) => readings,
            None => self.ask_readings().await?,
        };
        confirm(&mut self.bench.instruments.pots).await?;
        self.bench.instruments.output.keep_alive().await?;
        let at = self.now();
        let tick = Tick {
            at,
            seen_at: at,
            needle: said.map(|needle| (needle.deflection, needle.u)),
            loop_drop: over_sense,
            drop: across,
        };
        self.keep_watch(&tick, said)?;
        self.judge(&tick, self.answered_step().get())?;
        Ok(tick)
    }

    /// Asks for both readings, and again where they can't be. Who looks again and reads the same has
    /// read it: then they are a fault, or, where only what was read before speaks against them, taken.
    async fn ask_readings(&mut self) -> Result<(f64, f64), Fault> {
        let mut about = match self.volts() > Volts::ZERO {
            true => format!("The supply stands at {}", self.volts()),
            false => "The supply stands at zero".to_owned(),
        };
        let mut doubted = None;
        let readings = loop {
            let readings = self.probe_both(&about).await?;
            let Some(doubt) = self.doubt(readings) else {
                break readings;
            };
            if doubted == Some(readings) {
                match doubt.fault {
                    Some(fault) => return Err(fault),
                    None => break readings,
                }
            }
            doubted = Some(readings);
            about = format!(
                "{}. Look again, at range, prefix and leads; the same readings are then taken as they are",
                doubt.why
            );
        };
        self.loop_range = self
            .rig
            .loop_meter
            .range_for(Volts::new(readings.0))
            .full_scale;
        self.drop_range = self
            .rig
            .drop_meter
            .range_for(Volts::new(readings.1))
            .full_scale;
        self.seen_ohms = self.ohms_of(readings).or(self.seen_ohms);
        if let Some(asked) = &mut self.person {
            asked.readings = Some(readings);
        }
        Ok(readings)
    }

    /// Both readings as they are typed.
    pub(crate) async fn probe_both(&mut self, about: &str) -> Result<(f64, f64), Fault> {
        let [over_sense, across] = self.probe(about, [Probed::Sense, Probed::Movement]).await?;
        Ok((over_sense, across))
    }

    /// One reading for each place; fewer or more are an error.
    async fn probe<const N: usize>(
        &mut self,
        about: &str,
        places: [Probed; N],
    ) -> Result<[f64; N], Fault> {
        let mut sight = std::mem::replace(&mut self.bench.sight, Box::new(Nobody));
        let asked = async { Ok(sight.probe(about, &places).await) };
        let read = tokio::select! {
            biased;
            fault = stopped(&mut self.stop, &mut self.watched) => return Err(fault),
            read = self.bench.instruments.output.alive_during(asked) => read?,
        };
        self.bench.sight = sight;
        let by_hand = |reason: String| Fault::Instrument(format!("meters by hand: {reason}"));
        let read = read.map_err(|reason| by_hand(reason.to_string()))?;
        <[f64; N]>::try_from(read)
            .map_err(|read| by_hand(format!("{} readings where {N} were asked for", read.len())))
    }

    /// The voltage over the sense element in a loop without the movement; asked again where the rig
    /// file makes it impossible.
    pub(crate) async fn probe_loop(
        &mut self,
        next: &Arrangement,
        set: Volts,
    ) -> Result<Volts, Fault> {
        self.pause(self.rig.supply.settle * 2.0).await?;
        let mut about = format!("The loop is without the movement. The supply stands at {set}");
        let mut doubted = None;
        loop {
            let [read] = self.probe(&about, [Probed::Sense]).await?;
            let read = Volts::new(read);
            self.loop_range = self.rig.loop_meter.range_for(read).full_scale;
            let Err(fault) = self.loop_of(next, set, read) else {
                return Ok(read);
            };
            if doubted == Some(read) {
                return Err(fault);
            }
            doubted = Some(read);
            about =
                format!("{read} can hardly be: {fault}. Look again, at range, prefix and leads");
        }
    }

    /// What speaks against these readings: the rig file, or the readings before.
    fn doubt(&self, (over_sense, across): (f64, f64)) -> Option<Doubt> {
        let arrangement = self.state.arrangement.as_ref()?;
        let (supply, volts) = (&self.rig.supply, self.volts());
        let (over_sense, drop) = (Volts::new(over_sense), self.along(across));
        let sense = self.rig.sense[arrangement.range.sense].ohms;
        let u_sense = Volts::new(2.0 * self.rig.loop_meter.range_for(over_sense).offset);
        let u_drop = Volts::new(2.0 * self.rig.drop_meter.range_for(drop).offset)
            + self.rig.limits.thermal_emf;
        let highest = supply.highest(volts, volts);
        let low = loop_low(&self.rig, arrangement);
        if over_sense < -u_sense || drop < -u_drop {
            let swapped =
                "the current comes in at the red lead of either place: one is the other way round";
            let why = format!(
                "{over_sense} and {} can hardly be: {swapped}",
                Volts::new(across)
            );
            let fault = Some(Fault::Instrument(format!("meters by hand: {why}")));
            return Some(Doubt { why, fault });
        }
        let found = over_sense.abs() / sense;
        let most =
            (highest - drop + u_drop).max(Volts::ZERO) / low * HIDDEN * self.falsified.current;
        let least = (supply.lowest(volts) - self.unloaded(drop) - u_drop)
            / self.rig.range_high(&arrangement.range)
            / (HIDDEN * self.falsified.ruler);
        let doubt = u_sense / sense;
        if found > most + doubt || found < least - doubt {
            let why = format!(
                "{over_sense} over {sense} are {found:.3}, which can hardly be: of the supply's {volts} \
                 the movement takes {drop}, and the rest drives {:.3} to {:.3}",
                (least - doubt).max(Amps::ZERO),
                most + doubt
            );
            let fault = match found > most {
                true => Fault::Current { found, bound: most },
                false => Fault::TooLittle {
                    volts,
                    found,
                    least,
                },
            };
            return Some(Doubt {
                why,
                fault: Some(fault),
            });
        }
        self.other_movement(drop, found, (u_drop, doubt))
    }

    /// The most that a drop may be while the meter is held elsewhere: in the hand it takes its own current
    /// from whatever it is held to, which matters where no coil takes any.
    pub(crate) fn unloaded(&self, drop: Volts) -> Volts {
        match (&self.state.arrangement, self.rig.probed_by_hand()) {
            (Some(arrangement), true) => {
                let source = self.rig.range_high(&arrangement.range);
                drop * (1.0 + source / self.rig.drop_meter.input)
            }
            _ => drop,
        }
    }

    /// The movement's resistance can't be quite another one than before.
    fn other_movement(&self, drop: Volts, current: Amps, u: (Volts, Amps)) -> Option<Doubt> {
        let (before, u_before) = self.seen_ohms.filter(|_| !self.shunted())?;
        let expected = current * before;
        let may_differ = expected * (OHMS_CHANGE + u_before) + u.0 + u.1 * before;
        ((drop - expected).abs() > may_differ).then(|| Doubt {
            why: format!(
                "{drop} across the movement can hardly be: it had {before:.3} before, which makes \
                 {expected:.3} at {current:.3}"
            ),
            fault: None,
        })
    }

    /// The movement's resistance by both readings, with its relative doubt; none with a shunt beside it,
    /// or where they say too little.
    fn ohms_of(&self, (over_sense, across): (f64, f64)) -> Option<(Ohms, f64)> {
        let sense = self.sense_ohms().filter(|_| !self.shunted())?;
        let share = |value: f64, spec: &crate::rig::MeterSpec| {
            let range = spec.range_for(Volts::new(value));
            2.0 * (range.offset / value.abs() + range.gain)
        };
        let u = share(over_sense, &self.rig.loop_meter) + share(across, &self.rig.drop_meter);
        let ohms = Volts::new(across.abs()) / (Volts::new(over_sense.abs()) / sense);
        (u < 0.5).then_some((ohms, u))
    }

    /// The least that the set-point drives through the movement; nothing while its resistance is not
    /// known.
    pub(crate) fn drives_at_least(&self) -> Amps {
        let (Some(arrangement), Some((ohms, u))) = (&self.state.arrangement, self.seen_ohms) else {
            return Amps::ZERO;
        };
        let movement = ohms * (1.0 + OHMS_CHANGE + u);
        self.rig.supply.lowest(self.volts()) / (self.rig.range_high(&arrangement.range) + movement)
    }

    /// Rest by the eye of the person: the needle was asked for once it rested, and the meters after it.
    /// There is one reading of each, and no window.
    pub(crate) async fn settle_by_hand(&mut self, settle: Settle) -> Result<Report, Halt> {
        if self
            .person
            .as_ref()
            .is_some_and(|asked| asked.needle.is_none())
        {
            self.pause(settle.window).await?;
        }
        let tick = self.asked_tick().await?;
        let Some((deflection, u)) = tick.needle else {
            return Err(Fault::Restless(settle.window).into());
        };
        let still = Stillness {
            mean: deflection,
            s: u,
            stated: u,
            slope: 0.0,
            slope_u: 0.0,
            drop: tick.drop,
            drop_change: (0.0, 0.0),
            span: 0.0,
            n: 1,
        };
        self.conclude(vec![tick], &[tick], &still, settle)
    }
}
