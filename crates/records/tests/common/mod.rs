//! A small run that several tests keep.

use evidence::{Needle, Observation, Purpose, Reading, Setting};
use quantity::{Ohms, Seconds, Volts};
use records::RunHead;

pub fn head() -> RunHead {
    RunHead {
        label: "black case".into(),
        rig_name: "bench".into(),
        program_version: "0.1.0".into(),
        started: "2026-11-25T21:04:05Z".into(),
        ..RunHead::default()
    }
}

pub fn observation(seq: u64) -> Observation {
    let value = 1e-3 * (seq as f64 + 1.0) / 3.0;
    Observation {
        seq,
        at: Seconds::new(0.1 * seq as f64),
        purpose: Purpose::Watch,
        set: Setting {
            supply: Volts::new(1.5),
            path: Some("40 kΩ".into()),
            series: Ohms::kilo(40.0),
            sense: Some(Ohms::kilo(1.0)),
            ..Setting::default()
        },
        loop_drop: Some(Reading {
            value,
            s: 1e-7,
            n: 5,
            range: 0.1,
        }),
        drop: None,
        supply: None,
        needle: Some(Needle {
            deflection: value * 20.0,
            u: 1e-3,
            u_shared: 2e-3,
        }),
        needle_s: 1e-3,
        sightings: 4,
        refused: Some((1, "glare".into())),
        unsettled: 0.0,
        rested: false,
    }
}
