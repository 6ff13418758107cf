//! `rig check --measure`: what is wrong with a rig's wiring is found and named, and a sound rig
//! passes. On the simulated bench, in virtual time.

use guard::{Fault, Rig, Seen, Verdict, Wiring};
use hw_sim::bench::{DROP, LOOP};
use hw_sim::{Bench, Fault as Trouble, Faults, Kind, Place, SharedBench, find};
use needlerig::session::{SIMULATED_RIG, check_simulated};
use std::sync::{Arc, Mutex};

const TOUCH: f64 = 1e-6;

/// Checks a bench against a rig file; whatever comes out, the end is safe and no more than the
/// first touch has flowed in the movement.
fn check(text: &str, bench: Bench) -> Wiring {
    let rig = Rig::parse(text, "rig.toml").unwrap();
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let wiring = check_simulated(&rig, &bench, stop, |_| {})
        .unwrap()
        .unwrap();
    let bench = bench.lock().unwrap();
    let truth = bench.truth();
    assert!(truth.peak_current <= TOUCH, "{} A", truth.peak_current);
    assert!(wiring.safe.verified, "{:?}", wiring.safe);
    wiring
}

fn bench(trouble: Option<Trouble>) -> Bench {
    let faults = trouble.map(Faults::from).unwrap_or_default();
    Bench::faulty(&find("heron").unwrap(), 3, &faults)
}

fn wrong(wiring: &Wiring) -> Vec<&Seen> {
    assert!(wiring.fault.is_none(), "{:?}", wiring.fault);
    let wrong = |one: &&Seen| one.verdict == Verdict::Wrong;
    wiring.seen.iter().filter(wrong).collect()
}

/// The findings that are wrong, in words.
fn told(wiring: &Wiring) -> Vec<String> {
    let line = |one: &Seen| {
        let look_at = one.look_at.as_deref().unwrap_or_default();
        format!("{}: {}: {look_at}", one.part, one.found)
    };
    wrong(wiring).into_iter().map(line).collect()
}

/// Exactly one finding, with all of these words.
fn one(wiring: &Wiring, words: &[&str]) {
    let told = told(wiring);
    assert_eq!(told.len(), 1, "{told:#?}");
    for word in words {
        assert!(told[0].contains(word), "no \"{word}\" in {told:#?}");
    }
}

fn at(kind: Kind, channel: u16) -> Trouble {
    Trouble::new(Place::Switch, kind).at(channel)
}

#[test]
fn a_sound_rig_passes_whatever_is_in_its_berth() {
    for (name, seed) in [("heron", 1), ("heron", 2), ("fennel", 3)] {
        let wiring = check(SIMULATED_RIG, Bench::standard(&find(name).unwrap(), seed));
        assert!(told(&wiring).is_empty(), "{:#?}", told(&wiring));
        let good = wiring.seen.iter().filter(|s| s.verdict == Verdict::Good);
        let unseen: Vec<_> = wiring
            .seen
            .iter()
            .filter(|s| s.verdict == Verdict::Unseen)
            .collect();
        assert!(good.count() >= 35, "{unseen:#?}");
    }
}

/// Its current flows past all contacts: the rig is safe only once it measures volts again.
#[test]
fn a_meter_that_goes_to_ohms_meanwhile_is_brought_back() {
    let ohms = Trouble {
        after_seconds: 10.0,
        ..Trouble::new(Place::Drop, Kind::WrongFunction).sized(10e3)
    };
    let bench: SharedBench = Arc::new(Mutex::new(bench(Some(ohms))));
    let rig = Rig::parse(SIMULATED_RIG, "rig.toml").unwrap();
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let wiring = check_simulated(&rig, &bench, stop, |_| {}).unwrap();
    let truth = bench.lock().unwrap().truth();
    assert!(truth.onset.is_some() && truth.safe, "{wiring:?}");
}

#[test]
fn a_part_that_does_not_do_what_the_file_says_is_named() {
    let cases: [(Trouble, &[&str]); 9] = [
        (
            at(Kind::Dead, 123),
            &["series 300 kΩ", "channel 123 does not close"],
        ),
        (
            at(Kind::Dead, 113),
            &["path 400 Ω", "nothing flows", "channel 113"],
        ),
        (
            at(Kind::Dead, 145),
            &["sense 1 Ω", "channel 145 does not close"],
        ),
        (at(Kind::Dead, 102), &["short", "channel 102 does not open"]),
        (
            at(Kind::Dead, 105),
            &["polarity", "channel 105 does not move"],
        ),
        (
            at(Kind::Dead, 106),
            &["bypass", "channel 106 does not close"],
        ),
        (
            at(Kind::ElementOpen, 166),
            &["shunt 320 Ω", "missing or broken"],
        ),
        (
            at(Kind::ElementOpen, 125),
            &["series 30 kΩ", "missing or broken"],
        ),
        (
            at(Kind::ElementOff, 142).sized(0.02),
            &["sense 1 kΩ", "channel 142"],
        ),
    ];
    for (trouble, words) in cases {
        one(&check(SIMULATED_RIG, bench(Some(trouble))), words);
    }
}

#[test]
fn a_contact_that_stays_closed_is_named() {
    let cases: [(u16, &[&str]); 7] = [
        (101, &["source contact", "channel 101 stays closed"]),
        (103, &["movement switch", "channel 103 stays closed"]),
        (104, &["shunt switch", "channel 104 stays closed"]),
        (106, &["bypass", "channel 106 stays closed"]),
        (111, &["path", "stays closed"]),
        (124, &["series 100 kΩ", "channel 124 stays closed"]),
        (167, &["shunt", "channel 167 stays closed"]),
    ];
    for (channel, words) in cases {
        let told = told(&check(
            SIMULATED_RIG,
            bench(Some(at(Kind::Welded, channel))),
        ));
        let named = |line: &String| words.iter().all(|word| line.contains(word));
        assert!(told.iter().any(named), "{channel}: {told:#?}");
    }
}

/// The file is edited instead of the rig: both are wrong in the same way.
#[test]
fn swapped_channels_and_wrong_values_are_found() {
    let swapped = |a: u32, b: u32| {
        let (a, b) = (format!("channel = {a}"), format!("channel = {b}"));
        SIMULATED_RIG
            .replace(&a, "channel = 0")
            .replace(&b, &a)
            .replace("channel = 0", &b)
    };
    for (a, b) in [
        (113, 114),
        (115, 116),
        (121, 122),
        (129, 130),
        (141, 142),
        (143, 144),
        (163, 170),
    ] {
        let wiring = check(&swapped(a, b), bench(None));
        let told = told(&wiring);
        let (one, other) = (
            format!("channels {a} and {b} look"),
            format!("channels {b} and {a} look"),
        );
        assert!(
            told.iter().any(|t| t.contains(&one) || t.contains(&other)),
            "{told:#?}"
        );
        assert!(told.len() <= 2, "{told:#?}");
    }
    for (stated, wrongly) in [
        ("ohms = \"300 kΩ\"", "ohms = \"330 kΩ\""),
        ("fixed = \"400 Ω\"", "fixed = \"470 Ω\""),
        ("fixed = \"40 kΩ\"", "fixed = \"400 kΩ\""),
        ("ohms = \"640 Ω\"", "ohms = \"620 Ω\""),
    ] {
        let told = told(&check(
            &SIMULATED_RIG.replacen(stated, wrongly, 1),
            bench(None),
        ));
        assert_eq!(told.len(), 1, "{wrongly}: {told:#?}");
        assert!(
            told[0].contains(&wrongly[wrongly.find('"').unwrap() + 1..wrongly.len() - 1]),
            "{told:#?}"
        );
    }
}

#[test]
fn swapped_leads_and_swapped_meters_are_told_apart() {
    let reversed = |meters: &[usize]| {
        let mut bench = bench(None);
        meters.iter().for_each(|meter| bench.swap_leads(*meter));
        bench
    };
    one(
        &check(SIMULATED_RIG, reversed(&[LOOP])),
        &["leads of the loop meter"],
    );
    one(
        &check(SIMULATED_RIG, reversed(&[DROP])),
        &["leads of the drop meter"],
    );
    one(
        &check(SIMULATED_RIG, reversed(&[DROP, LOOP])),
        &["leads of the supply"],
    );
    let other = SIMULATED_RIG
        .replace("INPROC::drop", "INPROC::x")
        .replace("INPROC::loop", "INPROC::drop")
        .replace("INPROC::x", "INPROC::loop");
    one(&check(&other, bench(None)), &["two meters look swapped"]);
}

#[test]
fn an_empty_berth_is_said_and_is_no_fault_of_the_rig() {
    let mut heron = find("heron").unwrap();
    heron.condition = hw_sim::Condition::Absent;
    let wiring = check(SIMULATED_RIG, Bench::standard(&heron, 4));
    assert!(told(&wiring).is_empty(), "{:#?}", told(&wiring));
    let empty = |one: &Seen| one.found.contains("berth is empty");
    assert!(wiring.seen.iter().any(empty));
}

#[test]
fn a_supply_that_runs_away_or_a_lost_link_ends_the_check_safe() {
    let gone = Trouble {
        after_lines: 60,
        ..Trouble::new(Place::Loop, Kind::Gone)
    };
    let wiring = check(SIMULATED_RIG, bench(Some(gone)));
    assert!(
        matches!(wiring.fault, Some(Fault::Instrument(_))),
        "{:?}",
        wiring.fault
    );
}
