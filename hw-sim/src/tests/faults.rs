//! Faults on the bench: what each does to voltages, contacts, readings and the needle.

use super::*;
use crate::bench::{DROP, LOOP};
use crate::camera::Look;
use crate::meter::OVERLOAD;
use crate::wiring::{CHANNELS, SHUNT, relay_of};
use crate::{Class, Fault, Faults, Kind, Place};

/// A bench with 1 V on a fennel through 40 kΩ, on which this will strike.
fn driven(fault: Fault) -> Bench {
    let mut bench = Bench::faulty(&find("fennel").unwrap(), 31, &fault.into());
    connect(&mut bench, 0..10);
    bench.set_voltage(1.0);
    bench.advance(10 * SECOND);
    bench
}

/// The same without a fault.
fn sound() -> Bench {
    let mut bench = connected("fennel", 31, 0..10);
    set(&mut bench, 1.0);
    bench.advance(10 * SECOND);
    bench
}

fn later(fault: Fault, seconds: f64) -> Fault {
    Fault {
        after_seconds: seconds,
        ..fault
    }
}

fn lasting(fault: Fault, seconds: f64) -> Fault {
    Fault {
        for_seconds: Some(seconds),
        ..fault
    }
}

fn current(bench: &Bench) -> f64 {
    bench.truth().current
}

#[test]
fn a_plan_without_faults_changes_nothing() {
    let spec = find("heron").unwrap();
    let mut plain = Bench::standard(&spec, 5);
    let mut planned = Bench::faulty(&spec, 5, &Faults::default());
    for bench in [&mut plain, &mut planned] {
        connect(bench, 0..10);
        set(bench, 1.0);
        bench.advance(5 * SECOND);
    }
    assert_eq!(plain.truth(), planned.truth());
    assert_eq!(read(&mut plain, LOOP), read(&mut planned, LOOP));
    assert_eq!(plain.truth().onset, None);
}

#[test]
fn settings_can_be_ignored_clamped_and_lied_about() {
    let supply = |kind| Fault::new(Place::Supply, kind);
    let mut ignored = driven(Fault {
        times: Some(1),
        ..supply(Kind::SetIgnored)
    });
    assert_eq!((ignored.output_volts(), ignored.told_voltage()), (0.0, 0.0));
    ignored.set_voltage(1.0);
    ignored.advance(20 * SECOND);
    assert!((ignored.output_volts() - 1.0).abs() < 2e-3, "only one time");

    let mut clamped = driven(supply(Kind::SetClamped).sized(0.4));
    assert!((clamped.output_volts() - 0.4).abs() < 2e-3);
    assert_eq!(clamped.told_voltage(), 0.4);

    let lie = supply(Kind::ReadBackLies).sized(0.0);
    let both = Faults {
        fault: vec![supply(Kind::SetClamped).sized(0.4), lie],
    };
    let mut hidden = Bench::faulty(&find("fennel").unwrap(), 31, &both);
    hidden.supply.on = true;
    hidden.set_voltage(1.0);
    hidden.advance(SECOND);
    assert!((hidden.output_volts() - 0.4).abs() < 2e-3);
    assert_eq!(hidden.told_voltage(), 1.0, "as it was asked for");
    assert!((hidden.supply_reads().0 - 0.4).abs() < 5e-3, "measured");

    let mut off = driven(supply(Kind::ReadBackLies).sized(0.1));
    assert!((off.told_voltage() - 1.1).abs() < 1e-12);
    assert!((off.supply_reads().0 - 1.1).abs() < 5e-3);
    assert!((off.output_volts() - 1.0).abs() < 2e-3);
}

#[test]
fn full_output_comes_by_itself_and_goes_when_it_is_over() {
    let fault = later(Fault::new(Place::Supply, Kind::FullOutput), 2.0);
    let mut bench = driven(lasting(fault, 30.0));
    assert!((bench.output_volts() - 8.0).abs() < 1e-9);
    let truth = bench.truth();
    assert!((truth.onset.unwrap() - 2.0).abs() < 1e-9);
    assert!(truth.peak_since_onset.unwrap() > 7.5 / 51e3);
    bench.supply.switch(false);
    bench.supply_changed();
    bench.advance(20 * SECOND);
    assert!(
        bench.output_volts() > 7.9 && !bench.truth().safe,
        "whatever is commanded"
    );
    bench.advance(33 * SECOND);
    assert_eq!(bench.output_volts(), 0.0);
}

#[test]
fn a_tripped_supply_comes_back_when_cleared_unless_switched_off() {
    let fault = later(Fault::new(Place::Supply, Kind::Trips), 2.0);
    let bench = driven(fault);
    assert!(bench.supply.tripped && !bench.supply.on && bench.output_volts() == 0.0);
    let mut cleared = bench.clone();
    cleared.supply.clear();
    cleared.supply_changed();
    cleared.advance(20 * SECOND);
    assert!((cleared.output_volts() - 1.0).abs() < 2e-3);
    let mut off = bench;
    off.supply.switch(false);
    off.supply.clear();
    off.supply_changed();
    off.advance(20 * SECOND);
    assert_eq!(off.output_volts(), 0.0);
    let back = driven(lasting(fault, 1.0));
    assert!(
        (back.output_volts() - 1.0).abs() < 2e-3,
        "by itself, at the end"
    );
}

#[test]
fn a_dead_relay_says_that_it_moved() {
    let fault = Fault::new(Place::Switch, Kind::Dead).at(103);
    let bench = driven(fault);
    assert!(bench.energised(MOVEMENT) && !bench.wiring.relays[MOVEMENT].closed());
    assert!(current(&bench).abs() < 1e-9);
    let healed = driven(lasting(fault, 5.0));
    assert!(
        current(&healed) > 1e-5,
        "follows its coil when it is over: {}",
        current(&healed)
    );
}

#[test]
fn a_slow_relay_moves_later() {
    let fault = Fault::new(Place::Switch, Kind::Slow).at(101).sized(0.2);
    let mut bench = Bench::faulty(&find("fennel").unwrap(), 3, &fault.into());
    bench.switch(&[SOURCE, MOVEMENT], true);
    bench.advance(150 * MS);
    let closed = |bench: &Bench, relay: usize| bench.wiring.relays[relay].closed();
    assert!(!closed(&bench, SOURCE) && closed(&bench, MOVEMENT));
    bench.advance(210 * MS);
    assert!(closed(&bench, SOURCE));
}

#[test]
fn welded_contacts_stay_and_opened_ones_too() {
    let welded = Fault::new(Place::Switch, Kind::Welded).at(103);
    let mut bench = driven(welded);
    bench.switch(&[MOVEMENT], false);
    bench.advance(11 * SECOND);
    assert!(current(&bench) > 1e-5 && !bench.energised(MOVEMENT));

    // The short that opens by itself lets the current into the movement.
    let mut bench = driven(later(Fault::new(Place::Switch, Kind::Opens).at(102), 19.0));
    bench.switch(&[SHORT], false);
    bench.advance(18 * SECOND);
    assert!(current(&bench) < 1e-6);
    bench.advance(25 * SECOND);
    assert!(current(&bench) > 1e-5);

    // A shunt that opens by itself: all of the current goes through the movement.
    let fault = later(Fault::new(Place::Switch, Kind::Opens).at(104), 11.0);
    let mut bench = driven(fault);
    bench.switch(&[SHUNT, relay_of(161).unwrap()], true);
    bench.advance(bench.now + 500 * MS);
    let shared = current(&bench);
    bench.advance(20 * SECOND);
    let whole = current(&bench);
    // 10 Ω and two contacts beside 100 Ω and three.
    assert!(
        (8.0..12.0).contains(&(whole / shared)),
        "{whole} after {shared}"
    );
}

#[test]
fn a_changeover_that_welds_stays_on_its_side() {
    let fault = Fault::new(Place::Switch, Kind::Welded).at(105);
    let mut bench = driven(fault);
    let before = current(&bench);
    bench.switch(&[crate::wiring::REVERSE], true);
    bench.advance(20 * SECOND);
    assert!(before > 1e-5 && (current(&bench) / before - 1.0).abs() < 1e-3);
}

#[test]
fn elements_break_or_change_and_the_circuit_is_solved_anew() {
    let path = |kind| later(Fault::new(Place::Switch, kind).at(111), 5.0);
    let honest = current(&sound());
    let broken = driven(path(Kind::ElementOpen));
    assert!(current(&broken) < honest * 1e-5, "{}", current(&broken));
    let less = driven(path(Kind::ElementOff).sized(-0.3));
    // 40 kΩ of about 50 kΩ (path, sense, movement) lose 30 %.
    let expected = 50.1 / (50.1 - 12.0);
    let ratio = current(&less) / honest;
    assert!((ratio / expected - 1.0).abs() < 0.01, "{ratio} {expected}");
    let healed = driven(lasting(path(Kind::ElementOff).sized(-0.3), 2.0));
    assert!((current(&healed) / honest - 1.0).abs() < 1e-5);
}

#[test]
fn meters_overload_drift_and_change_range() {
    let meter = |kind| Fault::new(Place::Loop, kind);
    let mut honest = sound();
    let truth = read(&mut honest, LOOP);
    let mut once = driven(Fault {
        times: Some(1),
        ..meter(Kind::Overload)
    });
    assert_eq!(read(&mut once, LOOP), OVERLOAD);
    assert!(read(&mut once, LOOP) < 1.0);
    let gained = read(&mut driven(meter(Kind::Gain).sized(0.05)), LOOP);
    assert!((gained / truth / 1.05 - 1.0).abs() < 1e-3);
    let shifted = read(&mut driven(meter(Kind::Offset).sized(0.01)), LOOP);
    assert!((shifted - truth - 0.01).abs() < 2e-4);
    // 0.2 V on the 0.1 V range is an overload, and only where the fault is.
    let mut small = driven(later(meter(Kind::WrongRange).sized(0.1), 5.0));
    assert_eq!(read(&mut small, LOOP), OVERLOAD);
    assert!(read(&mut small, DROP) < 1.0);
}

#[test]
fn a_meter_in_ohms_drives_the_movement() {
    let fault = Fault::new(Place::Drop, Kind::WrongFunction).sized(1e3);
    let bench = driven(later(fault, 5.0));
    // 1 mA of test current, of which a 50 kΩ loop takes next to nothing, beside the rig's 20 µA.
    assert!(
        (current(&bench) - 1.02e-3).abs() < 2e-5,
        "{}",
        current(&bench)
    );
    assert!(!bench.truth().safe);
}

#[test]
fn a_needle_sticks_up_to_its_limit_and_lets_go() {
    let stick = Fault::new(Place::Movement, Kind::Sticks).sized(0.05);
    let mut bench = Bench::faulty(&find("fennel").unwrap(), 31, &stick.into());
    connect(&mut bench, 0..10);
    let rest = bench.shown();
    let pull_at = |bench: &mut Bench, share: f64, until: u64| {
        // 1 mA full scale over about 50.1 kΩ.
        bench.set_voltage(share * 50.1);
        bench.advance(until * SECOND);
        bench.shown() - rest
    };
    let held = pull_at(&mut bench, 0.04, 10);
    assert!(held.abs() < 1e-9, "{held}");
    let gone = pull_at(&mut bench, 0.06, 20);
    assert!(gone > 0.05, "lets go: {gone}");

    let mut bench = Bench::faulty(&find("fennel").unwrap(), 31, &lasting(stick, 15.0).into());
    connect(&mut bench, 0..10);
    let held = pull_at(&mut bench, 0.04, 14);
    assert!(held.abs() < 1e-9);
    let over = pull_at(&mut bench, 0.04, 30);
    assert!((over - 0.04).abs() < 3e-3, "{over}");
}

fn looks(fault: Fault, seed: u64) -> (Vec<Look>, f64) {
    let mut bench = Bench::faulty(&find("heron").unwrap(), seed, &fault.into());
    let mut all = Vec::new();
    for _ in 0..20 {
        let (number, at) = bench.next_picture();
        bench.advance(at);
        all.push(bench.look(number));
    }
    (all, bench.shown())
}

fn seen(looks: &[Look]) -> Vec<f64> {
    let deflection = |look: &Look| match look {
        Look::Seen { deflection, .. } => Some(*deflection),
        Look::Unseen(_) => None,
    };
    looks.iter().filter_map(deflection).collect()
}

#[test]
fn a_reader_goes_blind_freezes_looks_elsewhere_or_lies() {
    let reader = |kind| Fault::new(Place::Reader, kind);
    let (blind, _) = looks(
        Fault {
            times: Some(5),
            ..reader(Kind::Blind)
        },
        1,
    );
    assert!(seen(&blind[..5]).is_empty() && seen(&blind).len() >= 14);

    let (frozen, _) = looks(reader(Kind::Frozen), 1);
    assert!(frozen.windows(2).all(|pair| pair[0] == pair[1]));

    let (elsewhere, shown) = looks(reader(Kind::OtherDial).sized(0.6), 1);
    let elsewhere = seen(&elsewhere);
    assert!(elsewhere.iter().all(|d| (d - 0.6).abs() < 0.006) && shown < 0.1);
    assert!(elsewhere.windows(2).all(|pair| pair[0] != pair[1]), "alive");

    let (honest, _) = looks(later(reader(Kind::Lies).sized(0.02), 1e5), 1);
    let (lies, _) = looks(reader(Kind::Lies).sized(0.02), 1);
    for (lie, truth) in seen(&lies).iter().zip(seen(&honest)) {
        assert!((lie - truth - 0.02).abs() < 1e-12);
    }
}

#[test]
fn a_fault_waits_for_lines_seconds_and_the_output() {
    let fault = Fault {
        after_lines: 3,
        after_seconds: 1.0,
        when_on: true,
        ..Fault::new(Place::Supply, Kind::SetIgnored)
    };
    let mut bench = Bench::faulty(&find("fennel").unwrap(), 1, &fault.into());
    let take = |bench: &mut Bench, volts: f64| {
        bench.received(Place::Supply);
        bench.set_voltage(volts);
        bench.supply.set == volts
    };
    for _ in 0..10 {
        assert!(take(&mut bench, 0.1), "the output is off");
    }
    bench.supply.switch(true);
    bench.supply_changed();
    for _ in 0..2 {
        assert!(take(&mut bench, 0.2));
    }
    bench.advance(2 * SECOND);
    bench.received(Place::Loop);
    assert!(take(&mut bench, 0.3), "the third line of the supply");
    assert_eq!(bench.truth().onset, None);
    assert!(!take(&mut bench, 0.4), "the fourth");
    assert!((bench.truth().onset.unwrap() - 2.0).abs() < 1e-9);
}

#[test]
fn the_truth_tells_since_when_the_rig_is_safe() {
    let fault = later(Fault::new(Place::Drop, Kind::Gain).sized(0.0), 5.0);
    let mut bench = driven(fault);
    let truth = bench.truth();
    assert!(!truth.safe && truth.safe_after.is_none() && truth.shut_after.is_none());
    bench.supply.switch(false);
    bench.supply_changed();
    let relays: Vec<usize> = (0..CHANNELS.len()).collect();
    bench.switch(&relays, false);
    bench.advance(20 * SECOND);
    let truth = bench.truth();
    // The contacts take 5 ms and their bounces, the voltage 2.5 ms for each factor e, from 1 V to 3 mV.
    let shut = truth.shut_after.unwrap() - 5.0;
    assert!((0.0145..0.0149).contains(&shut), "{shut}");
    let safe = truth.safe_after.unwrap() - 5.0;
    assert!(truth.safe && safe > 0.0 && safe <= 0.0149, "{safe}");
    // What was driven since somebody last asked, by the rig alone.
    bench.take_driven();
    assert_eq!(bench.take_driven(), 0.0);
}

#[test]
fn random_plans_are_possible_and_come_back_from_their_file() {
    let mut kinds = Vec::new();
    for seed in 0..1500 {
        for class in [Class::Information, Class::Energy] {
            let plan = Faults::random(seed, class);
            assert_eq!(plan, Faults::random(seed, class));
            assert!(!plan.fault.is_empty());
            assert!(class == Class::Information || plan.fault.len() == 1);
            for fault in &plan.fault {
                fault.check().unwrap();
                assert_eq!(fault.kind.class(), class);
                kinds.push(fault.kind);
            }
            let text = plan.to_toml().unwrap();
            assert_eq!(Faults::parse(&text, "x").unwrap(), plan, "{text}");
        }
    }
    // Few benches have a bridge.
    let mut expected = Kind::ALL.iter().filter(|kind| **kind != Kind::Restarts);
    assert!(expected.all(|kind| kinds.contains(kind)));
}

/// Body of the only fault, line and column of the error, and what is said.
const WRONG: [(&str, usize, usize, &str); 14] = [
    ("place = \"suply\"\nkind = \"late\"", 3, 9, "suply"),
    ("place = \"supply\"\nkind = \"lazy\"", 4, 8, "lazy"),
    (
        "place = \"supply\"\nkind = \"missing\"\nsice = 1",
        5,
        1,
        "sice",
    ),
    (
        "place = \"supply\"\nkind = \"late\"\nsize = \"1 s\"",
        5,
        8,
        "string",
    ),
    (
        "place = \"supply\"\nkind = \"late\"",
        2,
        1,
        "needs a size between 0 and 60 (s)",
    ),
    (
        "place = \"supply\"\nkind = \"missing\"\nsize = 1.0",
        2,
        1,
        "has no size",
    ),
    (
        "place = \"loop\"\nkind = \"trips\"",
        2,
        1,
        "possible at supply",
    ),
    (
        "place = \"switch\"\nkind = \"dead\"",
        2,
        1,
        "needs a relay channel",
    ),
    (
        "place = \"switch\"\nkind = \"dead\"\nchannel = 999",
        2,
        1,
        "needs a relay channel",
    ),
    (
        "place = \"switch\"\nkind = \"element_open\"\nchannel = 101",
        2,
        1,
        "of an element",
    ),
    (
        "place = \"switch\"\nkind = \"welded\"\nchannel = 101\ntimes = 3",
        2,
        1,
        "for_seconds",
    ),
    (
        "place = \"movement\"\nkind = \"sticks\"\nsize = 0.01\nafter_lines = 3",
        2,
        1,
        "after_seconds",
    ),
    (
        "place = \"supply\"\nkind = \"gone\"\nafter_seconds = -1.0",
        2,
        1,
        "between 0 and",
    ),
    (
        "place = \"supply\"\nkind = \"late\"\nsize = nan",
        2,
        1,
        "needs a size",
    ),
];

#[test]
fn what_is_wrong_in_a_fault_file_is_told_with_its_place() {
    for (body, line, column, said) in WRONG {
        let text = format!("# a comment\n[[fault]]\n{body}\n");
        let error = Faults::parse(&text, "plan.toml").unwrap_err();
        assert!(error.message.contains(said), "{body}: {error}");
        assert_eq!(
            (error.line, error.column),
            (line, column),
            "{body}: {error}"
        );
        assert!(error.to_string().starts_with("plan.toml:"));
    }
}

#[test]
fn the_example_is_a_plan() {
    let text = include_str!("../../../rigs/faults/bad-evening.toml");
    let plan = Faults::parse(text, "bad-evening.toml").unwrap();
    assert_eq!(plan.fault.len(), 3);
}
