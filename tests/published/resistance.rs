//! The resistance of a movement (cases A01–A16).

use super::{DERIVED, close, prints};
use movement::circuit;
use quantity::{Amps, Ohms, Volts};

/// Half deflection with the source left alone.
fn half(series: f64, shunt: f64) -> f64 {
    circuit::shunted(Ohms::new(series), Ohms::new(shunt), 0.5)
        .unwrap()
        .get()
}

/// A01. Derived here; the same algebra, G = RS/(R − S), at sciencewithd.blogspot.com/2019/09.
#[test]
fn a01_half_deflection_with_a_finite_series_resistance() {
    let (series, movement) = (Ohms::new(14_500.0), Ohms::new(500.0));
    let shunt = circuit::shunt_for_fraction(series, movement, 0.5).unwrap();
    close(shunt.get(), 483.333_333_333_333_3, DERIVED);
    close(half(14_500.0, shunt.get()), 500.0, DERIVED);
    let uncorrected = circuit::shunted_uncorrected(shunt, 0.5).unwrap();
    close(
        100.0 * (uncorrected / movement - 1.0),
        -3.333_333_333_333_333,
        DERIVED,
    );
}

/// A02. scribd 534652171, "Half Deflection Readings": prints 91.64 (cut off), 91.55 and the mean
/// 91.60.
#[test]
fn a02_published_half_deflection_readings() {
    let (first, last) = (half(5000.0, 90.0), half(5300.0, 90.0));
    close(first, 91.649_694_501_018_33, DERIVED);
    close(last, 91.554_702_495_201_54, DERIVED);
    assert_eq!((first * 100.0).floor(), 9164.0);
    prints(last, 91.55, 0.005);
    let rows = [5000.0, 5100.0, 5200.0, 5300.0].map(|series| half(series, 90.0));
    let mean = rows.iter().sum::<f64>() / 4.0;
    close(mean, 91.601_572_666_212_82, DERIVED);
    prints(mean, 91.60, 0.005);
}

/// A03. engineeringbyte.com, "determine the resistance of galvanometer by half deflection
/// method", 3 V: prints 71.1 Ω and 70.9 Ω, and 2.18e-5 A per division (cut off) for both.
#[test]
fn a03_published_figure_of_merit() {
    for (series, shunt, divisions, resistance, merit) in [
        (
            4500.0,
            70.0,
            30.0,
            71.106_094_808_126_41,
            2.187_654_320_987_654_4e-5,
        ),
        (
            5200.0,
            70.0,
            26.0,
            70.955_165_692_007_8,
            2.189_064_633_591_261e-5,
        ),
    ] {
        let found = half(series, shunt);
        close(found, resistance, DERIVED);
        let resistances = [Ohms::new(series), Ohms::new(found)];
        let current = circuit::loop_current(Volts::new(3.0), &resistances);
        close(current.get() / divisions, merit, DERIVED);
        assert_eq!((current.get() / divisions * 1e7).floor(), 218.0);
    }
}

/// A05. Derived here; a circuit simulator agrees (see `ngspice`).
#[test]
fn a05_fifty_microamperes_from_five_volts() {
    let (series, movement) = (Ohms::new(98_050.0), Ohms::new(2000.0));
    let shunt = circuit::shunt_for_fraction(series, movement, 0.5).unwrap();
    close(shunt.get(), 1_960.019_990_004_997_5, DERIVED);
    let full_scale = circuit::loop_current(Volts::new(5.0), &[series, movement]);
    close(full_scale.get(), 49.975_012_493_753_13e-6, DERIVED);
}

/// The same half-shunt readings, with the loop current measured. Derived here.
#[test]
fn a05_with_measured_loop_currents() {
    let (series, movement) = (Ohms::new(98_050.0), Ohms::new(2000.0));
    let shunt = Ohms::new(1_960.019_990_004_997_5);
    let first = circuit::loop_current(Volts::new(5.0), &[series, movement]);
    let second = circuit::loop_current(Volts::new(5.0), &[series, movement.parallel(shunt)]);
    close(
        circuit::beside_shunt(second, movement, shunt) / first,
        0.5,
        DERIVED,
    );
    let found = circuit::shunted_measured(shunt, first, second, 0.5).unwrap();
    close(found.get(), 2000.0, DERIVED);
}

/// A07. Derived here; the 23.1 kΩ is that of prismglow.com/electronics/s50am.
#[test]
fn a07_half_series_is_ill_conditioned() {
    let at = |second: f64| circuit::in_series(Ohms::new(23_100.0), Ohms::new(second), 0.5);
    close(at(49_020.0).unwrap().get(), 2820.0, DERIVED);
    close(at(49_020.0 * 1.001).unwrap().get(), 2869.02, DERIVED);
}

/// Error in percent of the uncorrected half-deflection figure when the movement's current really
/// changed to `fraction`, with a series resistance far above the movement's.
fn uncorrected_error(fraction: f64) -> f64 {
    let movement = Ohms::new(2000.0);
    let shunt = circuit::shunt_for_fraction(Ohms::new(1e15), movement, fraction).unwrap();
    let read = circuit::shunted_uncorrected(shunt, 0.5).unwrap();
    100.0 * (read / movement - 1.0)
}

/// A08. Derived here: about four times the error of the half mark.
#[test]
fn a08_half_mark_off() {
    close(uncorrected_error(0.51), 4.081_632_653_061_229, DERIVED);
    close(uncorrected_error(0.505), 2.020_202_020_202_011, DERIVED);
}

/// A09. Derived here. A pointer that rests at −2 % takes 1.02 of the full-scale current to the
/// top and 0.52 to the middle.
#[test]
fn a09_pointer_zero_off() {
    close(uncorrected_error(0.52 / 1.02), 4.0, DERIVED);
    close(uncorrected_error(0.48 / 0.98), -4.0, DERIVED);
}

/// A10. Derived here.
#[test]
fn a10_full_scale_current_from_a_voltage() {
    let (series, movement) = (Ohms::new(178_500.0), Ohms::new(1500.0));
    let full_scale = circuit::loop_current(Volts::new(9.0), &[series, movement]);
    let without = circuit::loop_current(Volts::new(9.0), &[series]);
    close(full_scale.get(), 50e-6, DERIVED);
    close(without.get(), 50.420_168_067_226_89e-6, DERIVED);
    close(
        100.0 * (without / full_scale - 1.0),
        0.840_336_134_453_778_5,
        DERIVED,
    );
}

/// A11. prismglow.com/electronics/s50am: 1.296 V over 23.1 kΩ drives a 50 µA panel meter to full
/// scale. The dependence on the assumed current is derived here.
#[test]
fn a11_one_resistor_and_an_assumed_current() {
    let at = |current: f64| Volts::new(1.296) / Amps::micro(current) - Ohms::new(23_100.0);
    close(at(50.0).get(), 2820.0, DERIVED);
    close(at(51.0).get(), 2_311.764_705_882_353, DERIVED);
}

/// A12. Derived here; with a constant offset the slope of two readings still holds.
#[test]
fn a12_four_wire_drop() {
    close(
        (Volts::milli(102.4) / Amps::micro(50.0)).get(),
        2048.0,
        DERIVED,
    );
    let offset = Volts::micro(7.0);
    let low = (Volts::milli(51.2) + offset, Amps::micro(25.0));
    let high = (Volts::milli(102.4) + offset, Amps::micro(50.0));
    close(circuit::slope(low, high).unwrap().get(), 2048.0, DERIVED);
}

/// A13, A14. Derived here: leads add to a two-wire reading, and a shorted-lead reading takes
/// them away again.
#[test]
fn a13_a14_leads() {
    let (shunted, leads) = (Ohms::new(0.05), Ohms::new(0.30));
    close((shunted + leads).get(), 0.35, DERIVED);
    close(100.0 * ((shunted + leads) / shunted - 1.0), 600.0, DERIVED);
    close(
        (Ohms::new(1960.55) - Ohms::new(0.12)).get(),
        1960.43,
        DERIVED,
    );
}

/// A15. Derived here: a 10 MΩ voltmeter across the movement.
#[test]
fn a15_voltmeter_across_the_movement() {
    let meter = Ohms::mega(10.0);
    for (movement, apparent, ppm) in [
        (100.0, 99.999_000_009_999_9, -9.999_900_000_945_416),
        (2000.0, 1_999.600_079_984_003_3, -199.960_007_998_378_76),
        (20_000.0, 19_960.079_840_319_362, -1_996.007_984_031_988_8),
        (100_000.0, 99_009.900_990_099, -9_900.990_099_009_91),
    ] {
        let movement = Ohms::new(movement);
        let seen = circuit::loaded(movement, meter);
        close(seen.get(), apparent, DERIVED);
        close(1e6 * (seen / movement - 1.0), ppm, DERIVED);
        close(
            circuit::unloaded(seen, meter).unwrap().get(),
            movement.get(),
            DERIVED,
        );
    }
}

/// A16. Derived here: half the scale of a square-law movement is 70.7 % of the current.
#[test]
fn a16_geometric_half_scale_of_a_square_law() {
    let square = movement::scale::Law::Power {
        full_scale: Amps::new(1.0),
        exponent: 2.0,
    };
    let fraction = square.current(0.5).get();
    let shunt = Ohms::new(1000.0);
    let movement = circuit::shunted(Ohms::new(1e15), shunt, fraction).unwrap();
    close(movement / shunt, 0.414_213_562_373_095, DERIVED);
    let half = circuit::shunted_uncorrected(shunt, 0.5).unwrap();
    close(half / movement, 2.414_213_562_373_095_4, DERIVED);
}
