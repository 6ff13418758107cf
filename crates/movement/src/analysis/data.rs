//! The observations of a run, picked by what they are for, with the stated errors of what read them.

use evidence::{MeterRange, Observation, Purpose, RigStatement};
use quantity::{Uncertain, Volts};

/// Labels of errors that several figures share.
pub(super) const LOOP_GAIN: &str = "loop meter gain";
pub(super) const LOOP_OFFSET: &str = "loop meter offset";
pub(super) const LOOP_DIGITS: &str = "digits of the loop meter";
const LOOP_LOAD: &str = "load of the loop meter";
/// Share of the sense element's current that a meter may take without being counted.
const SLIGHT_LOAD: f64 = 1e-5;
pub(super) const DROP_GAIN: &str = "drop meter gain";
pub(super) const READER: &str = "reader's dial set-up";

pub(super) struct Data<'a> {
    pub rig: &'a RigStatement,
    pub all: &'a [Observation],
}

impl<'a> Data<'a> {
    pub fn new(rig: &'a RigStatement, all: &'a [Observation]) -> Self {
        Self { rig, all }
    }

    /// Rest observations with current in the unshunted movement.
    pub fn rests(&self) -> impl Iterator<Item = &'a Observation> + use<'a> {
        let with_current = |o: &&Observation| {
            let kind = matches!(
                o.purpose,
                Purpose::Rising | Purpose::Falling | Purpose::Unshunted
            );
            // What flows with the supply at zero is offsets.
            kind && o.set.supply > Volts::ZERO
                && o.set.shunt.is_empty()
                && current(o).is_some_and(|i| i.abs() > 0.0)
        };
        self.all.iter().filter(with_current)
    }

    pub fn zero_before(&self) -> Option<f64> {
        self.first(Purpose::ZeroBefore)?
            .needle
            .map(|needle| needle.deflection)
    }

    pub fn zero_after(&self) -> Option<f64> {
        self.first(Purpose::ZeroAfter)?
            .needle
            .map(|needle| needle.deflection)
    }

    fn first(&self, purpose: Purpose) -> Option<&'a Observation> {
        self.all.iter().find(|o| o.purpose == purpose)
    }

    /// Relative errors of a current by this observation's sense element: element, gain, where it matters
    /// the meter's load, and last its offset.
    pub fn current_errors(&self, o: &Observation) -> Vec<Uncertain> {
        let Some(sense) = o.set.sense else {
            return Vec::new();
        };
        let tolerance = self
            .rig
            .sense
            .iter()
            .find(|e| e.ohms == sense)
            .map_or(0.0, |e| e.tolerance);
        let label = format!("sense element {sense}");
        let mut errors = vec![Uncertain::rectangular(0.0, tolerance, &label)];
        if let Some(reading) = o.loop_drop {
            let range = range(&self.rig.loop_meter, reading.range);
            errors.push(Uncertain::rectangular(0.0, range.gain, LOOP_GAIN));
            let load = self.rig.loop_input.map_or(0.0, |input| sense / input);
            if load > SLIGHT_LOAD {
                errors.push(Uncertain::rectangular(0.0, load, LOOP_LOAD));
            }
            if range.resolution > 0.0 {
                let half = range.resolution / 2.0 / reading.value.abs();
                errors.push(Uncertain::rectangular(0.0, half, LOOP_DIGITS));
            }
            errors.push(Uncertain::rectangular(
                0.0,
                range.offset / reading.value.abs(),
                LOOP_OFFSET,
            ));
        }
        errors
    }

    /// Standard uncertainty that the digits of both displays leave of a drop, as if it were all the
    /// drop's, V; `ohms` is the movement's resistance.
    pub fn digits(&self, o: &Observation, ohms: f64) -> f64 {
        let count = |ranges: &[MeterRange], reading: Option<evidence::Reading>| {
            reading.map_or(0.0, |reading| range(ranges, reading.range).resolution)
        };
        let sense = o.set.sense.map_or(f64::INFINITY, |sense| sense.get());
        let current = count(&self.rig.loop_meter, o.loop_drop) / sense;
        count(&self.rig.drop_meter, o.drop).hypot(ohms * current) / 12.0_f64.sqrt()
    }

    /// What the loop meter may be off by in this observation, relative, each range by itself: gain and
    /// digits and offset.
    pub fn loop_meter_errors(&self, o: &Observation) -> Vec<Uncertain> {
        let Some(reading) = o.loop_drop else {
            return Vec::new();
        };
        let range = range(&self.rig.loop_meter, reading.range);
        let (upper, value) = (range.full_scale, reading.value.abs());
        let digits = format!("{LOOP_DIGITS}, reading {}", o.seq);
        vec![
            Uncertain::rectangular(0.0, range.gain, &format!("{LOOP_GAIN}, range {upper} V")),
            Uncertain::rectangular(
                0.0,
                range.offset / value,
                &format!("{LOOP_OFFSET}, range {upper} V"),
            ),
            Uncertain::rectangular(0.0, range.resolution / 2.0 / value, &digits),
        ]
    }

    /// Relative gain error of the drop meter in an observation.
    pub fn drop_gain(&self, o: &Observation) -> Uncertain {
        let upper = o.drop.map_or(0.0, |reading| reading.range);
        Uncertain::rectangular(0.0, range(&self.rig.drop_meter, upper).gain, DROP_GAIN)
    }
}

/// The stated range with this upper end; one without stated accuracy is counted as useless.
fn range(ranges: &[MeterRange], upper: f64) -> MeterRange {
    let unknown = MeterRange {
        full_scale: upper,
        gain: 1.0,
        offset: f64::INFINITY,
        resolution: 0.0,
    };
    ranges
        .iter()
        .find(|range| range.full_scale == upper)
        .copied()
        .unwrap_or(unknown)
}

/// Loop current in A, by the stated sense resistance.
pub(super) fn current(o: &Observation) -> Option<f64> {
    o.loop_current().map(|amps| amps.get().abs())
}

/// Drop in V; its sign follows the polarity contact, the magnitude is what matters.
pub(super) fn drop(o: &Observation) -> Option<f64> {
    let sign = if o.set.reversed { -1.0 } else { 1.0 };
    o.drop.map(|reading| sign * reading.value)
}

pub(super) fn deflection(o: &Observation) -> Option<f64> {
    o.needle.map(|needle| needle.deflection)
}
