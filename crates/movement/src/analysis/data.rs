//! The observations of a run, picked by what they are for, with the stated errors of what read them.

use evidence::{MeterRange, Observation, Purpose, RigStatement};
use quantity::Uncertain;

/// Labels of errors that several figures share.
pub(super) const LOOP_GAIN: &str = "loop meter gain";
pub(super) const LOOP_OFFSET: &str = "loop meter offset";
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
            kind && o.set.shunt.is_empty() && current(o).is_some_and(|i| i.abs() > 0.0)
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
            errors.push(Uncertain::rectangular(
                0.0,
                range.offset / reading.value.abs(),
                LOOP_OFFSET,
            ));
        }
        errors
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
