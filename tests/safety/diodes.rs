//! Movements with diodes inside: whole runs, which may not over-drive them, nor take them for resistors.

use evidence::{Observation, Purpose};
use guard::Rig;
use hw_sim::{
    Bench, Condition, Diodes, Junction, MovementSpec, Pool, Seat, SharedBench, Truth, find,
};
use movement::analysis::{Findings, Kind, analyse};
use needlerig::session::{Order, PICTURELESS_RIG, simulated};
use needlerig_tests::campaign::Tap;
use needlerig_tests::campaign::guarded::Compare;
use procedure::{Depth, Outcome};
use quantity::Amps;
use std::sync::{Arc, Mutex};

const BENDS: &str = "a rectifier or diodes inside";

/// Two journals of one run.
struct Both(Compare, Tap);

impl evidence::Journal for Both {
    fn append(&mut self, observation: &Observation) -> Result<(), evidence::JournalError> {
        self.1.append(observation)?;
        self.0.append(observation)
    }
}

struct Done {
    truth: Truth,
    findings: Findings,
    complete: bool,
    /// Largest driven current over the guard's bound of that moment.
    over_bound: f64,
}

/// A whole run; whatever comes of it, the rig is safe at the end and the needle was not over-driven.
fn run(movement: &MovementSpec) -> Done {
    // The most drop that a rig file may let stand before a needle was seen to move.
    let text = PICTURELESS_RIG.replacen("unseen_drop = \"20 mV\"", "unseen_drop = \"50 mV\"", 1);
    assert_ne!(text, *PICTURELESS_RIG);
    let rig = Arc::new(Rig::parse(&text, "simulated.toml").unwrap());
    let bench: SharedBench = Arc::new(Mutex::new(Bench::standard(movement, 7)));
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(Arc::clone(&rig), Depth::Full, stop);
    let (compare, tap) = (Compare::new(&bench, &rig), Tap::default());
    let journal = Box::new(Both(compare.clone(), tap.clone()));
    let done = simulated(&order, &bench, true, journal, |_| {}).unwrap();
    let end = done.end.as_ref().unwrap();
    let bound = end
        .ending
        .as_ref()
        .map_or(Amps::ZERO, |ending| ending.safe.bound);
    let driven = bench.lock().unwrap().take_driven();
    let over_bound = compare.end(driven, bound).over_bound;
    let truth = done.truth;
    let name = &movement.name;
    assert!(truth.safe, "{name}");
    assert_eq!(truth.driven_stop_hits, 0, "{name}");
    assert!(truth.peak_deflection <= 1.05, "{name}: {truth:?}");
    let kept = tap.take();
    assert!(kept.iter().any(|o| o.purpose == Purpose::ZeroBefore));
    let complete = end.plan == Some(Ok(Outcome::Complete));
    let findings = analyse(&rig.statement(), &kept);
    Done {
        truth,
        findings,
        complete,
        over_bound,
    }
}

fn with(name: &str, seat: Seat, junction: Junction) -> MovementSpec {
    MovementSpec {
        name: format!("{name} {seat:?} {junction:?}"),
        diodes: Some(Diodes { seat, junction }),
        ..find(name).unwrap()
    }
}

/// Those whose needles move before the drop at which an unseen one gets no more current.
fn that_move() -> Vec<MovementSpec> {
    vec![
        find("sundew").unwrap(),
        with("heron", Seat::Protection, Junction::Germanium),
        with("plover", Seat::Protection, Junction::Schottky),
        with("heron", Seat::HalfWave, Junction::Germanium),
        with("gossamer", Seat::Bridge, Junction::Germanium),
    ]
}

/// Their full-scale current is a current like any other, and right. No resistance is stated for what is
/// none, and the kind says why.
#[test]
fn movements_with_diodes_are_measured_and_not_taken_for_resistors() {
    for movement in that_move() {
        let done = run(&movement);
        let (name, findings) = (&movement.name, done.findings);
        assert!(done.complete, "{name}");
        assert_eq!(findings.kind(), Kind::Diodes, "{name}");
        for figure in [&findings.resistance, &findings.drop_at_full_scale] {
            let why = figure.as_ref().unwrap_err();
            assert!(why.ends_with(BENDS), "{name}: {why}");
        }
        let found = findings.full_scale.unwrap();
        let truth = done.truth.full_scale_current.unwrap();
        assert!(
            (found.value() - truth).abs() < 3.0 * found.u(),
            "{name}: {} ± {}, truly {truth}",
            found.value(),
            found.u()
        );
    }
}

/// What the rig really drove never passed what the guard counted with.
#[test]
fn the_bound_holds_for_movements_with_diodes() {
    let over: Vec<String> = that_move()
        .iter()
        .map(|movement| (&movement.name, run(movement).over_bound))
        .filter(|(_, over)| *over > 1.0)
        .map(|(name, over)| format!("{name}: {over} times the bound"))
        .collect();
    assert!(over.is_empty(), "{over:?}");
}

/// A rectifier of 0.4 V or more hides its needle from a rig that lets 50 mV stand: it is left alone,
/// and neither called stuck nor given a resistance.
#[test]
fn rectifiers_that_hide_their_needle_are_left_alone() {
    for name in ["wagtail", "dunnock"] {
        let done = run(&find(name).unwrap());
        assert!(!done.complete && done.over_bound <= 1.0, "{name}");
        assert!(
            done.findings.full_scale.is_err() && done.findings.resistance.is_err(),
            "{name}"
        );
        let kinds = &done.findings.kinds;
        assert!(
            kinds.iter().any(|chance| chance.kind == Kind::Diodes),
            "{name}: {kinds:?}"
        );
        assert!(
            kinds.iter().all(|chance| chance.kind != Kind::StuckNeedle),
            "{name}: {kinds:?}"
        );
    }
}

/// A coil whose needle is stuck is a resistor, also where its drop was read while the current grew.
#[test]
fn a_stuck_needle_is_not_taken_for_a_rectifier() {
    for seed in 0..12 {
        let movement = MovementSpec {
            condition: Condition::Stuck,
            ..hw_sim::random(seed, Pool::Measurable)
        };
        let findings = run(&movement).findings;
        assert_eq!(findings.kind(), Kind::StuckNeedle, "{seed}");
    }
}
