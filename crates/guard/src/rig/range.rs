//! A range: path, series and sense elements together, chosen for the current they must carry.

use super::{Element, Rig};
use quantity::{Amps, Ohms, Volts};

/// Share of the supply's maximum that a range's top current may need.
const SUPPLY_SHARE: f64 = 0.93;
/// Ratio of one creep range to the next, at most.
const DECADE: f64 = 10.0;
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
        let carries =
            |e: &Element| (top * top.get()).get() * e.high().get() <= e.power.get() * RATING_SHARE;
        let mut senses: Vec<usize> = (0..self.sense.len())
            .filter(|&i| top * self.sense[i].ohms <= SENSE_TOP && carries(&self.sense[i]))
            .collect();
        senses.sort_by(|&a, &b| {
            self.sense[b]
                .ohms
                .get()
                .total_cmp(&self.sense[a].ohms.get())
        });
        let contacts = self.contacts_high();
        let room = |sense: usize| total - self.sense[sense].high() - movement - contacts;
        // The lightest path first; on it the largest sense element that leaves enough voltage.
        let (path, sense) = (0..=heaviest.min(self.paths.len() - 1))
            .filter(|&path| carries(&self.paths[path].fixed))
            .flat_map(|path| senses.iter().map(move |&sense| (path, sense)))
            .find(|&(path, sense)| self.paths[path].fixed.high() <= room(sense))?;
        let mut left = room(sense) - self.paths[path].fixed.high();
        let mut series = vec![false; self.series.len()];
        for (used, element) in series.iter_mut().zip(&self.series) {
            if element.high() <= left && carries(element) {
                *used = true;
                left -= element.high();
            }
        }
        Some(Range {
            path,
            series,
            sense,
            top,
        })
    }

    /// The ranges that creep uses, from first touch to the heaviest path: the lightest path with
    /// most of the series bank, then each path as far as it goes.
    pub fn creep_ranges(&self) -> Vec<Range> {
        let mut ranges: Vec<Range> = Vec::new();
        let mut top = self.limits.first_touch * 10.0;
        for path in 0..self.paths.len() {
            let most = self.most(path);
            while top < most * 0.5 {
                ranges.extend(self.range_for(top, Ohms::ZERO, path));
                top = top * DECADE;
            }
            ranges.extend(self.range_for(most, Ohms::ZERO, path));
            top = most * DECADE;
        }
        ranges
    }

    /// The largest current that a path can drive at all, with the sense element that allows most.
    fn most(&self, path: usize) -> Amps {
        let fixed = &self.paths[path].fixed;
        let by_power =
            |e: &Element| Amps::new((e.power.get() * RATING_SHARE / e.high().get()).sqrt());
        let tops = self.sense.iter().map(|sense| {
            let by_voltage = self.supply.max_voltage * SUPPLY_SHARE
                / (fixed.high() + sense.high() + self.contacts_high());
            by_voltage
                .min(SENSE_TOP / sense.ohms)
                .min(by_power(sense))
                .min(by_power(fixed))
        });
        tops.fold(Amps::ZERO, Amps::max)
            .min(self.supply.max_current)
            * 0.999
    }

    /// Resistance of all closed contacts in the loop at most: two poles of the source, path, sense,
    /// movement, two of the polarity, and one that shorts each series element.
    fn contacts_high(&self) -> Ohms {
        self.switch.contact * (7 + self.series.len()) as f64
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
        let series = self
            .series
            .iter()
            .zip(&range.series)
            .filter(|(_, used)| **used);
        value(&self.paths[range.path].fixed)
            + value(&self.sense[range.sense])
            + series.map(|(element, _)| value(element)).sum()
    }
}
