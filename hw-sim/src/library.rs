//! Named movements of our own invention, from 20 µA to 10 A.

use crate::diodes::{Diodes, Junction, Seat};
use crate::spec::{Condition, Law, MovementSpec};

pub use crate::random::{Pool, random};

/// A bare moving coil: name, description, full-scale current (A), resistance at 20 °C (Ω), period
/// (s), damping ratio with open terminals and the part that a short adds.
fn bare(
    name: &str,
    description: &str,
    (amps, ohms): (f64, f64),
    period: f64,
    (damping, shorted_adds): (f64, f64),
) -> MovementSpec {
    let omega = std::f64::consts::TAU / period;
    MovementSpec {
        name: name.to_owned(),
        description: description.to_owned(),
        law: Law::Linear,
        coil_full_scale: amps,
        copper: ohms,
        swamp: 0.0,
        shunt: None,
        multiplier: 0.0,
        diodes: None,
        period,
        damping,
        back_emf: shorted_adds * 2.0 * amps * ohms / omega,
        friction: 0.001,
        breakaway: 0.001_2,
        zero: 0.002,
        scale_error: [0.004, -0.009, 0.006],
        lower_stop: -0.04,
        upper_stop: 1.07,
        restitution: 0.35,
        thermal_resistance: 300.0,
        thermal_time: 20.0,
        condition: Condition::Sound,
    }
}

/// A movement with an internal shunt: total full-scale current (A), drop at full scale (V), core
/// current (A). Three quarters of the core branch are manganin.
fn shunted(
    name: &str,
    description: &str,
    (amps, drop, core): (f64, f64, f64),
    period: f64,
    (damping, shunt_adds): (f64, f64),
) -> MovementSpec {
    let branch = drop / core;
    let shunt = drop / (amps - core);
    let mut spec = bare(name, description, (core, branch), period, (damping, 0.0));
    spec.copper = 0.25 * branch;
    spec.swamp = 0.75 * branch;
    spec.shunt = Some(shunt);
    spec.back_emf = shunt_adds * 2.0 * core * (branch + shunt) / spec.omega();
    spec
}

/// Every named movement: sound ones in order of full-scale current, those with diodes inside, then
/// faulty ones.
pub fn library() -> Vec<MovementSpec> {
    let mut all = sensitive();
    all.extend(sturdy());
    all.extend(rectified());
    all.extend(faulty());
    all
}

fn sensitive() -> Vec<MovementSpec> {
    let heron = bare(
        "heron",
        "50 µA, 2 kΩ taut band, no friction",
        (50e-6, 2e3),
        1.2,
        (0.2, 1.23),
    );
    let burdock = bare(
        "burdock",
        "100 µA, 900 Ω, worn pivots that stick",
        (100e-6, 900.0),
        0.9,
        (0.22, 0.5),
    );
    let ledger = bare(
        "ledger",
        "400 µA, 250 Ω, scale begins at half current",
        (400e-6, 250.0),
        0.8,
        (0.3, 0.4),
    );
    vec![
        bare(
            "gossamer",
            "20 µA, 6.5 kΩ, slow and delicate",
            (20e-6, 6500.0),
            1.9,
            (0.12, 1.1),
        ),
        MovementSpec {
            friction: 0.0,
            breakaway: 0.0,
            zero: -0.001,
            ..heron
        },
        MovementSpec {
            friction: 0.006,
            breakaway: 0.007_5,
            ..burdock
        },
        bare(
            "plover",
            "200 µA, 650 Ω, quick",
            (200e-6, 650.0),
            0.35,
            (0.45, 0.6),
        ),
        MovementSpec {
            law: Law::Suppressed(0.5),
            zero: 0.0,
            ..ledger
        },
        bare(
            "tansy",
            "500 µA, 200 Ω, swings for long",
            (500e-6, 200.0),
            1.1,
            (0.08, 0.35),
        ),
    ]
}

fn sturdy() -> Vec<MovementSpec> {
    let marl = bare(
        "marl",
        "1 mA coil with 2.9 kΩ inside: 3 V full scale",
        (1e-3, 100.0),
        0.9,
        (0.3, 0.2),
    );
    let anvil = bare(
        "anvil",
        "0.5 A, 150 mV moving iron, square law",
        (0.5, 0.3),
        0.8,
        (0.4, 0.0),
    );
    vec![
        bare(
            "fennel",
            "1 mA, 100 Ω, as common as they come",
            (1e-3, 100.0),
            1.0,
            (0.15, 0.15),
        ),
        MovementSpec {
            multiplier: 2900.0,
            ..marl
        },
        bare(
            "sorrel",
            "5 mA, 20 Ω, metal former, overdamped",
            (5e-3, 20.0),
            0.7,
            (1.6, 0.5),
        ),
        bare(
            "teasel",
            "10 mA, 6 Ω, bare coil",
            (10e-3, 6.0),
            0.6,
            (0.35, 0.25),
        ),
        shunted(
            "bramble",
            "100 mA, 75 mV, shunt inside",
            (0.1, 75e-3, 2e-3),
            0.9,
            (0.2, 0.5),
        ),
        MovementSpec {
            law: Law::Square,
            friction: 0.003,
            breakaway: 0.003_6,
            thermal_resistance: 30.0,
            thermal_time: 60.0,
            ..anvil
        },
        shunted(
            "thicket",
            "1 A, 60 mV, shunt inside",
            (1.0, 60e-3, 1.5e-3),
            1.2,
            (0.25, 0.6),
        ),
        shunted(
            "causeway",
            "10 A, 60 mV, heavy studs",
            (10.0, 60e-3, 5e-3),
            1.4,
            (0.3, 0.5),
        ),
    ]
}

/// Movements with diodes in the case.
fn rectified() -> Vec<MovementSpec> {
    let inside = |seat, junction| Some(Diodes { seat, junction });
    vec![
        MovementSpec {
            diodes: inside(Seat::Protection, Junction::Silicon),
            ..bare(
                "sundew",
                "50 µA, 1.9 kΩ, two silicon diodes across the coil",
                (50e-6, 1900.0),
                1.0,
                (0.2, 0.9),
            )
        },
        MovementSpec {
            multiplier: 3000.0,
            diodes: inside(Seat::Bridge, Junction::Germanium),
            ..bare(
                "wagtail",
                "200 µA recording-level meter, germanium bridge and 3.6 kΩ",
                (200e-6, 600.0),
                0.6,
                (0.35, 0.5),
            )
        },
        MovementSpec {
            multiplier: 1800.0,
            diodes: inside(Seat::HalfWave, Junction::Silicon),
            ..bare(
                "dunnock",
                "1 mA, 2 kΩ behind one silicon diode",
                (1e-3, 200.0),
                0.8,
                (0.3, 0.3),
            )
        },
    ]
}

/// Movements with something wrong.
fn faulty() -> Vec<MovementSpec> {
    let fennel = |name, description| bare(name, description, (1e-3, 100.0), 1.0, (0.15, 0.15));
    vec![
        MovementSpec {
            condition: Condition::Reversed,
            ..bare(
                "widdershins",
                "100 µA, 1 kΩ, leads swapped",
                (100e-6, 1e3),
                0.8,
                (0.3, 0.6),
            )
        },
        MovementSpec {
            condition: Condition::OpenCoil,
            ..fennel("hollow", "1 mA once; its coil is open")
        },
        MovementSpec {
            condition: Condition::Stuck,
            ..fennel("boulder", "1 mA, 100 Ω, needle stuck at zero")
        },
        MovementSpec {
            condition: Condition::Absent,
            ..fennel("nobody", "an empty berth")
        },
    ]
}

/// The library movement of this name.
pub fn find(name: &str) -> Option<MovementSpec> {
    library().into_iter().find(|spec| spec.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_values_physical() {
        let all = library();
        assert!(all.len() >= 14);
        for (k, spec) in all.iter().enumerate() {
            assert!(
                all[..k].iter().all(|other| other.name != spec.name),
                "{}",
                spec.name
            );
            assert!(spec.breakaway >= spec.friction && spec.back_emf >= 0.0);
            assert!(spec.lower_stop < 0.0 && spec.upper_stop > 1.0);
        }
    }

    #[test]
    fn full_scale_currents_span_the_announced_range() {
        let heron = find("heron").unwrap();
        let amps = heron.full_scale_current(20.0).unwrap();
        assert!((amps / 50e-6 - 1.0).abs() < 0.01, "{amps}");
        let causeway = find("causeway").unwrap();
        assert!((causeway.full_scale_current(20.0).unwrap() / 10.0 - 1.0).abs() < 0.01);
        assert!((causeway.terminal_resistance(20.0) - 6e-3).abs() < 1e-9);
        assert!(find("hollow").unwrap().full_scale_current(20.0).is_none());
    }
}
