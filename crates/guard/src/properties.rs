//! Properties of the guard's pure parts, for arbitrary arguments.

mod allowance;
mod bound;
mod contacts;
mod drives;
mod edges;
mod pots;
mod refusals;
mod swings;
mod worked;

use crate::allowance::{Evidence, Point};
use crate::check::Known;
use crate::rig::Rig;
use crate::state::{Arrangement, State};
use proptest::prelude::ProptestConfig;
use quantity::{Amps, Volts, Watts};
use std::sync::LazyLock;

/// The simulated rig. Its file is read once: the properties ask for it thousands of times.
fn rig() -> Rig {
    static RIG: LazyLock<Rig> = LazyLock::new(|| {
        let text = include_str!("../../../rigs/simulated.toml");
        Rig::parse(text, "simulated.toml").unwrap()
    });
    RIG.clone()
}

/// The simulated rig with every limit out of the way but the one that is looked at.
fn unlimited() -> Rig {
    let mut rig = rig();
    rig.limits.first_touch = Amps::new(100.0);
    (rig.limits.power, rig.limits.drop) = (Watts::new(1e6), Volts::new(1e6));
    let paths = rig.paths.iter_mut().map(|path| &mut path.fixed);
    for element in paths.chain(&mut rig.series).chain(&mut rig.sense) {
        element.power = Watts::new(1e6);
    }
    rig
}

/// Nothing known but the rig and this evidence; the whole ladder of paths is open.
fn known<'a>(rig: &'a Rig, evidence: &'a Evidence) -> Known<'a> {
    Known {
        rig,
        evidence,
        measured: None,
        dynamics: None,
        upscale: None,
        still: Amps::ZERO,
        heaviest: rig.paths.len() - 1,
        stuck: 1.0,
    }
}

/// Range `number` of those that creep uses, counted around.
fn arrangement(rig: &Rig, number: usize) -> Arrangement {
    let ranges = rig.creep_ranges();
    Arrangement {
        range: ranges[number % ranges.len()].clone(),
        shunt: Vec::new(),
        reversed: false,
        largest_drop: Volts::new(1.0),
    }
}

/// That arrangement with the supply at `volts`.
fn standing(arrangement: &Arrangement, volts: Volts) -> State {
    let arrangement = Some(arrangement.clone());
    State { arrangement, volts }
}

fn close(found: f64, expected: f64) {
    assert!((found / expected - 1.0).abs() < 1e-9, "{found}, {expected}");
}

fn amps(micro: f64) -> Amps {
    Amps::micro(micro)
}

/// The least resistance that the file grants: every element at the lower end of its tolerance.
fn least(rig: &Rig, arrangement: &Arrangement) -> f64 {
    let range = &arrangement.range;
    let series = rig
        .series
        .iter()
        .zip(&range.series)
        .filter(|(_, used)| **used);
    let series: f64 = series
        .map(|(e, _)| e.ohms.get() * (1.0 - e.tolerance))
        .sum();
    let (fixed, sense) = (&rig.paths[range.path].fixed, &rig.sense[range.sense]);
    series + fixed.ohms.get() * (1.0 - fixed.tolerance) + sense.ohms.get() * (1.0 - sense.tolerance)
}

/// A linear scale with 100 µA for the whole of it, seen at these deflections, each with this
/// standard uncertainty.
fn seen(u: f64, deflections: &[f64]) -> Evidence {
    let mut evidence = Evidence::default();
    evidence.saw_zero(0.0);
    for &deflection in deflections {
        let current = Amps::micro(100.0 * deflection);
        evidence.stood(Point {
            current,
            deflection,
            u,
            fell: false,
        });
    }
    evidence
}

fn cases(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(7),
        ..ProptestConfig::default()
    }
}
