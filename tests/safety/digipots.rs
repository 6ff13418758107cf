//! A series bank of digital potentiometers: a whole run on it, and what its bridge may do wrong.

use evidence::Observation;
use guard::{Fault as Ended, Rig};
use hw_sim::{Bench, Fault, Faults, Kind, Place, Pool, SharedBench, Truth, find};
use movement::analysis::{Findings, analyse};
use needlerig::session::{Order, Simulated, simulated};
use needlerig_tests::campaign::guarded::Compare;
use procedure::{Depth, Outcome};
use quantity::Amps;
use std::sync::{Arc, Mutex};

pub const RIG: &str = include_str!("../../rigs/simulated-digipots.toml");
/// What the rig file lets flow through the potentiometers.
const RATED: f64 = 0.5e-3;

struct Done {
    run: Simulated,
    /// Largest driven current over the guard's bound of that moment.
    over_bound: f64,
    /// Largest current through the potentiometers.
    through: f64,
}

impl Done {
    fn truth(&self) -> &Truth {
        &self.run.truth
    }

    fn fault(&self) -> &Ended {
        let ending = self.run.end.as_ref().unwrap().ending.as_ref().unwrap();
        ending.fault.as_ref().unwrap()
    }
}

/// Runs to the end, whatever it is; the current never passed the bound, nothing was overloaded or
/// over-driven, and the rig is safe.
fn run(movement: &hw_sim::MovementSpec, seed: u64, plan: &Faults, depth: Depth) -> Done {
    let rig = Arc::new(Rig::parse(RIG, "simulated-digipots.toml").unwrap());
    let bench = Bench::faulty(movement, seed, plan).on_digipots(seed);
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(Arc::clone(&rig), depth, stop);
    let journal = Compare::new(&bench, &rig);
    let run = simulated(&order, &bench, true, Box::new(journal.clone()), |_| {}).unwrap();
    let mut bench = bench.lock().unwrap();
    let bound = match &run.end {
        Ok(end) => end.ending.as_ref().unwrap().safe.bound,
        Err(_) => Amps::ZERO,
    };
    let over_bound = journal.end(bench.take_driven(), bound).over_bound;
    let through = bench.potentiometer_current();
    let truth = &run.truth;
    assert!(truth.safe, "{plan:?}: not safe");
    assert!(
        truth.peak_deflection <= 1.02,
        "{plan:?}: {}",
        truth.peak_deflection
    );
    assert_eq!(truth.driven_stop_hits, 0, "{plan:?}");
    assert!(
        over_bound <= 1.002,
        "{plan:?}: {over_bound} times the bound"
    );
    assert!(
        through <= RATED,
        "{plan:?}: {through} A through the potentiometers"
    );
    Done {
        run,
        over_bound,
        through,
    }
}

fn bridge(kind: Kind, seconds: f64) -> Fault {
    Fault {
        when_on: true,
        after_seconds: seconds,
        ..Fault::new(Place::Bridge, kind)
    }
}

/// Delicate and coarse movements, on benches whose potentiometers are up to 30 % off either way.
#[test]
fn every_movement_is_characterised_on_potentiometers_as_on_relays() {
    // Drawn 11 needs a path that a 5 V supply can't earn, on relays as well.
    for seed in (0..12).filter(|seed| *seed != 11) {
        let movement = match seed {
            0 => find("heron").unwrap(),
            1 => find("gossamer").unwrap(),
            seed => hw_sim::random(seed, Pool::Measurable),
        };
        let done = run(&movement, seed, &Faults::default(), Depth::Quick);
        let end = done.run.end.as_ref().unwrap();
        let plan = end.plan.as_ref().unwrap();
        assert!(matches!(plan, Ok(Outcome::Complete)), "{seed}: {plan:?}");
        // The bank was really used, and the bound was not far from what flowed.
        assert!(done.through > 1e-7, "{seed}: {}", done.through);
        assert!(done.over_bound > 0.5, "{seed}: {}", done.over_bound);
    }
}

#[test]
fn a_whole_run_on_potentiometers_finds_the_truth() {
    let rig = Rig::parse(RIG, "simulated-digipots.toml").unwrap();
    for (name, seed) in [("heron", 7), ("fennel", 8)] {
        let bench = Bench::standard(&find(name).unwrap(), seed).on_digipots(seed);
        let bench: SharedBench = Arc::new(Mutex::new(bench));
        let (_asks, stop) = tokio::sync::watch::channel(false);
        let order = Order::new(Arc::new(rig.clone()), Depth::Full, stop);
        let tap = needlerig_tests::campaign::Tap::default();
        let run = simulated(&order, &bench, true, Box::new(tap.clone()), |_| {}).unwrap();
        let findings = analyse(&rig.statement(), &tap.take());
        let current = findings.full_scale.unwrap();
        let truth = run.truth.full_scale_current.unwrap();
        let (found, u) = (current.value(), current.u());
        assert!(
            (found - truth).abs() < 3.0 * u,
            "{name}: {found} ± {u}, truly {truth}"
        );
    }
}

/// With steps of 10 mV, as low-cost supplies have them, or 20 mV, the next one may be more than is
/// allowed where the bank may be 30 % off: then the run goes on with more resistance, until enough is known.
#[test]
fn a_coarse_supply_comes_to_a_result_on_potentiometers() {
    for (grid, name, seed) in [
        ("10 mV", "heron", 2),
        ("10 mV", "heron", 5),
        ("10 mV", "gossamer", 1),
        ("10 mV", "gossamer", 13),
        ("20 mV", "heron", 10),
        ("20 mV", "gossamer", 2),
    ] {
        let (run, findings, _) = on_grid(grid, name, seed);
        let current = findings.full_scale.unwrap();
        let truth = run.truth.full_scale_current.unwrap();
        let (found, u) = (current.value(), current.u());
        assert!(
            (found - truth).abs() < 3.0 * u,
            "{grid} {name} {seed}: {found} ± {u}, truly {truth}"
        );
        assert!(run.truth.peak_deflection <= 1.02, "{grid} {name} {seed}");
        // Up to 1,200 s went by where it waited for steps that were not allowed.
        assert!(run.lasted.get() < 550.0, "{seed}: {}", run.lasted);
    }
}

/// Steps that are too much for the movement in any range end the run, which says so.
#[test]
fn a_supply_too_coarse_for_the_movement_is_told() {
    let (run, findings, kept) = on_grid("50 mV", "heron", 1);
    let plan = run.end.unwrap().plan.unwrap();
    let reason = plan.unwrap_err().to_string();
    assert!(reason.contains("one step of the supply is 50"), "{reason}");
    assert!(findings.full_scale.is_err());
    // 415 s with a range that will do changed for its like again and again.
    assert!(run.lasted.get() < 350.0, "{}", run.lasted);
    let ranges = kept.chunk_by(|a, b| a.set.series == b.set.series).count();
    assert!(ranges <= 8, "{ranges}");
    assert!(run.truth.safe && run.truth.peak_deflection <= 1.02);
}

/// A quick run with a supply of such steps.
fn on_grid(grid: &str, name: &str, seed: u64) -> (Simulated, Findings, Vec<Observation>) {
    let resolution = format!("resolution = \"{grid}\"");
    let text = RIG.replacen("resolution = \"0.1 mV\"", &resolution, 1);
    assert_ne!(text, RIG);
    let rig = Arc::new(Rig::parse(&text, "rig.toml").unwrap());
    let bench = Bench::standard(&find(name).unwrap(), seed).on_digipots(seed);
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(Arc::clone(&rig), Depth::Quick, stop);
    let tap = needlerig_tests::campaign::Tap::default();
    let run = simulated(&order, &bench, true, Box::new(tap.clone()), |_| {}).unwrap();
    let kept = tap.take();
    let findings = analyse(&rig.statement(), &kept);
    (run, findings, kept)
}

/// The file says three times, or a fifth, of what is there: found before the movement is connected.
#[test]
fn a_potentiometer_that_is_not_what_the_file_says_ends_the_run() {
    for (stated, more) in [("3 MΩ", true), ("200 kΩ", false)] {
        let text = RIG.replace("ohms = \"1 MΩ\"", &format!("ohms = \"{stated}\""));
        let rig = Arc::new(Rig::parse(&text, "rig.toml").unwrap());
        let bench = Bench::standard(&find("heron").unwrap(), 7).on_digipots(7);
        let bench: SharedBench = Arc::new(Mutex::new(bench));
        let (_asks, stop) = tokio::sync::watch::channel(false);
        let order = Order::new(rig, Depth::Quick, stop);
        let tap = needlerig_tests::campaign::Tap::default();
        let run = simulated(&order, &bench, true, Box::new(tap), |_| {}).unwrap();
        let ending = run.end.unwrap().ending.unwrap();
        match ending.fault.unwrap() {
            Ended::Current { .. } if more => {}
            Ended::TooLittle { .. } if !more => {}
            other => panic!("{stated}: {other}"),
        }
        assert!(
            run.truth.safe && run.truth.peak_current < 1e-9,
            "{:?}",
            run.truth
        );
    }
}

/// Every wiper goes to mid-scale at once. Whenever it happens, the current falls, the guard notices
/// within a cycle, and says what happened.
#[test]
fn a_bridge_that_starts_anew_in_mid_run_ends_it_safe() {
    let heron = find("heron").unwrap();
    let mut noticed = 0;
    for seconds in [0.3, 3.0, 11.0, 25.0, 40.0, 70.0, 110.0] {
        let plan = Faults::from(bridge(Kind::Restarts, seconds));
        let done = run(&heron, 7, &plan, Depth::Quick);
        let fault = done.fault().to_string();
        noticed += u32::from(fault.contains("started anew"));
        let after = done.truth().safe_after.unwrap();
        assert!(after < 1.0, "{seconds} s: safe after {after} s; {fault}");
        let peak = done.truth().peak_since_onset.unwrap();
        assert!(peak <= done.truth().peak_current * 1.000_001, "{peak}");
    }
    assert_eq!(noticed, 7);
}

#[test]
fn a_code_that_is_not_taken_ends_the_run() {
    for seconds in [0.0, 20.0] {
        let plan = Faults::from(bridge(Kind::SetIgnored, seconds));
        let done = run(&find("heron").unwrap(), 7, &plan, Depth::Quick);
        let fault = done.fault().to_string();
        assert!(fault.contains("ERR 5"), "{fault}");
    }
}

/// The bridge says that it took the code, and reads back half of it.
#[test]
fn a_code_that_reads_back_as_another_ends_the_run() {
    for seconds in [0.0, 20.0] {
        let plan = Faults::from(bridge(Kind::ReadBackLies, seconds).sized(-0.5));
        let done = run(&find("heron").unwrap(), 7, &plan, Depth::Quick);
        assert!(
            matches!(done.fault(), Ended::ReadBack { what, .. } if *what == "potentiometer"),
            "{}",
            done.fault()
        );
    }
}

#[test]
fn a_bridge_that_falls_silent_or_talks_nonsense_ends_the_run() {
    for kind in [
        Kind::Missing,
        Kind::Gone,
        Kind::Stale,
        Kind::Garbled,
        Kind::Twice,
    ] {
        for seconds in [0.1, 15.0, 60.0] {
            let mut fault = bridge(kind, seconds);
            fault.size = (kind == Kind::Garbled).then_some(0.5);
            let done = run(
                &find("heron").unwrap(),
                7,
                &Faults::from(fault),
                Depth::Quick,
            );
            let truth = done.truth();
            // An answer that comes twice, or late by one, may be seen through and made good.
            if truth.onset.is_some() && !matches!(kind, Kind::Twice | Kind::Stale) {
                let after = truth.safe_after.unwrap();
                assert!(after < 3.0, "{kind:?} at {seconds} s: safe after {after} s");
                assert!(
                    matches!(done.fault(), Ended::Instrument(_)),
                    "{}",
                    done.fault()
                );
            }
        }
    }
}

/// A bridge that is not there when the run begins: the rig was made safe before it was asked.
#[test]
fn a_dead_bridge_at_the_start_is_told() {
    let dead = Fault::new(Place::Bridge, Kind::Missing);
    let bench = Bench::faulty(&find("heron").unwrap(), 7, &dead.into()).on_digipots(7);
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let rig = Arc::new(Rig::parse(RIG, "simulated-digipots.toml").unwrap());
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(rig, Depth::Quick, stop);
    let tap = needlerig_tests::campaign::Tap::default();
    let run = simulated(&order, &bench, true, Box::new(tap), |_| {}).unwrap();
    let fault = run.end.err().unwrap().to_string();
    assert!(fault.contains("potentiometers"), "{fault}");
    assert!(run.truth.safe && run.truth.peak_current < 1e-9);
}
