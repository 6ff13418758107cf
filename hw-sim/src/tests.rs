//! The whole bench, driven directly.

mod circuit;
mod conduct;
mod diodes;
mod faults;
mod pictures;
mod wires;

use crate::bench::Bench;
use crate::library::find;
use crate::spec::{Condition, MovementSpec};
use crate::wiring::{MOVEMENT, SHORT, SOURCE};

pub const MS: u64 = 1_000_000;
pub const SECOND: u64 = 1_000_000_000;
/// Path contact of 40 kΩ, sense element of 10 kΩ.
const PATH_40K: usize = 6;
const SENSE_10K: usize = 22;

pub fn series(elements: std::ops::Range<usize>) -> Vec<usize> {
    elements.map(|k| 12 + k).collect()
}

/// A bench with its movement connected through 40 kΩ and the series elements that `shorted` leaves.
pub fn connected(name: &str, seed: u64, shorted: std::ops::Range<usize>) -> Bench {
    let mut bench = Bench::standard(&find(name).unwrap(), seed);
    connect(&mut bench, shorted);
    bench
}

pub fn connect(bench: &mut Bench, shorted: std::ops::Range<usize>) {
    let mut relays = vec![SOURCE, SHORT, MOVEMENT, PATH_40K, SENSE_10K];
    relays.extend(series(shorted));
    bench.switch(&relays, true);
    bench.advance(50 * MS);
    bench.supply.on = true;
    bench.supply_changed();
    bench.advance(80 * MS);
}

pub fn set(bench: &mut Bench, volts: f64) {
    bench.supply.set = volts;
    bench.supply_changed();
}

pub fn read(bench: &mut Bench, meter: usize) -> f64 {
    let ready = bench.trigger(meter);
    bench.advance(ready);
    bench.meters[meter].memory[0]
}

/// A library movement, or "shunted": a 100 µA one with an internal shunt.
pub fn energetic(name: &str) -> MovementSpec {
    find(name).unwrap_or_else(|| MovementSpec {
        shunt: Some(3e3),
        swamp: 1e3,
        ..find("widdershins")
            .map(|spec| MovementSpec {
                condition: Condition::Sound,
                ..spec
            })
            .unwrap()
    })
}
