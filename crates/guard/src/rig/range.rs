//! A range: path, series and sense elements together, chosen for the current they must carry.

use super::{Element, PotBank, Rig};
use quantity::{Amps, Ohms, Volts};

/// Share of the supply's maximum that a range's top current may need.
const SUPPLY_SHARE: f64 = 0.93;
/// Ratio of one creep range to the next, at most.
const DECADE: f64 = 10.0;
/// Share of a power rating that is used.
const RATING_SHARE: f64 = 0.8;
/// The sense element is the largest one that stays below this at the top current.
pub(super) const SENSE_TOP: Volts = Volts::new(0.26);

/// A meter in the hand is to read so many of its offsets at the top of a range, so that it still reads
/// something at its beginning.
const HAND_READS: f64 = 1000.0;

/// Path, series and sense elements together.
#[derive(Clone, Debug, PartialEq)]
pub struct Range {
    /// Index of the path.
    pub path: usize,
    /// Which series elements are in the circuit.
    pub series: Vec<bool>,
    /// Code of each potentiometer; none where the bank has none or is bypassed.
    pub pots: Vec<u16>,
    /// Index of the sense element.
    pub sense: usize,
    /// The highest current it is meant for.
    pub top: Amps,
}

impl Range {
    /// Whether anything of the series bank is in the circuit, so that its bypass is open.
    pub(crate) fn uses_bank(&self) -> bool {
        self.series.contains(&true) || !self.pots.is_empty()
    }
}

impl Rig {
    /// The lightest range that carries `top` through a movement of at most `movement` ohms, on
    /// `heaviest` or a lighter path. None when the rig has none.
    pub fn range_for(&self, top: Amps, movement: Ohms, heaviest: usize) -> Option<Range> {
        let total = self.supply.max_voltage * SUPPLY_SHARE / top;
        let carries =
            |e: &Element| (top * top.get()).get() * e.high().get() <= e.power.get() * RATING_SHARE;
        let reads = |sense: &Element| top * sense.ohms <= SENSE_TOP && self.reads(top, sense);
        let mut senses: Vec<usize> = (0..self.sense.len())
            .filter(|&i| reads(&self.sense[i]) && carries(&self.sense[i]))
            .collect();
        senses.sort_by(|&a, &b| {
            self.sense[b]
                .ohms
                .get()
                .total_cmp(&self.sense[a].ohms.get())
        });
        let bypass = self.shorted_high();
        let room = |path: usize, sense: usize| {
            total - self.sense[sense].high() - movement - self.contacts_high(path, sense)
        };
        // The lightest path first; on it the largest sense element that leaves enough voltage.
        let (path, sense) = (0..=heaviest.min(self.paths.len() - 1))
            .filter(|&path| carries(&self.paths[path].fixed))
            .flat_map(|path| senses.iter().map(move |&sense| (path, sense)))
            .find(|&(path, sense)| self.paths[path].fixed.high() + bypass <= room(path, sense))?;
        // Where one element is used, the bypass stays open and the others are shorted one by one.
        let all = self.series.iter().map(|element| element.contact).sum();
        let mut left = room(path, sense) - self.paths[path].fixed.high() - all;
        let mut series = vec![false; self.series.len()];
        for (used, element) in series.iter_mut().zip(&self.series) {
            if element.high() <= left && carries(element) {
                *used = true;
                left -= element.high();
            }
        }
        let carry = |bank: &&PotBank| top <= bank.current * RATING_SHARE;
        let pots = self.pots.as_ref().filter(carry);
        let codes = pots.and_then(|bank| bank.within(left, top / RATING_SHARE));
        // Where nothing leads around the bank, it has to be set to something.
        if codes.is_none() && self.pots.is_some() && self.switch.bypass.is_none() {
            return None;
        }
        Some(Range {
            path,
            series,
            pots: codes.unwrap_or_default(),
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

    /// Whether a sense element makes enough of `top` for a meter in the hand.
    fn reads(&self, top: Amps, sense: &Element) -> bool {
        let least = Volts::new(self.loop_meter.range_for(Volts::ZERO).offset) * HAND_READS;
        !self.probed_by_hand() || top * sense.ohms >= least
    }

    /// The largest current that a path can drive at all, with the sense element that allows most.
    fn most(&self, path: usize) -> Amps {
        let fixed = &self.paths[path].fixed;
        let bank = self.pots.as_ref().filter(|_| self.switch.bypass.is_none());
        // Where nothing leads around it, all goes through the bank.
        let around = bank.map_or(self.supply.max_current, |bank| bank.current * RATING_SHARE);
        let by_power =
            |e: &Element| Amps::new((e.power.get() * RATING_SHARE / e.high().get()).sqrt());
        let tops = self.sense.iter().enumerate().map(|(index, sense)| {
            let by_voltage = self.supply.max_voltage * SUPPLY_SHARE
                / (fixed.high()
                    + sense.high()
                    + self.shorted_high()
                    + self.contacts_high(path, index));
            let most = by_voltage
                .min(SENSE_TOP / sense.ohms)
                .min(by_power(sense))
                .min(by_power(fixed))
                .min(around);
            if self.reads(most, sense) {
                most
            } else {
                Amps::ZERO
            }
        });
        tops.fold(Amps::ZERO, Amps::max)
            .min(self.supply.max_current)
            * 0.999
    }

    /// Resistance of the closed contacts in the loop outside the series bank at most: two poles of
    /// the source, movement, two of the polarity, path and sense.
    fn contacts_high(&self, path: usize, sense: usize) -> Ohms {
        let polarity = if self.switch.reverse.is_some() {
            2.0
        } else {
            0.0
        };
        self.switch.main_contact * (3.0 + polarity)
            + self.paths[path].fixed.contact
            + self.sense[sense].contact
    }

    /// Resistance of the series bank at most with no element in use.
    fn shorted_high(&self) -> Ohms {
        match self.switch.bypass {
            Some(_) => self.switch.main_contact,
            None => {
                let nothing = |bank: &PotBank| bank.high(&vec![0; bank.pots.len()]);
                let pots = self.pots.as_ref().map_or(Ohms::ZERO, nothing);
                self.series
                    .iter()
                    .map(|element| element.contact)
                    .sum::<Ohms>()
                    + pots
            }
        }
    }

    /// Least resistance of a range, the movement counted as zero.
    pub fn range_low(&self, range: &Range) -> Ohms {
        self.range_sum(range, Element::low) + self.pots_sum(range, PotBank::low)
    }

    /// Largest resistance of a range, closed contacts included and the movement counted as zero.
    pub(crate) fn range_high(&self, range: &Range) -> Ohms {
        let bank = self.series.iter().zip(&range.series);
        let shorted = bank.filter(|(_, used)| !**used);
        let shorted = match range.uses_bank() {
            true => shorted.map(|(element, _)| element.contact).sum(),
            false => self.shorted_high(),
        };
        self.range_sum(range, Element::high)
            + self.pots_sum(range, PotBank::high)
            + self.contacts_high(range.path, range.sense)
            + shorted
    }

    /// Stated resistance of path and series bank in a range.
    pub fn range_series(&self, range: &Range) -> Ohms {
        self.range_sum(range, |e| e.ohms) + self.pots_sum(range, PotBank::stated)
            - self.sense[range.sense].ohms
    }

    /// What potentiometers add to a range.
    pub(crate) fn pots_sum(&self, range: &Range, value: fn(&PotBank, &[u16]) -> Ohms) -> Ohms {
        let bank = self.pots.as_ref();
        bank.map_or(Ohms::ZERO, |bank| value(bank, &range.pots))
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Least and largest resistance of a range, by its parts. With the bypass, the bank is one main
    /// contact; where one element is used, the contacts across the others count.
    #[test]
    fn a_range_lies_between_its_least_and_its_largest() {
        let text = include_str!("../../../../rigs/simulated.toml");
        let rig = Rig::parse(text, "simulated.toml").unwrap();
        let heavy = rig.range_for(Amps::new(10.2), Ohms::milli(6.0), 5).unwrap();
        let (path, sense) = (&rig.paths[heavy.path].fixed, &rig.sense[heavy.sense]);
        let contacts = rig.switch.main_contact * 6.0 + path.contact + sense.contact;
        let expected = path.high() + sense.high() + contacts;
        assert!((rig.range_high(&heavy) - expected).abs() < Ohms::new(1e-12));
        let light = rig.range_for(Amps::micro(50.0), Ohms::ZERO, 5).unwrap();
        let used = light.series.iter().filter(|used| **used).count();
        let shorted = rig.series[0].contact * (rig.series.len() - used) as f64;
        let (path, sense) = (&rig.paths[light.path].fixed, &rig.sense[light.sense]);
        let contacts = rig.switch.main_contact * 5.0 + path.contact + sense.contact + shorted;
        let bank = rig
            .series
            .iter()
            .zip(&light.series)
            .filter(|(_, used)| **used);
        let bank: Ohms = bank.map(|(element, _)| element.high()).sum();
        let expected = path.high() + sense.high() + bank + contacts;
        assert!((rig.range_high(&light) - expected).abs() < Ohms::new(1e-6));
        assert!(rig.range_high(&light) > rig.range_low(&light));
    }

    /// In the heaviest range every contact at its worst must leave enough voltage (Ohm's law).
    #[test]
    fn contacts_at_their_worst_leave_enough_voltage() {
        let text = include_str!("../../../../rigs/simulated.toml");
        for (text, reaches) in [
            (text.to_owned(), true),
            (text.replace("bypass = 106", ""), false),
            (text.replace("main_contact = \"10 mΩ\"", ""), false),
        ] {
            let rig = Rig::parse(&text, "simulated.toml").unwrap();
            let movement = Ohms::milli(6.0);
            let range = rig.range_for(Amps::new(10.2), movement, rig.paths.len() - 1);
            assert_eq!(range.is_some(), reaches);
        }
    }
}
