//! The instruments in the hands of the check: contacts at zero volts, then a look at so small a
//! current that it may flow anywhere.

use super::Step;
use super::look::{Look, difference, level};
use crate::contacts::move_group;
use crate::fault::Fault;
use crate::instruments::{Instruments, Meters};
use crate::output::Armed;
use crate::rig::Rig;
use crate::safe::confirm_no_voltage;
use crate::state::moves;
use crate::watch::{stopped, volts};
use crate::watcher::Watched;
use quantity::{Ohms, Seconds, Volts};
use std::collections::BTreeSet;
use tokio::sync::watch;
use tokio::time::{Instant, sleep_until};

/// The supply's own watchdog is given something to hear this often.
const LISTENED: Seconds = Seconds::milli(200.0);

/// Readings at each level.
const READINGS: usize = 12;
/// Longest drop range needed: nothing here exceeds what the first touch makes over the whole loop.
const DROP_RANGE: Volts = Volts::new(1.0);
/// A needle and what it induces get so long to come to rest, where current flows in it.
pub(super) const NEEDLE: Seconds = Seconds::new(2.0);

pub(super) struct Hands<'a, T> {
    pub instruments: Instruments,
    rig: &'a Rig,
    stop: watch::Receiver<bool>,
    watched: Watched,
    told: T,
    /// What the supply's step is larger by than its set-point, V, once that was measured.
    pub shift: f64,
    energised: BTreeSet<u32>,
    began: Instant,
    number: usize,
    of: usize,
}

impl<'a, T: FnMut(&Step)> Hands<'a, T> {
    pub fn new(
        rig: &'a Rig,
        instruments: Instruments,
        stop: watch::Receiver<bool>,
        watched: Watched,
        told: T,
    ) -> Self {
        Self {
            instruments,
            rig,
            stop,
            watched,
            told,
            shift: 0.0,
            energised: BTreeSet::new(),
            began: Instant::now(),
            number: 0,
            of: 0,
        }
    }

    /// Both meters to DC volts, read back; then the output on at zero volts, all contacts at rest.
    pub async fn go_live(&mut self) -> Result<(), Fault> {
        let touch = self.rig.limits.first_touch;
        let largest = self.rig.sense.iter().map(|e| touch * e.high());
        let over_sense = largest.fold(Volts::ZERO, Volts::max) * 1.05;
        let range = self.rig.loop_meter.range_for(over_sense).full_scale;
        let meters = self.instruments.meters()?;
        meters
            .over_sense
            .configure_dc_volts(Volts::new(range), 1.0)
            .await?;
        let range = self.rig.drop_meter.range_for(DROP_RANGE).full_scale;
        meters
            .drop
            .configure_dc_volts(Volts::new(range), 1.0)
            .await?;
        let limit = self.least_limit();
        let output = &mut self.instruments.output;
        output.protect(self.rig.supply.max_voltage * 1.05).await?;
        output.limit(limit).await?;
        output.enable(&self.watched).await?;
        confirm_no_voltage(self.rig, output).await
    }

    /// The smallest current limit at which a supply still holds its voltage.
    fn least_limit(&self) -> quantity::Amps {
        let supply = &self.rig.supply;
        let least = (supply.current_resolution * 5.0).max(quantity::Amps::milli(5.0));
        least.min(supply.max_current)
    }

    /// How many steps there will be.
    pub fn expect(&mut self, steps: usize) {
        self.of = steps;
        self.began = Instant::now();
    }

    /// Tells that another step begins.
    pub fn step(&mut self, what: &str) {
        let done = self.number as f64;
        self.number += 1;
        self.of = self.of.max(self.number);
        let left = (self.of as f64 - done) * self.began.elapsed().as_secs_f64() / done;
        (self.told)(&Step {
            number: self.number,
            of: self.of,
            what: what.to_owned(),
            left: (done > 0.0).then_some(Seconds::new(left)),
        });
    }

    /// Exactly these relays energised, moved at zero volts and read back.
    pub async fn put(&mut self, wanted: BTreeSet<u32>) -> Result<(), Fault> {
        self.down().await?;
        confirm_no_voltage(self.rig, &mut self.instruments.output).await?;
        self.instruments.output.new_state();
        let moves = moves(self.rig, &self.energised, &wanted);
        for group in [moves.lowering, moves.polarity, moves.raising, moves.closing] {
            move_group(self.rig, &mut self.instruments.switch, &group).await?;
        }
        self.energised = wanted;
        Ok(())
    }

    /// Exactly these codes at the potentiometers, at zero volts; none at all for those of power-up.
    pub async fn codes(&mut self, codes: &[u16]) -> Result<(), Fault> {
        self.down().await?;
        match &mut self.instruments.pots {
            Some(pots) => pots.reach(codes).await,
            None => Ok(()),
        }
    }

    /// Looks at the loop at the highest level that is safe for `least` ohms; none where the supply
    /// can't be set to so little.
    pub async fn look(&mut self, least: Ohms, wait: Seconds) -> Result<Option<Look>, Fault> {
        let Some(drive) = level(self.rig, least) else {
            return Ok(None);
        };
        let low = self.read().await?;
        let output = &mut self.instruments.output;
        let armed = Armed::new(&drive, Volts::ZERO, output.epoch(), &self.watched)?;
        output.raise(armed, drive.volts).await?;
        self.pause(wait + self.rig.supply.settle * 2.0).await?;
        let high = self.read().await?;
        self.down().await?;
        self.pause(wait).await?;
        let offset = |range: &evidence::MeterRange| range.offset;
        let over_sense = offset(self.rig.loop_meter.range_for(drive.volts));
        let drop = offset(self.rig.drop_meter.range_for(DROP_RANGE));
        Ok(Some(Look {
            set: drive.volts.get() + self.shift,
            over_sense: difference(&high.0, &low.0, over_sense),
            drop: difference(&high.1, &low.1, drop),
        }))
    }

    async fn down(&mut self) -> Result<(), Fault> {
        self.instruments.output.lower(Volts::ZERO).await?;
        self.pause(self.rig.supply.settle * 2.0).await
    }

    async fn pause(&mut self, time: Seconds) -> Result<(), Fault> {
        let until = Instant::now() + time.duration();
        while Instant::now() < until {
            let next = until.min(Instant::now() + LISTENED.duration());
            tokio::select! {
                biased;
                fault = stopped(&mut self.stop, &mut self.watched) => return Err(fault),
                () = sleep_until(next) => {}
            }
            self.instruments.output.keep_alive().await?;
        }
        Ok(())
    }

    /// Readings over the sense element and across the movement.
    async fn read(&mut self) -> Result<(Vec<f64>, Vec<f64>), Fault> {
        let (mut over_sense, mut drop) = (Vec::new(), Vec::new());
        for _ in 0..READINGS {
            let Meters {
                drop: across,
                over_sense: sense,
            } = self.instruments.meters()?;
            let both = async { tokio::join!(biased; sense.read(), across.read()) };
            let (a, b) = tokio::select! {
                biased;
                fault = stopped(&mut self.stop, &mut self.watched) => return Err(fault),
                both = both => both,
            };
            over_sense.push(volts(a?, "loop")?);
            drop.push(volts(b?, "drop")?);
        }
        Ok((over_sense, drop))
    }
}
