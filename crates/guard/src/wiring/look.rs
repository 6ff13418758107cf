//! What the meters show at one arrangement, and what follows from it. Pure.

use crate::check::Drive;
use crate::rig::Rig;
use quantity::{Ohms, Volts};

/// A reading counts as seen from so many times its standard uncertainty on.
const SURE: f64 = 6.0;
/// Doubt about a value, in standard uncertainties of its reading.
pub(super) const DOUBT: f64 = 4.0;
/// Readings are averaged over few values; their scatter is not taken for less than this share of
/// the meter's offset.
const LEAST_SCATTER: f64 = 0.02;

/// Mean readings, less those at zero volts, so that offsets and thermal EMFs drop out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Look {
    /// Set-point, V.
    pub set: f64,
    /// Over the sense element, V, and its standard uncertainty.
    pub over_sense: (f64, f64),
    /// Across the movement, V, and its standard uncertainty.
    pub drop: (f64, f64),
}

impl Look {
    /// Whether current flows in the loop.
    pub fn flows(&self) -> bool {
        sure(self.over_sense)
    }

    /// Whether the drop meter shows something.
    pub fn drops(&self) -> bool {
        sure(self.drop)
    }

    /// Resistance of the whole loop by a sense element of so many ohms, with its standard
    /// uncertainty from scatter alone; none when nothing flows.
    pub fn total(&self, sense: f64) -> Option<(f64, f64)> {
        let (volts, u) = (self.over_sense.0.abs(), self.over_sense.1);
        let ohms = self.set * sense / volts;
        self.flows().then_some((ohms, ohms * u / volts))
    }
}

fn sure((volts, u): (f64, f64)) -> bool {
    volts.abs() > SURE * u
}

/// Mean of `high` less mean of `low`, and its standard uncertainty; `floor` is the least scatter.
pub(super) fn difference(high: &[f64], low: &[f64], offset: f64) -> (f64, f64) {
    let floor = offset * LEAST_SCATTER;
    let one = |values: &[f64]| {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        (mean, (squares / (n - 1.0) / n).sqrt())
    };
    let ((high, a), (low, b)) = (one(high), one(low));
    (high - low, a.hypot(b).max(floor))
}

/// The highest set-point at which no more than the first touch can flow through `least` ohms; none
/// where the supply's smallest step is too large for that.
pub(super) fn level(rig: &Rig, least: Ohms) -> Option<Drive> {
    let supply = &rig.supply;
    let most = rig.limits.first_touch * least - supply.offset;
    let highest = most / (1.0 + supply.accuracy + supply.overshoot);
    let grid = supply.resolution;
    let volts = (grid * (highest / grid + 1e-9).floor()).min(supply.max_voltage);
    let bound = supply.highest(volts, Volts::ZERO) / least;
    let drive = Drive {
        volts,
        bound,
        expected: bound,
        peak: None,
    };
    (volts > Volts::ZERO).then_some(drive)
}

/// Share by which the difference of two set-points may be off.
pub(super) fn share_of_set(rig: &Rig, set: f64) -> f64 {
    rig.supply.accuracy + 0.5 * rig.supply.resolution.get() / set
}
