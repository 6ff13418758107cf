//! Diodes inside the movement, against physics worked out here on its own.

use super::*;
use crate::bench::{DROP, LOOP};
use crate::diodes::{Diodes, Flow, Junction, Rectified, Seat};

/// n Vt of the germanium and silicon junctions, V, and saturation currents, A, as announced.
const GERMANIUM: (f64, f64) = (1e-6, 1.5 * 25.85e-3);
const SILICON: (f64, f64) = (2.52e-9, 1.752 * 25.85e-3);

fn shockley((saturation, volts): (f64, f64), across: f64) -> f64 {
    saturation * (across / volts).exp_m1()
}

/// Where a rising function crosses zero.
fn bisect(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        match f(middle) > 0.0 {
            true => high = middle,
            false => low = middle,
        }
    }
    0.5 * (low + high)
}

/// A movement at 20 °C behind a source.
fn flow(spec: &MovementSpec, open: f64, source: f64, emf: f64) -> Flow {
    let diodes = Rectified::new(spec, 20.0).unwrap();
    diodes.flow(open, source + spec.multiplier, emf)
}

fn with(name: &str, seat: Seat, junction: Junction) -> MovementSpec {
    MovementSpec {
        diodes: Some(Diodes { seat, junction }),
        ..find(name).unwrap()
    }
}

/// Two diodes and 3.6 kΩ behind 1 kΩ, the backward pair left out: it leaks a microampere, which is
/// what the two may differ by.
#[test]
fn a_bridge_is_two_diodes_in_series_with_the_coil() {
    let spec = find("wagtail").unwrap();
    for volts in [0.3, 0.6, 1.0, 2.0, 5.0, 20.0] {
        let by_hand = bisect(0.0, volts, |across| {
            shockley(GERMANIUM, across) * (1000.0 + 3600.0) + 2.0 * across - volts
        });
        let amps = shockley(GERMANIUM, by_hand);
        let found = flow(&spec, volts, 1e3, 0.0);
        assert!(
            (found.terminals - amps).abs() < 2.1e-6,
            "{volts}: {found:?} {amps}"
        );
        // What the backward pair lets past passes the terminals twice and the coil not at all.
        assert!(found.core <= found.terminals && found.terminals - found.core < 2.1e-6);
    }
}

/// The four junctions of a bridge one by one: what they carry must meet at the coil's ends.
#[test]
fn currents_meet_at_the_corners_of_a_bridge() {
    let spec = find("wagtail").unwrap();
    for (open, emf) in [
        (0.05, 0.0),
        (0.5, 0.02),
        (-1.3, -0.03),
        (4.0, -0.5),
        (0.0, -0.7),
    ] {
        let found = flow(&spec, open, 1e3, emf);
        let across = open - found.terminals * 4000.0;
        let coil = emf + found.core * 600.0;
        let forward = shockley(GERMANIUM, 0.5 * (across - coil));
        let backward = shockley(GERMANIUM, 0.5 * (-across - coil));
        let close = |a: f64, b: f64| (a - b).abs() < 1e-9 * b.abs() + 1e-15;
        assert!(
            close(forward - backward, found.terminals),
            "{open} {emf}: {found:?}"
        );
        assert!(
            close(forward + backward, found.core),
            "{open} {emf}: {found:?}"
        );
    }
}

/// Near nothing flows before two drops, and either polarity drives the coil the same way.
#[test]
fn a_bridge_has_a_dead_zone_and_no_polarity() {
    let spec = find("wagtail").unwrap();
    assert!(flow(&spec, 0.1, 1e3, 0.0).core < 0.02 * 200e-6);
    for volts in [0.1, 1.0, 3.0] {
        let (plus, minus) = (flow(&spec, volts, 1e3, 0.0), flow(&spec, -volts, 1e3, 0.0));
        assert!((plus.terminals + minus.terminals).abs() < 1e-15);
        assert!((plus.core - minus.core).abs() < 1e-15 && plus.core > 0.0);
    }
    let silicon = with("wagtail", Seat::Bridge, Junction::Silicon);
    assert!(flow(&silicon, 0.6, 1e3, 0.0).core < 0.02 * 200e-6);
}

/// The published leak of a 1N4148-like diode; with one each way the backward one adds its
/// saturation current.
#[test]
fn protection_diodes_take_what_their_kind_is_published_to_leak() {
    let silicon = with("heron", Seat::Protection, Junction::Silicon);
    let schottky = with("heron", Seat::Protection, Junction::Schottky);
    let leak = |spec: &MovementSpec, volts: f64| {
        let found = flow(spec, volts, 0.0, 0.0);
        assert!((found.core - volts / 2000.0).abs() < 1e-15);
        1e6 * (found.terminals - found.core)
    };
    for (volts, published) in [(0.1, 0.020), (0.2, 0.206)] {
        let found = leak(&silicon, volts) - 2.52e-3;
        assert!((found - published).abs() < 0.001, "{volts}: {found} µA");
    }
    assert!((leak(&schottky, 0.1) - 7.8 - 0.19).abs() < 0.05);
}

/// However hard it is driven: 20 mA into 50 µA leave the coil six times its full-scale current.
#[test]
fn protection_diodes_take_what_would_overload_the_coil() {
    let spec = find("sundew").unwrap();
    let found = flow(&spec, 20.0, 1e3, 0.0);
    let across = bisect(0.0, 2.0, |volts| {
        2.0 * SILICON.0 * (volts / SILICON.1).sinh() + volts / 1900.0 - (20.0 - volts) / 1000.0
    });
    assert!(
        (found.core * 1900.0 / across - 1.0).abs() < 1e-9,
        "{found:?}"
    );
    assert!((0.6..0.8).contains(&across), "{across}");
    assert!((found.terminals - (20.0 - across) / 1000.0).abs() < 1e-9);
}

#[test]
fn half_a_wave_flows_one_way_only() {
    let spec = find("dunnock").unwrap();
    let amps = |volts: f64| flow(&spec, volts, 0.0, 0.0).terminals;
    let by_hand = bisect(0.0, 3.0, |across| {
        shockley(SILICON, across) * 2000.0 + across - 3.0
    });
    assert!((amps(3.0) / shockley(SILICON, by_hand) - 1.0).abs() < 1e-9);
    assert!((amps(-3.0) + SILICON.0).abs() < 1e-12, "{}", amps(-3.0));
    let swapped = MovementSpec {
        condition: Condition::Reversed,
        ..spec.clone()
    };
    let other = flow(&swapped, -3.0, 0.0, 0.0);
    assert!((other.terminals + amps(3.0)).abs() < 1e-15, "{other:?}");
}

/// From leakage to a welded supply, whatever the coil answers: what flows obeys Kirchhoff's laws.
#[test]
fn a_solution_is_found_for_every_source() {
    let mut draw = crate::draw::Draw::new(1, 0);
    let seats = [Seat::Protection, Seat::Bridge, Seat::HalfWave];
    let junctions = [Junction::Silicon, Junction::Germanium, Junction::Schottky];
    for k in 0..30_000 {
        let mut spec = with("heron", seats[k % 3], junctions[k / 3 % 3]);
        spec.copper = draw.log_between(1e-2, 1e5);
        spec.multiplier = draw.log_between(1e-3, 1e6);
        if draw.chance(0.1) {
            spec.condition = Condition::OpenCoil;
        }
        let open = draw.log_between(1e-9, 1e3) * draw.within(1.0).signum();
        let source = draw.log_between(1e-3, 1e10);
        let emf = draw.log_between(1e-9, 1.0) * draw.within(1.0).signum();
        let found = flow(&spec, open, source, emf);
        let twice = flow(&spec, open, source, emf);
        assert_eq!(found, twice);
        // No more than the source gives with the diodes shorted, or the coil with the source shorted.
        let ohms = spec.core(20.0);
        let most = (open.abs() + emf.abs()) / (source + spec.multiplier);
        assert!(
            found.terminals.abs() <= most * 1.000_001 + 1e-15,
            "{k}: {found:?}"
        );
        assert!(
            found.core.abs() <= most + emf.abs() / ohms + 1e-15,
            "{k}: {found:?}"
        );
        // The voltage of the terminals lies between those of source and coil.
        let across = open - found.terminals * (source + spec.multiplier);
        let slack = 1e-6 * (open.abs() + emf.abs()) + 1e-15 * (source + spec.multiplier);
        let (low, high) = (open.min(emf).min(0.0), open.max(emf).max(0.0));
        assert!(
            across >= low - slack && across <= high + slack,
            "{k}: {across}"
        );
    }
}

/// A bench with the movement at rest, driven by `volts` through 40 kΩ.
fn at_rest(spec: &MovementSpec, volts: f64, reversed: bool) -> Bench {
    let spec = MovementSpec {
        friction: 0.0,
        breakaway: 0.0,
        ..spec.clone()
    };
    let mut bench = Bench::standard(&spec, 5);
    if reversed {
        bench.switch(&[crate::wiring::REVERSE], true);
    }
    connect(&mut bench, 0..10);
    set(&mut bench, volts);
    bench.advance(30 * SECOND);
    bench
}

/// What is said to leave a current for the coil leaves just that.
#[test]
fn terminal_currents_are_those_of_the_solution() {
    for name in ["sundew", "wagtail", "dunnock"] {
        let spec = find(name).unwrap();
        for volts in [0.02, 0.3, 0.9] {
            let found = flow(&spec, volts, 0.0, 0.0);
            let said = spec
                .diodes
                .unwrap()
                .terminal_current(found.core, spec.core(20.0));
            assert!(
                (said / found.terminals - 1.0).abs() < 1e-6,
                "{name} {volts}"
            );
        }
    }
}

/// Diodes across the coil damp it as what they are at that current: 2 Is/(n Vt) cosh(V/(n Vt)).
#[test]
fn protection_diodes_damp_a_needle_the_more_they_conduct() {
    let mut spec = with("heron", Seat::Protection, Junction::Germanium);
    // Nothing but the current changes.
    spec.thermal_resistance = 0.0;
    let bench = at_rest(&spec, 4.0, false);
    let across = bench.drive.drop.at(bench.point());
    assert!(across > 0.08, "{across}");
    let (saturation, volts) = GERMANIUM;
    let diodes = 2.0 * saturation / volts * (across / volts).cosh();
    // 40 kΩ and 10 kΩ of the bench beside them.
    let outside = 1.0 / (diodes + 1.0 / 50e3);
    let coil = spec.core(bench.heat.celsius) + outside;
    let omega = spec.omega();
    let magnetic = omega * omega * spec.back_emf / (spec.coil_full_scale * coil);
    let expected = 2.0 * spec.damping * omega + magnetic;
    let found = bench.plant.drag;
    assert!((found / expected - 1.0).abs() < 5e-3, "{found} {expected}");
}

#[test]
fn full_scale_current_of_rectified_movements_puts_the_needle_on_the_mark() {
    for name in ["sundew", "wagtail", "dunnock"] {
        let spec = find(name).unwrap();
        let mut bench = at_rest(&spec, 0.0, false);
        let wanted = bench.truth().full_scale_current.unwrap();
        let volts = bisect(0.0, 100.0, |volts| {
            bench.drive.movement.at(bench.drive.point(volts, 0.0)) - wanted
        });
        set(&mut bench, volts);
        bench.advance(60 * SECOND);
        let truth = bench.truth();
        let shift = truth.current / wanted - 1.0;
        assert!(
            shift.abs() < 2e-3 && (truth.deflection - 1.0 - shift).abs() < 2e-4,
            "{name}: {} at {shift}",
            truth.deflection
        );
    }
}

#[test]
fn a_bridge_deflects_up_scale_either_way_and_half_a_wave_only_one() {
    let deflection = |name: &str, reversed: bool| {
        let truth = at_rest(&find(name).unwrap(), 6.0, reversed).truth();
        (truth.deflection - truth.zero, truth.current)
    };
    let (plus, minus) = (deflection("wagtail", false), deflection("wagtail", true));
    assert!(
        plus.0 > 0.5 && (plus.0 - minus.0).abs() < 1e-3,
        "{plus:?} {minus:?}"
    );
    assert!(plus.1 > 0.0 && minus.1 < 0.0);
    assert!(deflection("dunnock", false).0 > 0.1);
    let (moved, amps) = deflection("dunnock", true);
    assert!(moved.abs() < 1e-4 && amps.abs() < 1e-8, "{moved} {amps}");
}

/// What meters integrate is what flows: readings at rest are the operating point's.
#[test]
fn readings_of_a_rectified_movement_are_its_operating_point() {
    for name in ["sundew", "wagtail", "dunnock"] {
        let mut bench = at_rest(&find(name).unwrap(), 1.6, false);
        for meter in [DROP, LOOP] {
            bench.meters[meter].high_impedance = true;
            bench.meters[meter].range = 1.0;
            bench.meter_changed(meter);
        }
        bench.advance(40 * SECOND);
        let point = bench.point();
        let (drop, sense) = (bench.drive.drop.at(point), bench.drive.sense.at(point));
        let (read_drop, read_sense) = (read(&mut bench, DROP), read(&mut bench, LOOP));
        assert!(
            (read_drop / drop - 1.0).abs() < 2e-4,
            "{name} {read_drop} {drop}"
        );
        assert!((read_sense / sense - 1.0).abs() < 2e-4, "{name}");
        assert!((sense / bench.wiring.ohms[16] / point.flow.terminals - 1.0).abs() < 1e-4);
    }
}

#[test]
fn steps_of_any_size_lead_a_rectified_needle_to_the_same_state() {
    for name in ["sundew", "wagtail", "dunnock"] {
        let mut coarse = connected(name, 21, 0..10);
        set(&mut coarse, 5.0);
        let mut fine = coarse.clone();
        let end = coarse.now + 2 * SECOND;
        coarse.advance(end);
        while fine.now < end {
            fine.advance((fine.now + 777_777).min(end));
        }
        assert!((coarse.swing.d - fine.swing.d).abs() < 2e-4, "{name}");
        for meter in [DROP, LOOP] {
            let (a, b) = (coarse.integral(meter), fine.integral(meter));
            assert!((a - b).abs() < 3e-4 * a.abs(), "{name} {a} {b}");
        }
    }
}

/// The diodes of a bridge block what its coil answers: with the terminals shorted the needle swings
/// on as with open ones, where the same coil by itself is damped at once.
#[test]
fn a_short_does_not_damp_a_needle_behind_a_silicon_bridge() {
    let swing = |spec: &MovementSpec| {
        let spec = MovementSpec {
            friction: 0.0,
            breakaway: 0.0,
            damping: 0.05,
            // Far from both stops.
            zero: 0.5,
            ..spec.clone()
        };
        let mut bench = Bench::standard(&spec, 3);
        bench.switch(&[MOVEMENT], true);
        bench.advance(SECOND);
        bench.swing.d = 0.8;
        bench.swing.hold = crate::swing::Hold::Free;
        bench.advance(SECOND + (spec.period * 1e9) as u64);
        // One period after its release: the peak, as a share of the one before.
        (bench.swing.d - spec.zero) / (0.8 - spec.zero)
    };
    let coil = find("wagtail").unwrap();
    let bare = MovementSpec {
        diodes: None,
        multiplier: 0.0,
        ..coil.clone()
    };
    let bridge = with("wagtail", Seat::Bridge, Junction::Silicon);
    // The logarithmic decrement of ζ = 0.05.
    let free = (-std::f64::consts::TAU * 0.05 / (1.0f64 - 0.05 * 0.05).sqrt()).exp();
    assert!(
        (swing(&bridge) - free).abs() < 0.02,
        "{} {free}",
        swing(&bridge)
    );
    assert!(swing(&bare) < 0.1 * free, "{}", swing(&bare));
    let truth = Bench::standard(&bridge, 3).truth();
    assert!((truth.damping_shorted - truth.damping_open).abs() < 1e-3);
}

#[test]
fn a_current_limit_holds_behind_diodes() {
    for name in ["sundew", "wagtail", "dunnock"] {
        let mut bench = connected(name, 15, 0..10);
        bench.supply.limit = 30e-6;
        set(&mut bench, 8.0);
        bench.advance(10 * SECOND);
        let drawn = bench.drive.supply.at(bench.point());
        assert!((drawn - 30e-6).abs() < 1e-11, "{name}: {drawn}");
    }
}

/// A junction that blocks would take the test current's source to any voltage; it has nine.
#[test]
fn a_test_current_ends_at_its_compliance_before_a_blocking_diode() {
    let spec = MovementSpec {
        condition: Condition::Reversed,
        ..find("dunnock").unwrap()
    };
    let mut bench = Bench::standard(&spec, 2);
    bench.meters[DROP].function = crate::meter::Function::FourWire;
    bench.meters[DROP].range = 1e4;
    bench.meter_changed(DROP);
    bench.advance(SECOND);
    let across = bench.drive.drop.at(bench.point());
    assert!((across - 9.0).abs() < 1e-3, "{across}");
}
