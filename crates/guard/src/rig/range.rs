//! A range: path, series and sense elements together, chosen for the current they must carry.

use super::{Element, Rig};
use quantity::{Amps, Ohms, Volts};

/// Share of the supply's maximum that a range's top current may need.
const SUPPLY_SHARE: f64 = 0.93;
/// Share of a power rating that is used.
const RATING_SHARE: f64 = 0.8;
/// The sense element is the largest one that stays below this at the top current.
const SENSE_TOP: Volts = Volts::new(0.26);

/// Path, series and sense elements together.
#[derive(Clone, Debug, PartialEq)]
pub struct Range {
    /// Index of the path.
    pub path: usize,
    /// Which series elements are in the circuit.
    pub series: Vec<bool>,
    /// Index of the sense element.
    pub sense: usize,
    /// The highest current it is meant for.
    pub top: Amps,
}

impl Rig {
    /// The lightest range that carries `top` through a movement of at most `movement` ohms, on
    /// `heaviest` or a lighter path. None when the rig has none.
    pub fn range_for(&self, top: Amps, movement: Ohms, heaviest: usize) -> Option<Range> {
        let total = self.supply.max_voltage * SUPPLY_SHARE / top;
        let carries = |e: &Element| (top * top.get()).get() * e.high().get() <= e.power.get() * RATING_SHARE;
        let sense = (0..self.sense.len())
            .filter(|&i| top * self.sense[i].ohms <= SENSE_TOP && carries(&self.sense[i]))
            .max_by(|&a, &b| self.sense[a].ohms.get().total_cmp(&self.sense[b].ohms.get()))?;
        let left = total - self.sense[sense].high() - movement;
        let path = (0..=heaviest.min(self.paths.len() - 1))
            .find(|&i| self.paths[i].fixed.high() <= left && carries(&self.paths[i].fixed))?;
        let mut left = left - self.paths[path].fixed.high();
        let mut series = vec![false; self.series.len()];
        for (used, element) in series.iter_mut().zip(&self.series) {
            if element.high() <= left && carries(element) {
                *used = true;
                left -= element.high();
            }
        }
        Some(Range { path, series, sense, top })
    }

    /// The ranges that creep uses, from first touch to the heaviest path, a decade each.
    pub fn creep_ranges(&self) -> Vec<Range> {
        let heaviest = self.paths.len() - 1;
        let mut ranges: Vec<Range> = Vec::new();
        let mut top = self.limits.first_touch * 10.0;
        loop {
            match self.range_for(top, Ohms::ZERO, heaviest) {
                Some(range) => ranges.push(range),
                None => {
                    ranges.extend(self.heaviest_range());
                    return ranges;
                }
            }
            top = top * 10.0;
        }
    }

    /// The range of the largest current that the rig can drive at all.
    fn heaviest_range(&self) -> Option<Range> {
        let heaviest = self.paths.len() - 1;
        let fixed = self.paths[heaviest].fixed.high();
        let tops = self.sense.iter().map(|sense| {
            let by_voltage = self.supply.max_voltage * SUPPLY_SHARE / (fixed + sense.high());
            let by_sense = SENSE_TOP / sense.ohms;
            let by_power = |e: &Element| Amps::new((e.power.get() * RATING_SHARE / e.high().get()).sqrt());
            by_voltage.min(by_sense).min(by_power(sense)).min(by_power(&self.paths[heaviest].fixed))
        });
        let top = tops.fold(Amps::ZERO, Amps::max).min(self.supply.max_current) * 0.999;
        self.range_for(top, Ohms::ZERO, heaviest)
    }

    /// Least resistance of a range, the movement counted as zero.
    pub fn range_low(&self, range: &Range) -> Ohms {
        self.range_sum(range, Element::low)
    }

    /// Stated resistance of path and series bank in a range.
    pub fn range_series(&self, range: &Range) -> Ohms {
        self.range_sum(range, |e| e.ohms) - self.sense[range.sense].ohms
    }

    fn range_sum(&self, range: &Range, value: impl Fn(&Element) -> Ohms) -> Ohms {
        let series = self.series.iter().zip(&range.series).filter(|(_, used)| **used);
        value(&self.paths[range.path].fixed)
            + value(&self.sense[range.sense])
            + series.map(|(element, _)| value(element)).sum()
    }
}
