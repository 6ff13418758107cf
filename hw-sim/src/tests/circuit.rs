//! Circuit, meters and supply.

use super::*;
use crate::bench::{DROP, LOOP};
use crate::meter::{Function, OVERLOAD};
use crate::swing::Hold;

#[test]
fn readings_agree_with_ohms_law_at_rest() {
    let mut bench = connected("heron", 3, 0..10);
    for meter in [DROP, LOOP] {
        bench.meters[meter].high_impedance = true;
        bench.meters[meter].range = 1.0;
        bench.meter_changed(meter);
    }
    set(&mut bench, 1.5);
    bench.advance(20 * SECOND);
    let amps = read(&mut bench, LOOP) / bench.wiring.ohms[16];
    let ohms = read(&mut bench, DROP) / amps;
    let truth = bench.truth();
    let expected = truth.resistance.unwrap();
    assert!((ohms / expected - 1.0).abs() < 6e-4, "{ohms} {expected}");
    assert!((truth.current / amps - 1.0).abs() < 6e-4);
    let ratio = (truth.deflection - truth.zero) * truth.full_scale_current.unwrap();
    assert!((ratio / (truth.current * (1.0 - truth.zero)) - 1.0).abs() < 0.02);
}

#[test]
fn full_scale_current_puts_the_needle_on_the_mark() {
    for name in ["heron", "ledger", "shunted"] {
        let mut spec = energetic(name);
        (spec.friction, spec.breakaway) = (0.0, 0.0);
        let mut bench = Bench::standard(&spec, 5);
        bench.switch(&[SOURCE, SHORT, MOVEMENT, PATH_40K, SENSE_10K], true);
        bench.switch(&series(3..10), true);
        bench.supply.on = true;
        bench.advance(50 * MS);
        let wanted = bench.truth().full_scale_current.unwrap();
        bench.switch(&series(0..3), true);
        bench.advance(100 * MS);
        let volts = wanted / bench.drive.movement.volts;
        bench.supply.set = volts;
        bench.supply_changed();
        bench.advance(30 * SECOND);
        let truth = bench.truth();
        // The supply is not exact; correct for the current that really flows.
        let slope = spec.law.slope().unwrap();
        let shift = (truth.current / wanted - 1.0) * slope;
        assert!(
            (truth.deflection - 1.0 - shift).abs() < 2e-5,
            "{name} {}",
            truth.deflection
        );
    }
}

#[test]
fn ohms_function_slams_a_sensitive_needle() {
    let mut bench = Bench::standard(&find("heron").unwrap(), 9);
    bench.advance(SECOND);
    assert!(bench.truth().peak_current < 1e-12);
    bench.meters[DROP].function = Function::Ohms;
    bench.meters[DROP].range = 1e3;
    bench.meter_changed(DROP);
    bench.advance(2 * SECOND);
    let truth = bench.truth();
    assert!(
        (truth.peak_current / 1e-3 - 1.0).abs() < 1e-6,
        "{}",
        truth.peak_current
    );
    assert!(truth.driven_stop_hits >= 1);
    assert!(truth.hardest_hit > 10.0, "{}", truth.hardest_hit);
    assert_eq!(bench.swing.hold, Hold::Stop(true));
}

#[test]
fn harmless_ohms_range_and_its_reading() {
    // 0.5 µA, 1 % of full scale; the value itself is useless on that range but must be right.
    let mut bench = Bench::standard(&find("heron").unwrap(), 9);
    bench.meters[DROP].function = Function::Ohms;
    bench.meters[DROP].range = 1e7;
    bench.meter_changed(DROP);
    bench.advance(20 * SECOND);
    assert!((bench.truth().current - 5e-7).abs() < 1e-12);
    assert_eq!(bench.truth().stop_hits, 0);
    let ohms = read(&mut bench, DROP);
    assert!(
        (ohms - bench.truth().resistance.unwrap()).abs() < 50.0,
        "{ohms}"
    );
}

#[test]
fn ohms_on_an_open_coil_is_an_overload_at_nine_volts() {
    let mut bench = Bench::standard(&find("hollow").unwrap(), 2);
    bench.meters[DROP].function = Function::FourWire;
    bench.meters[DROP].range = 1e4;
    bench.meter_changed(DROP);
    bench.advance(SECOND);
    assert!((bench.drive.drop.at(bench.drive.point(0.0, 0.0)) - 9.0).abs() < 1e-9);
    assert_eq!(read(&mut bench, DROP), OVERLOAD);
}

#[test]
fn voltage_overload_begins_above_120_percent() {
    let mut bench = connected("marl", 4, 0..10);
    bench.meters[DROP].range = 0.1;
    bench.meter_changed(DROP);
    let per_volt = bench.drive.drop.volts;
    set(&mut bench, 0.118 / per_volt);
    bench.advance(15 * SECOND);
    assert!((read(&mut bench, DROP) - 0.118).abs() < 1e-3);
    set(&mut bench, 0.123 / per_volt);
    bench.advance(30 * SECOND);
    assert_eq!(read(&mut bench, DROP), OVERLOAD);
}

#[test]
fn meter_input_loads_the_circuit() {
    let mut bench = connected("hollow", 4, 0..0);
    set(&mut bench, 8.0);
    bench.advance(SECOND);
    // Open coil: 10 MΩ behind 4.4844 MΩ (1 %), so about 5.5 V; above 10 GΩ almost all of 8 V.
    let loaded = bench.drive.drop.at(bench.point());
    assert!((5.45..5.6).contains(&loaded), "{loaded}");
    bench.meters[DROP].high_impedance = true;
    bench.meter_changed(DROP);
    let free = bench.drive.drop.at(bench.point());
    assert!((7.98..8.01).contains(&free), "{free}");
}

#[test]
fn a_window_gives_the_mean_of_the_true_voltage() {
    let mut bench = connected("heron", 8, 0..10);
    bench.meters[DROP].cycles = 10.0;
    bench.meters[DROP].range = 1.0;
    set(&mut bench, 2.0);
    let begun = bench.now;
    let mut fine = bench.clone();
    let reading = read(&mut bench, DROP);
    let mut sum = 0.0;
    for k in 0..20_000 {
        fine.advance(begun + k * 10_000 + 5_000);
        sum += fine.drive.drop.at(fine.point());
    }
    assert!(
        (reading - sum / 20_000.0).abs() < 40e-6,
        "{reading} {}",
        sum / 20_000.0
    );
}

#[test]
fn overshoot_of_the_supply_shows_in_the_peak_current() {
    let mut bench = connected("fennel", 6, 0..10);
    set(&mut bench, 5.0);
    bench.advance(5 * SECOND);
    let truth = bench.truth();
    let excess = truth.peak_current / truth.current - 1.0;
    assert!(excess > 0.001 && excess < 0.02, "{excess}");
}
