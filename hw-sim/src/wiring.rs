//! The standard bench's circuit: elements, contacts, and its solution seen from the movement.

use crate::draw::Draw;
use crate::hand::Decades;
use crate::network::{INPUTS, Network, NodeVoltages};
use crate::pots::Pots;
use crate::relay::{Kind, Relay};

/// Relay channels in the order of their index here.
pub const CHANNELS: [u16; 41] = [
    101, 102, 103, 104, 105, 106, 111, 112, 113, 114, 115, 116, 121, 122, 123, 124, 125, 126, 127,
    128, 129, 130, 141, 142, 143, 144, 145, 146, 147, 161, 162, 163, 164, 165, 166, 167, 168, 169,
    170, 171, 172,
];

/// Relay index of the source contact.
pub const SOURCE: usize = 0;
/// Relay index of the short across the movement.
pub const SHORT: usize = 1;
/// Relay index of the movement switch.
pub const MOVEMENT: usize = 2;
/// Relay index of the shunt switch.
pub const SHUNT: usize = 3;
/// Relay index of the polarity changeover.
pub const REVERSE: usize = 4;
/// Relay index of the bypass across the series bank.
pub const BYPASS: usize = 5;
/// First relay index of the path bank; elements begin here.
pub const PATH: usize = 6;
const SERIES: usize = 12;
const SENSE: usize = 22;
const BANK: usize = 29;

/// Switched elements; element `k` belongs to relay `k + PATH`.
pub const ELEMENTS: usize = CHANNELS.len() - PATH;

/// Channels with main contacts: source, movement, polarity, bypass, heaviest path and its sense.
const MAIN: [u16; 6] = [101, 103, 105, 106, 116, 147];

const PATH_OHMS: [f64; 6] = [40e3, 4e3, 400.0, 40.0, 4.0, 0.6];
const SERIES_OHMS: [f64; 10] = [3e6, 1e6, 3e5, 1e5, 3e4, 1e4, 3e3, 1e3, 300.0, 100.0];
const SENSE_OHMS: [f64; 7] = [1e4, 1e3, 100.0, 10.0, 1.0, 0.1, 0.01];

const GROUND: usize = 0;
const SUPPLY: usize = 1;
const AFTER_SOURCE: usize = 2;
const AFTER_PATH: usize = 3;
const PAIR_PLUS: usize = 4;
const SHUNT_COMMON: usize = 5;
const PAIR_MINUS: usize = 6;
const AFTER_SENSE: usize = 7;
const SENSE_INNER: usize = 8;
const MOVEMENT_PLUS: usize = 9;
const MOVEMENT_MINUS: usize = 10;

/// Response to the inputs: supply volts, amperes injected at the movement's terminals (out of
/// plus, into minus being negative), amperes injected by the loop meter.
pub type Response = [f64; INPUTS];

/// The circuit around the movement, solved for its present contacts.
#[derive(Debug, Clone)]
pub struct Outer {
    /// Voltage between the movement's terminals with no movement there.
    pub open: Response,
    /// Voltage at the loop meter.
    pub sense: Response,
    /// Current out of the supply.
    pub supply: Response,
    /// Voltage across each element that carries anything: element index and response.
    pub elements: Vec<(usize, Response)>,
}

/// The wired bench without its instruments: relays with their contacts, and resistor elements.
#[derive(Debug, Clone)]
pub struct Wiring {
    /// Relays, indexed as `CHANNELS`.
    pub relays: Vec<Relay>,
    /// True resistance of each element, Ω.
    pub ohms: Vec<f64>,
    /// The same before any fault.
    pub sound: Vec<f64>,
    /// True resistance of up to four contacts per relay, Ω.
    contacts: Vec<[f64; 4]>,
    /// The bridge's potentiometers, which may be the series bank.
    pub pots: Pots,
    /// A decade box as the series bank, in place of the relays and resistors.
    pub decades: Option<Decades>,
    /// Resistance of the meter across the movement, Ω.
    pub drop_input: f64,
    /// Resistance of the meter across the sense element, Ω.
    pub loop_input: f64,
    network: Network,
}

impl Wiring {
    /// Draws every element within its tolerance, every signal contact between 0.02 and 0.1 Ω and
    /// every main contact between 2 and 10 mΩ.
    pub fn standard(draw: &mut Draw) -> Self {
        let bank = (0..12).map(|k| 10.0 * f64::from(1u32 << k));
        let nominal = PATH_OHMS
            .iter()
            .chain(&SERIES_OHMS)
            .chain(&SENSE_OHMS)
            .copied()
            .chain(bank);
        let ohms: Vec<f64> = nominal
            .enumerate()
            .map(|(k, ohms)| {
                let tolerance = match k + PATH {
                    PATH..SENSE => 0.01,
                    SENSE..BANK => 0.000_2,
                    _ => 0.001,
                };
                ohms * (1.0 + draw.within(tolerance))
            })
            .collect();
        let relays = CHANNELS
            .iter()
            .map(|channel| match channel {
                102 => Relay::new(Kind::NormallyClosed),
                105 => Relay::new(Kind::Changeover),
                _ => Relay::new(Kind::NormallyOpen),
            })
            .collect();
        let contacts = CHANNELS
            .iter()
            .map(|channel| {
                let highest = if MAIN.contains(channel) { 0.01 } else { 0.1 };
                std::array::from_fn(|_| draw.between(0.2 * highest, highest))
            })
            .collect();
        Wiring {
            relays,
            sound: ohms.clone(),
            ohms,
            contacts,
            pots: Pots::default(),
            decades: None,
            drop_input: 10e6,
            loop_input: 10e6,
            network: Network::default(),
        }
    }

    /// Index of a relay channel.
    pub fn index(channel: isize) -> Option<usize> {
        u16::try_from(channel).ok().and_then(relay_of)
    }

    /// The element that belongs to a relay.
    pub fn element_of(relay: usize) -> Option<usize> {
        relay.checked_sub(PATH)
    }

    /// The sense element whose relay connects the loop meter: the first that is closed.
    pub fn sensed(&self) -> Option<usize> {
        (SENSE..BANK).find(|&relay| self.relays[relay].closed())
    }

    /// Solves the circuit with the movement taken out.
    pub fn solve(&mut self) -> Outer {
        let mut network = std::mem::take(&mut self.network);
        network.clear();
        self.build(&mut network);
        let volts = network.solve();
        self.network = network;
        // Both injections have a meter's input resistance beside them, so a way back always
        // exists; the zero answer is never used.
        self.outer(&volts.unwrap_or_default())
    }

    fn contact(&self, relay: usize) -> f64 {
        if self.relays[relay].closed() {
            self.contacts[relay][0]
        } else {
            f64::INFINITY
        }
    }

    fn element(&self, relay: usize) -> f64 {
        self.ohms[relay - PATH]
    }

    /// Resistance of one stage of the series bank: its relay shorts the element.
    fn stage(&self, relay: usize) -> f64 {
        (self.element(relay).recip() + self.contact(relay).recip()).recip()
    }

    /// Resistance of the series bank without its bypass.
    fn bank(&self) -> f64 {
        if let Some(decades) = &self.decades {
            return decades.ohms();
        }
        match self.pots.in_circuit {
            true => self.pots.ohms(),
            false => (SERIES..SENSE).map(|relay| self.stage(relay)).sum(),
        }
    }

    /// Resistance of the series bank, its bypass beside it.
    fn series(&self) -> f64 {
        (self.bank().recip() + self.contact(BYPASS).recip()).recip()
    }

    /// The share of the supply's current that goes through the series bank, not its bypass.
    pub fn through_bank(&self) -> f64 {
        self.series() / self.bank()
    }

    fn build(&self, network: &mut Network) {
        network.resistor(SUPPLY, AFTER_SOURCE, self.contact(SOURCE));
        if self.relays[SOURCE].closed() {
            network.resistor(AFTER_SENSE, GROUND, self.contacts[SOURCE][1]);
        }
        for relay in PATH..SERIES {
            let branch = self.contact(relay) + self.element(relay);
            network.resistor(AFTER_SOURCE, AFTER_PATH, branch);
        }
        network.resistor(AFTER_PATH, PAIR_PLUS, self.series());
        network.resistor(PAIR_PLUS, PAIR_MINUS, self.contact(SHORT));
        network.resistor(PAIR_PLUS, SHUNT_COMMON, self.contact(SHUNT));
        for relay in BANK..CHANNELS.len() {
            let branch = self.contact(relay) + self.element(relay);
            network.resistor(SHUNT_COMMON, PAIR_MINUS, branch);
        }
        let sensed = self.sensed();
        for relay in SENSE..BANK {
            if Some(relay) == sensed {
                network.resistor(PAIR_MINUS, SENSE_INNER, self.contact(relay));
                network.resistor(SENSE_INNER, AFTER_SENSE, self.element(relay));
            } else {
                let branch = self.contact(relay) + self.element(relay);
                network.resistor(PAIR_MINUS, AFTER_SENSE, branch);
            }
        }
        network.resistor(SENSE_INNER, AFTER_SENSE, self.loop_input);
        network.injection(SENSE_INNER, AFTER_SENSE, 2);
        self.build_movement_side(network);
    }

    fn build_movement_side(&self, network: &mut Network) {
        let poles = self.contacts[REVERSE];
        let reverse = &self.relays[REVERSE];
        let switch = self.contact(MOVEMENT);
        if reverse.closed() {
            network.resistor(PAIR_PLUS, MOVEMENT_MINUS, switch + poles[2]);
            network.resistor(PAIR_MINUS, MOVEMENT_PLUS, poles[3]);
        } else if reverse.resting() && !reverse.broken {
            network.resistor(PAIR_PLUS, MOVEMENT_PLUS, switch + poles[0]);
            network.resistor(PAIR_MINUS, MOVEMENT_MINUS, poles[1]);
        }
        network.resistor(MOVEMENT_PLUS, MOVEMENT_MINUS, self.drop_input);
        network.injection(MOVEMENT_PLUS, MOVEMENT_MINUS, 1);
    }

    fn outer(&self, volts: &NodeVoltages) -> Outer {
        let across = |from: usize, to: usize, scale: f64| -> Response {
            std::array::from_fn(|k| (volts[from][k] - volts[to][k]) * scale)
        };
        let mut elements = Vec::with_capacity(ELEMENTS);
        let mut supply = [0.0; INPUTS];
        let mut divided = |relay: usize, from: usize, to: usize| {
            let ohms = self.element(relay);
            let response = across(from, to, ohms / (ohms + self.contact(relay)));
            if response.iter().any(|value| *value != 0.0) {
                elements.push((relay - PATH, response));
            }
            response
        };
        for relay in PATH..SERIES {
            let response = divided(relay, AFTER_SOURCE, AFTER_PATH);
            for (total, part) in supply.iter_mut().zip(response) {
                *total += part / self.element(relay);
            }
        }
        let sensed = self.sensed();
        for relay in (SENSE..BANK).filter(|&relay| Some(relay) != sensed) {
            divided(relay, PAIR_MINUS, AFTER_SENSE);
        }
        for relay in BANK..CHANNELS.len() {
            divided(relay, SHUNT_COMMON, PAIR_MINUS);
        }
        let sense = across(SENSE_INNER, AFTER_SENSE, 1.0);
        if let Some(relay) = sensed {
            elements.push((relay - PATH, sense));
        }
        let relays = !self.pots.in_circuit && self.decades.is_none();
        if relays && supply.iter().any(|value| *value != 0.0) {
            let through = self.through_bank();
            for relay in SERIES..SENSE {
                let stage = self.stage(relay) * through;
                elements.push((relay - PATH, supply.map(|amps| amps * stage)));
            }
        }
        Outer {
            open: across(MOVEMENT_PLUS, MOVEMENT_MINUS, 1.0),
            sense,
            supply,
            elements,
        }
    }
}

/// Index of a relay channel.
pub fn relay_of(channel: u16) -> Option<usize> {
    CHANNELS.iter().position(|&known| known == channel)
}

/// Name of an element for people: bank and channel.
pub fn element_name(element: usize) -> String {
    let relay = element + PATH;
    let bank = match relay {
        PATH..SERIES => "path",
        SERIES..SENSE => "series",
        SENSE..BANK => "sense",
        _ => "shunt",
    };
    format!("{bank} {}", CHANNELS[relay])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::relay::Position;

    fn wired(seed: u64, closed: &[usize]) -> Wiring {
        let mut wiring = Wiring::standard(&mut Draw::new(seed, 0));
        for &relay in closed {
            wiring.relays[relay].arrive(Position::Pulled);
        }
        wiring
    }

    /// Joining the movement to the reduced circuit must give what solving the whole circuit with
    /// the movement in it gives.
    #[test]
    fn reduction_agrees_with_the_whole_network() {
        let mut draw = Draw::new(4, 0);
        for seed in 0..300 {
            let closed: Vec<_> = (0..CHANNELS.len())
                .filter(|relay| *relay == SOURCE || draw.chance(0.5))
                .collect();
            let mut wiring = wired(seed, &closed);
            let ohms = draw.log_between(5e-3, 2e4);
            let outer = wiring.solve();
            let amps = outer.open[0] / (outer.open[1] + ohms);
            let sense = outer.sense[0] - outer.sense[1] * amps;
            let supply = outer.supply[0] - outer.supply[1] * amps;

            let mut whole = Network::default();
            wiring.build(&mut whole);
            whole.resistor(MOVEMENT_PLUS, MOVEMENT_MINUS, ohms);
            let volts = whole.solve().unwrap();
            let drop = volts[MOVEMENT_PLUS][0] - volts[MOVEMENT_MINUS][0];
            let close = |a: f64, b: f64, floor: f64| (a - b).abs() <= 1e-7 * b.abs() + floor;
            assert!(
                close(amps * ohms, drop, 1e-12),
                "{seed}: {} {drop}",
                amps * ohms
            );
            let sensed = volts[SENSE_INNER][0] - volts[AFTER_SENSE][0];
            assert!(close(sense, sensed, 1e-12), "{seed}: {sense} {sensed}");
            let after = wiring.outer(&volts).supply[0];
            assert!(close(supply, after, 1e-13), "{seed}: {supply} {after}");
        }
    }

    #[test]
    fn one_simple_loop_by_hand() {
        // Source, 400 Ω path, all series elements shorted, short open, movement, 100 Ω sense.
        let mut closed = vec![SOURCE, SHORT, MOVEMENT, PATH + 2, SENSE + 2];
        closed.extend(SERIES..SENSE);
        let mut wiring = wired(1, &closed);
        let mut network = Network::default();
        wiring.drop_input = 10e9;
        wiring.loop_input = 10e9;
        wiring.build(&mut network);
        network.resistor(MOVEMENT_PLUS, MOVEMENT_MINUS, 50.0);
        let volts = network.solve().unwrap();
        let contact = |relay: usize| wiring.contacts[relay][0];
        let stages: f64 = (SERIES..SENSE).map(|relay| wiring.stage(relay)).sum();
        let total = contact(SOURCE)
            + wiring.contacts[SOURCE][1]
            + contact(PATH + 2)
            + wiring.element(PATH + 2)
            + stages
            + contact(MOVEMENT)
            + wiring.contacts[REVERSE][0]
            + wiring.contacts[REVERSE][1]
            + 50.0
            + contact(SENSE + 2)
            + wiring.element(SENSE + 2);
        let drop = volts[MOVEMENT_PLUS][0] - volts[MOVEMENT_MINUS][0];
        assert!((drop / (50.0 / total) - 1.0).abs() < 1e-7, "{drop}");
    }

    #[test]
    fn the_bypass_takes_the_series_bank_out() {
        let loop_only = [SOURCE, SHORT, MOVEMENT, PATH + 2, SENSE + 2];
        let ohms = |closed: &[usize]| wired(1, closed).solve().open[1];
        let bank = ohms(&loop_only);
        let bypassed = ohms(&[&loop_only[..], &[BYPASS]].concat());
        let elements: f64 = SERIES_OHMS.iter().sum();
        // Both are beside the meter's 10 MΩ.
        let beside = |ohms: f64| (1.0 / ohms - 1e-7).recip();
        let removed = beside(bank) - beside(bypassed);
        assert!((removed / elements - 1.0).abs() < 0.01, "{removed}");
        assert!((beside(bypassed) / 500.0 - 1.0).abs() < 0.01);
    }

    #[test]
    fn values_lie_within_tolerance_and_contacts_within_theirs() {
        for seed in 0..50 {
            let wiring = wired(seed, &[]);
            assert!((wiring.ohms[0] / 40e3 - 1.0).abs() <= 0.01);
            assert!((wiring.ohms[SENSE - PATH] / 1e4 - 1.0).abs() <= 0.000_2);
            assert!((wiring.ohms[ELEMENTS - 1] / 20_480.0 - 1.0).abs() <= 0.001);
            assert!(
                wiring
                    .contacts
                    .iter()
                    .flatten()
                    .all(|ohms| (0.002..=0.1).contains(ohms))
            );
        }
        assert_eq!(Wiring::index(172), Some(40));
        assert_eq!(Wiring::index(107), None);
        assert_eq!(element_name(ELEMENTS - 1), "shunt 172");
    }
}
