//! States of the rig: what is closed, what the supply is set to, and in which order contacts move.

use crate::rig::{Element, PotBank, Range, Rig};
use evidence::Setting;
use quantity::{Amps, Ohms, Volts};
use std::collections::BTreeSet;

/// An arrangement of the contacts that a procedure may ask for.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrangement {
    /// Path, series and sense elements.
    pub range: Range,
    /// Shunt elements across the movement; none for an open shunt switch.
    pub shunt: Vec<usize>,
    /// Polarity contact thrown.
    pub reversed: bool,
    /// Range of the drop meter, by the largest drop expected.
    pub largest_drop: Volts,
}

/// What the rig is set to.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    /// The arrangement; none when everything is released.
    pub arrangement: Option<Arrangement>,
    /// Supply set-point.
    pub volts: Volts,
}

impl State {
    /// Everything released, supply at zero.
    pub const RELEASED: Self = Self {
        arrangement: None,
        volts: Volts::ZERO,
    };

    /// As it goes into an observation, which adds the bound.
    pub fn setting(&self, rig: &Rig) -> Setting {
        let Some(a) = &self.arrangement else {
            return Setting {
                supply: self.volts,
                ..Setting::default()
            };
        };
        Setting {
            supply: self.volts,
            path: Some(rig.paths[a.range.path].name.clone()),
            series: rig.range_series(&a.range),
            sense: Some(rig.sense[a.range.sense].ohms),
            shunt: a.shunt.iter().map(|&i| rig.shunt[i].ohms).collect(),
            reversed: a.reversed,
            connected: true,
            bound: None,
        }
    }
}

/// The channels that are energised in an arrangement.
pub(crate) fn energised(rig: &Rig, arrangement: Option<&Arrangement>) -> BTreeSet<u32> {
    let mut channels = BTreeSet::new();
    let Some(a) = arrangement else {
        return channels;
    };
    channels.extend([rig.switch.source, rig.switch.short, rig.switch.movement]);
    channels.insert(rig.paths[a.range.path].fixed.channel);
    channels.insert(rig.sense[a.range.sense].channel);
    // An energised relay shorts its series element.
    let shorted = rig
        .series
        .iter()
        .zip(&a.range.series)
        .filter(|(_, used)| !**used);
    channels.extend(shorted.map(|(element, _)| element.channel));
    if !a.range.uses_bank() {
        channels.extend(rig.switch.bypass);
    }
    channels.extend(a.shunt.iter().map(|&i| rig.shunt[i].channel));
    if !a.shunt.is_empty() {
        channels.extend(rig.switch.shunt);
    }
    if a.reversed {
        channels.extend(rig.switch.reverse);
    }
    channels
}

/// Contact moves in three groups; the guard waits for each group to end before the next begins.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Moves {
    /// Moves that can only lower the movement current.
    pub lowering: Vec<Move>,
    /// The polarity contact.
    pub polarity: Vec<Move>,
    /// Moves that can raise it.
    pub raising: Vec<Move>,
}

/// One contact's move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Move {
    pub channel: u32,
    pub energise: bool,
}

/// The moves from one arrangement to another.
pub(crate) fn moves(rig: &Rig, from: &BTreeSet<u32>, to: &BTreeSet<u32>) -> Moves {
    let mut moves = Moves::default();
    for &channel in from.symmetric_difference(to) {
        let energise = to.contains(&channel);
        let step = Move { channel, energise };
        if Some(channel) == rig.switch.reverse {
            moves.polarity.push(step);
        } else if lowers(rig, step) {
            moves.lowering.push(step);
        } else {
            moves.raising.push(step);
        }
    }
    moves
}

/// Energising closes a contact, except at the short, which it opens. Closing raises the movement
/// current everywhere but in the shunt branch, where opening does.
fn lowers(rig: &Rig, step: Move) -> bool {
    let in_shunt = Some(step.channel) == rig.switch.shunt
        || rig
            .shunt
            .iter()
            .any(|element| element.channel == step.channel);
    if in_shunt {
        step.energise
    } else {
        !step.energise
    }
}

/// Least loop resistance of an arrangement, the movement counted as zero.
pub(crate) fn loop_low(rig: &Rig, arrangement: &Arrangement) -> Ohms {
    rig.range_low(&arrangement.range)
}

/// The current in arrangement `next` can be larger than its elements have it by this factor, should
/// one of the `suspects` still be closed: a path beside the new one, a series element or the whole
/// bank shorted, a sense element beside the new one.
pub(crate) fn stuck(rig: &Rig, suspects: &BTreeSet<u32>, next: &Arrangement) -> f64 {
    let to = energised(rig, Some(next));
    let missing = suspects
        .difference(&to)
        .map(|&channel| missing(rig, channel, next));
    let low = loop_low(rig, next);
    low / (low - missing.fold(Ohms::ZERO, Ohms::max))
}

/// The suspects that may still be closed though no more than `current` flows, where at least `least`
/// must flow with all of them open.
pub(crate) fn still_suspect(
    rig: &Rig,
    suspects: &BTreeSet<u32>,
    arrangement: &Arrangement,
    current: Amps,
    least: Amps,
) -> BTreeSet<u32> {
    let high = rig.range_high(&arrangement.range);
    let hidden = |channel: u32| {
        let factor = high / (high - missing(rig, channel, arrangement));
        least * factor <= current
    };
    let to = energised(rig, Some(arrangement));
    let open = suspects.difference(&to).copied();
    open.filter(|&channel| hidden(channel)).collect()
}

/// What the loop would lack, should the contact on `channel` be closed that is open in `arrangement`.
fn missing(rig: &Rig, channel: u32, arrangement: &Arrangement) -> Ohms {
    let range = &arrangement.range;
    let of = |e: &&Element| e.channel == channel;
    let beside = |own: &Element, other: &Element| {
        let (own, other) = (own.low(), other.low());
        own - own * (other / (own + other))
    };
    let mut used = rig
        .series
        .iter()
        .zip(&range.series)
        .filter(|(_, used)| **used)
        .map(|(e, _)| e);
    if rig.switch.bypass == Some(channel) {
        used.map(Element::low).sum::<Ohms>() + rig.pots_sum(range, PotBank::low)
    } else if let Some(path) = rig.paths.iter().map(|p| &p.fixed).find(of) {
        beside(&rig.paths[range.path].fixed, path)
    } else if let Some(sense) = rig.sense.iter().find(of) {
        beside(&rig.sense[range.sense], sense)
    } else {
        used.find(of).map_or(Ohms::ZERO, Element::low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rig() -> Rig {
        Rig::parse(
            include_str!("../../../rigs/simulated.toml"),
            "simulated.toml",
        )
        .unwrap()
    }

    fn arrangement(rig: &Rig, top: f64, shunt: Vec<usize>) -> Arrangement {
        let range = rig
            .range_for(Amps::new(top), Ohms::ZERO, rig.paths.len() - 1)
            .unwrap();
        Arrangement {
            range,
            shunt,
            reversed: false,
            largest_drop: Volts::new(1.0),
        }
    }

    /// 50 µA take 7.44 V through 148.8 kΩ: the 40 kΩ path, 1 kΩ of sense, and of the bank, largest
    /// first, 100, 3, 1, 0.3 and 0.1 kΩ.
    #[test]
    fn a_setting_says_what_is_connected() {
        let rig = rig();
        let state = State {
            arrangement: Some(Arrangement {
                reversed: true,
                ..arrangement(&rig, 50e-6, vec![0, 2])
            }),
            volts: Volts::new(1.5),
        };
        let found = state.setting(&rig);
        let expected = Setting {
            supply: Volts::new(1.5),
            path: Some("hair".to_owned()),
            series: found.series,
            sense: Some(Ohms::kilo(1.0)),
            shunt: vec![Ohms::new(10.0), Ohms::new(40.0)],
            reversed: true,
            connected: true,
            bound: None,
        };
        assert!((found.series - Ohms::kilo(144.4)).abs() < Ohms::milli(1.0));
        assert_eq!(found, expected);
        let released = State {
            volts: Volts::new(0.5),
            ..State::RELEASED
        };
        let expected = Setting {
            supply: Volts::new(0.5),
            ..Setting::default()
        };
        assert_eq!(released.setting(&rig), expected);
    }

    #[test]
    fn paths_break_before_they_make() {
        let rig = rig();
        let light = energised(&rig, Some(&arrangement(&rig, 50e-6, vec![])));
        let heavy = energised(&rig, Some(&arrangement(&rig, 0.1, vec![])));
        let moves = moves(&rig, &light, &heavy);
        assert!(moves.lowering.contains(&Move {
            channel: 111,
            energise: false
        }));
        assert!(moves.raising.contains(&Move {
            channel: 114,
            energise: true
        }));
    }

    /// A contact that stays closed: worked out by Ohm's law for each place it may have.
    #[test]
    fn one_contact_that_stays_closed() {
        let rig = rig();
        let light = arrangement(&rig, 50e-6, vec![]);
        let heavy = arrangement(&rig, 1e-3, vec![]);
        assert_eq!((light.range.path, heavy.range.path), (0, 1));
        let from = energised(&rig, Some(&light));
        // 40 kΩ beside 4 kΩ, both at the low end of 1 %; the sense elements are the lesser evil.
        let low = loop_low(&rig, &heavy).get();
        let beside = 39_600.0 * 3_960.0 / (39_600.0 + 3_960.0);
        let found = stuck(&rig, &from, &heavy);
        assert!(
            (found - low / (low - 3_960.0 + beside)).abs() < 1e-9,
            "{found}"
        );
        // From nothing to anything no contact opens but the short.
        assert_eq!(stuck(&rig, &BTreeSet::new(), &heavy), 1.0);
        // A series element that stays shorted is missing from the loop, and so is the bank when its
        // bypass stays closed.
        let used: Vec<usize> = (0..rig.series.len())
            .filter(|&i| light.range.series[i])
            .collect();
        let (low, first) = (loop_low(&rig, &light), &rig.series[used[0]]);
        let shorted = stuck(&rig, &BTreeSet::from([first.channel]), &light);
        assert!((shorted - low / (low - first.low())).abs() < 1e-9);
        let bank: Ohms = used.iter().map(|&i| rig.series[i].low()).sum();
        let bypassed = stuck(&rig, &BTreeSet::from([106]), &light);
        assert!((bypassed - low / (low - bank)).abs() < 1e-9);
        assert!(bypassed > shorted && shorted > 1.1);
    }

    /// 40 kΩ beside 4 kΩ take a tenth off the loop of the second path: a current that leaves no room
    /// for a twentieth acquits that contact, one that leaves room for a fifth does not. What was shorted
    /// in the lighter path's sense bank hardly counts here, so it stays suspect.
    #[test]
    fn a_current_acquits_the_contacts_that_would_raise_it() {
        let rig = rig();
        let heavy = arrangement(&rig, 1e-3, vec![]);
        let light = arrangement(&rig, 50e-6, vec![]);
        let sense = rig.sense[light.range.sense].channel;
        let light = energised(&rig, Some(&light));
        let to = energised(&rig, Some(&heavy));
        let suspects = &light - &to;
        let left = |room: f64| {
            let least = Amps::milli(1.0);
            still_suspect(&rig, &suspects, &heavy, least * room, least)
        };
        assert!(suspects.contains(&111) && suspects.contains(&sense));
        assert!(left(1.2).contains(&111));
        assert!(!left(1.05).contains(&111) && left(1.05).contains(&sense));
        let factor = {
            let high = rig.range_high(&heavy.range);
            let beside = 39_600.0 * 3_960.0 / (39_600.0 + 3_960.0);
            high.get() / (high.get() - 3_960.0 + beside)
        };
        assert!(!left(factor * (1.0 - 1e-9)).contains(&111));
        assert!(left(factor * (1.0 + 1e-9)).contains(&111));
        // What is closed on purpose is no suspect.
        let all: BTreeSet<u32> = rig.channels().into_iter().collect();
        let room = Amps::new(1e6);
        let left = still_suspect(&rig, &all, &heavy, room, Amps::new(1.0));
        assert_eq!(left, &all - &to);
    }

    #[test]
    fn opening_a_shunt_or_the_short_counts_as_raising() {
        let rig = rig();
        let open = energised(&rig, Some(&arrangement(&rig, 50e-6, vec![])));
        let shunted = energised(&rig, Some(&arrangement(&rig, 50e-6, vec![3, 4])));
        let closing = moves(&rig, &open, &shunted);
        assert_eq!((closing.lowering.len(), closing.raising.len()), (3, 0));
        let opening = moves(&rig, &shunted, &open);
        assert_eq!((opening.lowering.len(), opening.raising.len()), (0, 3));
        let connect = moves(&rig, &BTreeSet::new(), &open);
        assert!(connect.raising.contains(&Move {
            channel: 102,
            energise: true
        }));
    }
}
