//! Burden, shunts, loading and power (cases B12–B14, B16, C06, C08, I01).

use super::{DERIVED, close, prints};
use movement::circuit;
use quantity::{Amps, Ohms, Volts, Watts};

/// B12. Lessons in Electric Circuits, vol. I (DC), ch. 8: prints 571.43 mA and 1 A, where 666.7 mA
/// and 1.333 A would flow without the ammeter.
#[test]
fn b12_ammeter_burden() {
    let through = |branch: f64, meter: f64| {
        circuit::loop_current(Volts::new(2.0), &[Ohms::new(branch), Ohms::new(meter)]).get()
    };
    close(through(3.0, 0.5), 0.571_428_571_428_571_4, DERIVED);
    prints(through(3.0, 0.5), 0.571_43, 5e-6);
    prints(through(1.5, 0.5), 1.0, 1e-12);
    prints(through(3.0, 0.0), 0.666_7, 5e-5);
    prints(through(1.5, 0.0), 1.333, 5e-4);
}

/// B13. Lessons in Electric Circuits, vol. I (DC), ch. 8: prints 7.999E-04 V.
#[test]
fn b13_a_resistor_to_read_the_current_by() {
    let loop_resistances = [Ohms::kilo(15.0), Ohms::new(1.0)];
    let drop = circuit::loop_current(Volts::new(12.0), &loop_resistances) * Ohms::new(1.0);
    close(drop.get(), 799.946_670_221_985_2e-6, DERIVED);
    prints(drop.get(), 7.999e-4, 5e-8);
}

/// B14. en.cndongya.com/news/how-the-shunt-works.htm: shunts for 75 mV.
#[test]
fn b14_standard_external_shunts() {
    close(
        (Volts::milli(75.0) / Amps::new(100.0)).get(),
        0.75e-3,
        DERIVED,
    );
    close(
        (Volts::milli(75.0) / Amps::new(50.0)).get(),
        1.5e-3,
        DERIVED,
    );
}

/// B16. Derived here: 5 mΩ of switch contact in a shunt branch of 50.005 mΩ.
#[test]
fn b16_contact_in_the_shunt_branch() {
    let (movement, contact) = (Ohms::new(500.0), Ohms::milli(5.0));
    let shunt = Amps::milli(1.0) * movement / Amps::new(9.999);
    prints(shunt.get(), 50.005e-3, 5e-7);
    let through = |shunt| circuit::beside_shunt(Amps::new(10.0), movement, shunt);
    let over = through(shunt + contact) / through(shunt) - 1.0;
    close(100.0 * over, 9.997_900_130_896_609, DERIVED);
}

/// C06. Lessons in Electric Circuits, vol. I (DC), ch. 8: prints 9.615 MΩ and 0.8889 V.
#[test]
fn c06_voltmeter_loading() {
    let (half, meter) = (Ohms::mega(250.0), Ohms::mega(10.0));
    prints(half.parallel(meter).get(), 9.615e6, 500.0);
    close(half.parallel(meter).get(), 9.615_384_615_384_617e6, DERIVED);
    let open = Volts::new(24.0) * (half / (half + half));
    let shown = circuit::loaded_reading(open, half.parallel(half), meter);
    close(shown.get(), 0.888_888_888_888_889, DERIVED);
    prints(shown.get(), 0.8889, 5e-5);
}

/// C08. Derived here: readings on a 1 MΩ and a 2 MΩ range, given to nine digits, whose
/// difference is forty times smaller.
#[test]
fn c08_loading_removed_by_two_ranges() {
    let first = (Volts::new(47.619_047_6), Ohms::mega(1.0));
    let second = (Volts::new(48.780_487_8), Ohms::mega(2.0));
    let (source, open) = circuit::remove_loading(first, second).unwrap();
    close(source.get(), 50_000.0, 1e-7);
    close(open.get(), 50.0, 1e-8);
}

/// I01. Derived here.
#[test]
fn i01_power_in_the_coil() {
    let power = |current: Amps, coil: Ohms| -> Watts { current * coil * current };
    close(
        power(Amps::micro(50.0), Ohms::kilo(2.0)).get(),
        5e-6,
        DERIVED,
    );
    close(
        power(Amps::milli(1.0), Ohms::new(100.0)).get(),
        100e-6,
        DERIVED,
    );
    close(
        power(Amps::micro(500.0), Ohms::kilo(2.0)).get(),
        500e-6,
        DERIVED,
    );
}
