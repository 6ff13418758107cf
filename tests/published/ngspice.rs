//! The same circuits solved by a circuit simulator, ngspice 39 (cases A05, B13, C06).
//!
//! Netlist, its output and the version are stored. Where ngspice is installed the netlist runs
//! again; where it is not, the stored output decides, and the test says so.

use super::close;
use movement::circuit;
use quantity::{Ohms, Volts};
use std::process::Command;

const STORED: &str = include_str!("ngspice/half_deflection.out");
const NETLIST: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/published/ngspice/half_deflection.cir"
);

/// The figure that ngspice prints for a name.
fn printed(output: &str, name: &str) -> f64 {
    let values = output
        .lines()
        .filter_map(|line| line.strip_prefix(name)?.strip_prefix(" = "));
    let found: Vec<f64> = values.map(|value| value.trim().parse().unwrap()).collect();
    assert_eq!(
        found.len(),
        1,
        "\"{name}\" must be printed once in:\n{output}"
    );
    found[0]
}

/// ngspice solves to 1e-9 and prints 13 digits.
fn compare(output: &str) {
    let (series, movement) = (Ohms::new(98_050.0), Ohms::new(2000.0));
    let shunt = circuit::shunt_for_fraction(series, movement, 0.5).unwrap();
    let source = Volts::new(5.0);
    let unshunted = circuit::loop_current(source, &[series, movement]);
    let total = circuit::loop_current(source, &[series, movement.parallel(shunt)]);
    close(printed(output, "i(vm1)"), unshunted.get(), 1e-8);
    close(printed(output, "i(vm2)"), unshunted.get() / 2.0, 1e-8);
    close(-printed(output, "i(v2)"), total.get(), 1e-8);
    let half = Ohms::mega(250.0);
    let shown = circuit::loaded_reading(Volts::new(12.0), half.parallel(half), Ohms::mega(10.0));
    close(printed(output, "v(b3)"), shown.get(), 1e-8);
    let sense = Ohms::new(1.0);
    let drop = circuit::loop_current(Volts::new(12.0), &[Ohms::kilo(15.0), sense]) * sense;
    close(printed(output, "v(b4)"), drop.get(), 1e-8);
}

/// And back: the movement's resistance from the simulator's currents.
#[test]
fn a05_resistance_from_simulated_currents() {
    compare(STORED);
    let current = |name| quantity::Amps::new(printed(STORED, name).abs());
    let (first, shunted) = (current("i(vm1)"), current("i(vm2)"));
    let shunt = Ohms::new(1_960.019_990_004_997_5);
    let found = circuit::shunted_measured(shunt, first, current("i(v2)"), shunted / first).unwrap();
    close(found.get(), 2000.0, 1e-8);
}

#[test]
fn a05_and_c06_solved_again_where_ngspice_is_installed() {
    match Command::new("ngspice").arg("-b").arg(NETLIST).output() {
        Ok(run) => {
            assert!(
                run.status.success(),
                "ngspice failed: {}",
                String::from_utf8_lossy(&run.stderr)
            );
            compare(&String::from_utf8_lossy(&run.stdout));
        }
        Err(error) => {
            println!("ngspice did not run ({error}); compared with its stored output instead");
            compare(STORED);
        }
    }
}
