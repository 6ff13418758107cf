//! Energy, time, contacts, faults, the camera.

use super::*;
use crate::bench::{DROP, LOOP};
use crate::camera::Look;
use crate::draw::Draw;
use crate::meter::Function;
use crate::spec::Condition;
use crate::swing::Hold;
use crate::wiring::{CHANNELS, SHUNT};

#[test]
fn energy_is_conserved() {
    for name in ["heron", "burdock", "shunted"] {
        let mut bench = Bench::standard(&energetic(name), 11);
        connect(&mut bench, 0..10);
        set(&mut bench, 1.2);
        let spec = bench.spec.clone();
        // Mechanical energy per (full scale per second)²: torque and back-EMF are one constant.
        let scale = spec.back_emf * spec.coil_full_scale / bench.plant.stiffness;
        let stored = |bench: &Bench| {
            let s = &bench.swing;
            let stretch = s.d - spec.zero;
            scale * 0.5 * (s.v * s.v + bench.plant.stiffness * stretch * stretch)
        };
        let before = stored(&bench);
        let (mut received, mut lost) = (0.0, 0.0);
        let rates = |bench: &Bench| {
            let (point, emf) = (bench.point(), bench.emf());
            let (amps, coil) = (bench.drive.movement.at(point), bench.drive.coil.at(point));
            let core = spec.core(bench.heat.solved);
            let shunt = spec.shunt.map_or(0.0, |ohms| (amps - coil).powi(2) * ohms);
            // At every instant: what goes in at the terminals heats or moves the coil.
            let terminals = bench.drive.drop.at(point) * amps;
            let balance = terminals - (coil * coil * core + shunt + emf * coil);
            assert!(
                balance.abs() <= 1e-9 * terminals.abs() + 1e-18,
                "{name}: {balance}"
            );
            let v = bench.swing.v;
            let damping = 2.0 * spec.damping * spec.omega() * v * v;
            let friction = bench.plant.stiffness * spec.friction * v.abs();
            (emf * coil, scale * (damping + friction))
        };
        let h = 50_000;
        for _ in 0..40_000 {
            let (in0, out0) = rates(&bench);
            bench.advance(bench.now + h);
            let (in1, out1) = rates(&bench);
            received += 0.5 * (in0 + in1) * h as f64 * 1e-9;
            lost += 0.5 * (out0 + out1) * h as f64 * 1e-9;
        }
        let gained = stored(&bench) - before;
        assert!(bench.swing.hits.is_empty());
        assert!(gained > 0.0);
        assert!(
            (received - lost - gained).abs() < 2e-4 * received,
            "{name} {received} {lost} {gained}"
        );
    }
}

#[test]
fn power_out_of_the_supply_is_found_in_the_elements() {
    let mut bench = connected("fennel", 12, 2..10);
    set(&mut bench, 6.0);
    bench.advance(20 * SECOND);
    let volts = bench.volts(bench.now);
    let still = bench.drive.point(volts, 0.0);
    let out = volts * bench.drive.supply.at(still);
    let found: f64 = bench
        .drive
        .elements
        .iter()
        .map(|(k, line)| line.at(still).powi(2) / bench.wiring.ohms[*k])
        .sum();
    let movement = bench.drive.drop.at(still) * bench.drive.movement.at(still);
    let contacts = out - found - movement;
    // Meter inputs and a few tenths of an ohm of contacts take the rest.
    assert!(
        contacts > 0.0 && contacts < 2e-3 * out,
        "{contacts} of {out}"
    );
    let powers = bench.truth().element_peak_power;
    let named = |name: &str| powers.iter().find(|(known, _)| known == name).unwrap().1;
    assert!(named("series 121") > named("series 122"));
    assert!(named("path 111") > 0.0);
}

#[test]
fn shunt_bank_takes_its_share() {
    let mut bench = connected("fennel", 13, 0..10);
    bench.switch(&[SHUNT, 29 + 3], true);
    bench.advance(SECOND);
    set(&mut bench, 4.0);
    bench.advance(20 * SECOND);
    let volts = bench.volts(bench.now);
    let still = bench.drive.point(volts, 0.0);
    let amps = bench.drive.movement.at(still);
    let total = bench.drive.supply.at(still);
    // 80 Ω beside about 101 Ω.
    assert!(
        (amps / total - 80.0 / 181.4).abs() < 3e-3,
        "{}",
        amps / total
    );
}

#[test]
fn steps_of_any_size_lead_to_the_same_state() {
    for name in ["heron", "burdock", "bramble", "anvil", "ledger"] {
        let mut coarse = connected(name, 21, 0..10);
        set(&mut coarse, 3.0);
        let mut fine = coarse.clone();
        let end = coarse.now + 4 * SECOND;
        coarse.advance(end);
        while fine.now < end {
            fine.advance((fine.now + 777_777).min(end));
        }
        assert!((coarse.swing.d - fine.swing.d).abs() < 2e-5, "{name}");
        assert!(
            (coarse.heat.celsius - fine.heat.celsius).abs() < 1e-3,
            "{name}"
        );
        for meter in [DROP, LOOP] {
            let (a, b) = (coarse.integral(meter), fine.integral(meter));
            assert!((a - b).abs() < 3e-6 * a.abs() + 1e-9, "{name} {a} {b}");
        }
    }
}

#[test]
fn contacts_of_one_command_move_at_different_times() {
    let mut bench = Bench::standard(&find("fennel").unwrap(), 3);
    bench.advance(SECOND);
    let relays = [SOURCE, MOVEMENT, SHUNT, PATH_40K, SENSE_10K];
    bench.switch(&relays, true);
    let mut order = Vec::new();
    for k in 0..700 {
        bench.advance(SECOND + k * 10_000);
        for relay in relays {
            if bench.wiring.relays[relay].closed() && !order.contains(&relay) {
                order.push(relay);
            }
        }
    }
    assert_eq!(order.len(), relays.len());
    assert_ne!(order, relays, "another order than commanded");
    assert!(bench.relays_ready <= SECOND + 7 * MS);
}

#[test]
fn heating_raises_copper_by_its_coefficient() {
    let mut bench = connected("fennel", 14, 0..10);
    let cold = bench.spec.terminal_resistance(bench.heat.ambient);
    bench.spec.thermal_resistance = 30_000.0;
    set(&mut bench, 8.0);
    bench.advance(300 * SECOND);
    let amps = bench.truth().current;
    let hot = bench.drive.drop.at(bench.point()) / amps;
    let rise = amps * amps * hot * 30_000.0;
    assert!(rise > 0.05 && (bench.heat.celsius - bench.heat.ambient - rise).abs() < 1e-3 * rise);
    assert!((hot - cold - 100.0 * 0.003_93 * rise).abs() < 1e-3);
}

#[test]
fn current_limit_holds() {
    let mut bench = connected("fennel", 15, 0..10);
    bench.supply.limit = 50e-6;
    set(&mut bench, 8.0);
    bench.advance(10 * SECOND);
    let volts = bench.volts(bench.now);
    assert!((bench.drive.supply.at(bench.drive.point(volts, 0.0)) - 50e-6).abs() < 1e-12);
}

#[test]
fn over_voltage_protection_switches_off() {
    let mut bench = connected("fennel", 16, 0..10);
    bench.supply.protect = 2.0;
    bench.supply.protecting = true;
    set(&mut bench, 3.0);
    bench.advance(SECOND);
    assert!(bench.supply.tripped && !bench.supply.on);
    assert_eq!(bench.volts(bench.now), 0.0);
}

#[test]
fn faults_of_energy_can_be_injected() {
    let mut bench = connected("fennel", 17, 0..10);
    assert!(bench.weld(103) && !bench.weld(999));
    bench.switch(&[MOVEMENT], false);
    bench.advance(bench.now + SECOND);
    assert!(bench.wiring.relays[MOVEMENT].closed() && !bench.energised(MOVEMENT));
    bench.supply.protect = 2.0;
    bench.supply.protecting = true;
    bench.run_away();
    bench.advance(bench.now + SECOND);
    assert_eq!(bench.volts(bench.now), 8.0);
}

#[test]
fn polarity_changeover_turns_the_current_round() {
    let mut bench = connected("heron", 18, 0..10);
    set(&mut bench, 0.2);
    bench.advance(10 * SECOND);
    let forward = bench.truth().current;
    bench.switch(&[crate::wiring::REVERSE], true);
    bench.advance(20 * SECOND);
    let backward = bench.truth().current;
    assert!(
        forward > 0.0 && (forward / backward + 1.0).abs() < 1e-4,
        "{forward} {backward}"
    );
    assert!(bench.truth().deflection < -0.01);
}

#[test]
fn a_stuck_or_reversed_needle_behaves_so() {
    let mut stuck = connected("boulder", 19, 0..10);
    set(&mut stuck, 4.0);
    stuck.advance(5 * SECOND);
    assert!(stuck.truth().current > 5e-5 && stuck.truth().deflection < 0.01);
    let mut reversed = connected("widdershins", 19, 0..10);
    set(&mut reversed, 4.0);
    reversed.advance(5 * SECOND);
    assert_eq!(reversed.swing.hold, Hold::Stop(false));
    assert_eq!(reversed.truth().driven_stop_hits, 1);
}

#[test]
fn camera_errors_have_the_stated_size() {
    let mut spec = find("heron").unwrap();
    (spec.friction, spec.breakaway) = (0.0, 0.0);
    let mut shared_squares = 0.0;
    for seed in 0..200 {
        let mut bench = Bench::standard(&spec, seed);
        let shown = bench.shown();
        let (mut sum, mut squares, mut n, mut unseen) = (0.0, 0.0, 0.0, 0);
        let (mut own_stated, mut shared_stated) = (0.0, 0.0);
        for _ in 0..400 {
            let (number, at) = bench.next_picture();
            assert!(at > bench.now && at - bench.now < 70 * MS);
            bench.advance(at);
            match bench.look(number) {
                Look::Seen {
                    deflection,
                    own,
                    shared,
                    age,
                } => {
                    assert!((0.03..0.0601).contains(&age), "{age}");
                    sum += deflection - shown;
                    squares += (deflection - shown).powi(2);
                    n += 1.0;
                    (own_stated, shared_stated) = (own, shared);
                }
                Look::Unseen(_) => unseen += 1,
            }
        }
        let mean: f64 = sum / n;
        let spread: f64 = ((squares / n - mean * mean) * n / (n - 1.0)).sqrt();
        assert!(
            (spread / own_stated - 1.0).abs() < 0.2,
            "{spread} {own_stated}"
        );
        assert!(unseen < 12);
        shared_squares += (mean / shared_stated).powi(2);
    }
    let shared = (shared_squares / 200.0_f64).sqrt();
    assert!((shared - 1.0).abs() < 0.15, "{shared}");
}

#[test]
fn any_movement_under_any_handling_stays_physical() {
    let mut draw = Draw::new(77, 0);
    for seed in 0..150 {
        let spec = crate::random(seed, crate::Pool::Any);
        let mut bench = Bench::standard(&spec, seed);
        bench.supply.on = true;
        for _ in 0..40 {
            let relay = draw.nanos(0, CHANNELS.len() as u64) as usize;
            bench.switch(&[relay], draw.chance(0.6));
            match draw.nanos(0, 6) {
                0 => {
                    let volts = draw.between(0.0, 8.0);
                    set(&mut bench, volts);
                }
                1 => {
                    bench.meters[LOOP].function = Function::Ohms;
                    bench.meters[LOOP].range = 100.0;
                    bench.meter_changed(LOOP);
                }
                2 => {
                    bench.meters[LOOP].function = Function::Volts;
                    bench.meters[LOOP].range = 10.0;
                    bench.meter_changed(LOOP);
                }
                _ => {}
            }
            let span = draw.nanos(1, 300 * MS);
            bench.advance(bench.now + span);
            let truth = bench.truth();
            let swing = &bench.swing;
            assert!(
                swing.d >= spec.lower_stop && swing.d <= spec.upper_stop,
                "{seed}"
            );
            assert!(swing.v.is_finite() && truth.current.is_finite());
            assert!(
                truth.current.abs() <= truth.peak_current * (1.0 + 1e-9),
                "{seed}"
            );
            assert!(truth.peak_current < 13.0 && bench.integral(LOOP).is_finite());
            if spec.condition == Condition::Absent {
                assert_eq!(truth.peak_current, 0.0);
            }
        }
    }
}

#[test]
fn an_interrupted_move_ends_where_the_last_command_says() {
    for seed in 0..50 {
        let mut bench = Bench::standard(&find("fennel").unwrap(), seed);
        bench.switch(&[SOURCE, SHORT, SHUNT], true);
        bench.advance(MS + seed * 100_000);
        bench.switch(&[SOURCE, SHORT, SHUNT], false);
        bench.advance(SECOND);
        let closed = |relay: usize| bench.wiring.relays[relay].closed();
        assert!(!closed(SOURCE) && closed(SHORT) && !closed(SHUNT), "{seed}");
    }
}

#[test]
fn the_short_guards_a_movement_while_its_relay_rests() {
    let mut bench = connected("heron", 20, 0..10);
    set(&mut bench, 2.0);
    bench.advance(SECOND);
    let open = bench.truth().current;
    bench.switch(&[SHORT], false);
    bench.advance(20 * SECOND);
    let shorted = bench.truth().current;
    // At most 0.1 Ω beside 2 kΩ and a little wiring.
    assert!(
        open > 30e-6 && shorted > 0.0 && shorted < open * 1e-4,
        "{open} {shorted}"
    );
}

#[test]
fn an_output_switched_on_gives_what_its_capacitors_hold() {
    let mut bench = connected("heron", 3, 0..10);
    bench.supply.on = false;
    bench.supply_changed();
    bench.advance(SECOND);
    let before = bench.truth().peak_current;
    bench.charge_output(4.0);
    bench.supply.on = true;
    bench.supply_changed();
    bench.advance(2 * SECOND);
    // 4 V over 40 kΩ, 10 kΩ and the movement's 2 kΩ.
    let peak = bench.truth().peak_current;
    assert!(
        before < 2e-5 && (peak / (4.0 / 52e3) - 1.0).abs() < 0.02,
        "{peak}"
    );
    assert!(bench.volts(bench.now) < 1.1e-3);
}
