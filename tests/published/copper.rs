//! Copper and temperature (cases E01, E02, E04, E07, E09).

use super::{DERIVED, close, prints};
use movement::{circuit, copper};
use quantity::{Amps, Ohms};

/// E01. IEC 60028 as quoted by tnlab.org (0.017241 Ω·mm²/m, 58 MS/m), Hioki RM3545 manual p. A5
/// (3930 ppm) and the Industrial Power Engineering Handbook p. 970 (3.93e-3; 234.5).
#[test]
fn e01_standard_copper() {
    prints(copper::RESISTIVITY_20, 0.017_241, 5e-7);
    close(copper::RESISTIVITY_20, 0.017_241_379_310_344_827, DERIVED);
    for (celsius, alpha) in [
        (20.0, 0.003_93),
        (0.0, 0.004_265_248_534_838_29),
        (23.0, 0.003_884_205_220_450_884_5),
        (25.0, 0.003_854_263_717_942_431_8),
    ] {
        close(copper::alpha_at(celsius), alpha, DERIVED);
    }
    let zero = 1.0 / copper::ALPHA_20 - 20.0;
    close(zero, 234.452_926_208_651_38, DERIVED);
    prints(zero, 234.5, 0.05);
}

/// E02. Derived here, in two forms: by the coefficient, and by the printed 234.5.
#[test]
fn e02_correction_to_another_temperature() {
    let warm = copper::at_temperature(Ohms::new(100.0), 20.0, 40.0);
    close(warm.get(), 107.86, DERIVED);
    prints(warm.get(), 100.0 * (234.5 + 40.0) / (234.5 + 20.0), 0.002);
    close(
        copper::at_temperature(warm, 40.0, 20.0).get(),
        100.0,
        DERIVED,
    );
}

/// E04. Hioki RM3545 manual p. A5: conductivity 0.93 of the standard, prints about 3650 ppm/K.
#[test]
fn e04_tinned_fine_wire() {
    close(1e6 * copper::ALPHA_20 * 0.93, 3654.9, DERIVED);
    prints(1e6 * copper::ALPHA_20 * 0.93, 3650.0, 5.0);
}

/// E07. Derived here.
#[test]
fn e07_swamping_to_half_a_permille_per_kelvin() {
    let total = copper::swamped_total(Ohms::new(100.0), 0.0005).unwrap();
    close(total.get(), 786.0, DERIVED);
    close((total - Ohms::new(100.0)).get(), 686.0, DERIVED);
}

/// E09. Derived here: 15 Ω of copper, 5 mA, on a 10 A shunt that does not change.
#[test]
fn e09_copper_beside_a_shunt_that_stays_the_same() {
    let (coil, full_scale, range) = (Ohms::new(15.0), Amps::milli(5.0), Amps::new(10.0));
    let shunt = full_scale * coil / (range - full_scale);
    let warm = copper::at_temperature(coil, 20.0, 30.0);
    let error = circuit::beside_shunt(range, warm, shunt) / full_scale - 1.0;
    close(100.0 * error, -3.779_572_085_626_337, DERIVED);
}
