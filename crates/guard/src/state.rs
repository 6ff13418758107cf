//! States of the rig: what is closed, what the supply is set to, and in which order contacts move.

use crate::rig::{Range, Rig};
use evidence::Setting;
use quantity::{Ohms, Volts};
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

/// Contact moves in four groups; the guard waits for each group to end before the next begins.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Moves {
    /// Moves that can only lower the movement current.
    pub lowering: Vec<Move>,
    /// The polarity contact.
    pub polarity: Vec<Move>,
    /// Moves that can raise it.
    pub raising: Vec<Move>,
    /// The sense contact, which closes the loop.
    pub closing: Vec<Move>,
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
        } else if rig.sense.iter().any(|e| e.channel == channel) {
            moves.closing.push(step);
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

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use quantity::Amps;

    pub(crate) fn rig() -> Rig {
        Rig::parse(
            include_str!("../../../rigs/simulated.toml"),
            "simulated.toml",
        )
        .unwrap()
    }

    pub(crate) fn arrangement(rig: &Rig, top: f64, shunt: Vec<usize>) -> Arrangement {
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
