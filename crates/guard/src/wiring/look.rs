//! What the meters show at one arrangement, and what follows from it. Pure.

use crate::check::Drive;
use crate::rig::{Rig, on_grid};
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
    let volts = on_grid(highest, supply.resolution).min(supply.max_voltage);
    let bound = supply.highest(volts, Volts::ZERO) / least;
    let drive = Drive {
        volts,
        bound,
        expected: bound,
        peak: None,
    };
    (volts > Volts::ZERO).then_some(drive)
}

/// Doubt about the supply's step from zero to `set` before it was measured, V.
pub(super) fn doubt_of_set(rig: &Rig, set: f64) -> f64 {
    let supply = &rig.supply;
    supply.accuracy * set + supply.offset.get() + 0.5 * supply.resolution.get()
}

/// Path and supply voltage, worked out together from readings over several sense elements.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Solved {
    /// All of the loop but the sense element, Ω.
    pub path: f64,
    /// The supply's step, V.
    pub volts: f64,
}

impl Solved {
    /// The sense element that reads `volts`.
    pub fn sense(self, volts: f64) -> f64 {
        self.path * volts / (self.volts - volts)
    }
}

/// A misfit counts no more than so many times its doubt: a wrong part is wrong, however much.
const MISFIT: f64 = 10.0;

/// `readings`: stated ohms of a sense element, volts read over it, and their standard uncertainty.
/// `path` and `set` are stated, each with its doubt. What is wrong counts against itself only: the
/// answer is the one with which most are right.
pub(super) fn solve(
    readings: &[(f64, f64, f64)],
    path: (f64, f64),
    set: (f64, f64),
) -> Option<Solved> {
    let mut tries = Vec::new();
    for (n, &(a, va, _)) in readings.iter().enumerate() {
        let volts = set.0;
        tries.push(Solved {
            path: a * (volts / va - 1.0),
            volts,
        });
        for &(b, vb, _) in &readings[n + 1..] {
            let volts = va * vb * (a - b) / (a * vb - b * va);
            tries.push(Solved {
                path: a * (volts / va - 1.0),
                volts,
            });
        }
    }
    let cost = |solved: &Solved| -> f64 {
        let of = |misfit: f64, doubt: f64| (misfit.abs() / doubt).min(MISFIT);
        let parts = readings.iter().map(|&(stated, volts, u)| {
            let doubt = stated * (5e-4 + DOUBT * u / volts);
            of(solved.sense(volts) - stated, doubt)
        });
        parts.sum::<f64>() + of(solved.path - path.0, path.1)
    };
    let sound = |s: &Solved| s.path > 0.0 && (s.volts - set.0).abs() <= 2.0 * set.1;
    let tries = tries.into_iter().filter(sound);
    tries.min_by(|a, b| cost(a).total_cmp(&cost(b)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40.2 kΩ at 48.5 mV where 40 kΩ and 48 mV are stated, over four sense elements.
    fn readings(sense: [f64; 4]) -> Vec<(f64, f64, f64)> {
        let stated = [1e4, 1e3, 100.0, 10.0];
        let read = |ohms: f64| 48.5e-3 * ohms / (40.2e3 + ohms);
        let each = stated.into_iter().zip(sense);
        each.map(|(stated, ohms)| (stated, read(ohms), 1e-7))
            .collect()
    }

    fn solved(sense: [f64; 4]) -> Solved {
        solve(&readings(sense), (40e3, 400.0), (48e-3, 1.1e-3)).unwrap()
    }

    #[test]
    fn path_and_voltage_are_found_though_neither_is_as_stated() {
        for sense in [
            [1e4, 1e3, 100.0, 10.0],
            [1e3, 1e4, 100.0, 10.0],
            [1e4, 1.02e3, 100.0, 10.0],
        ] {
            let found = solved(sense);
            let close = (found.path / 40.2e3 - 1.0).abs() < 5e-3;
            assert!(
                close && (found.volts / 48.5e-3 - 1.0).abs() < 5e-3,
                "{found:?}"
            );
        }
    }
}
