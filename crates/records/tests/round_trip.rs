//! What is kept reads back as exactly what was handed over, and exports say the same.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

use evidence::{Journal, Needle, Observation, Purpose, Reading, RigStatement, Setting};
use proptest::collection::vec;
use proptest::num::f64::{NEGATIVE, NORMAL, POSITIVE, SUBNORMAL, ZERO};
use proptest::option;
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use quantity::{Amps, Ohms, Seconds, Volts};
use records::{Durability, Outcome, RunHead, Store, write_csv, write_json};
use serde_json::{Value, json};

fn number() -> impl Strategy<Value = f64> {
    NORMAL | SUBNORMAL | ZERO | POSITIVE | NEGATIVE
}

fn purpose() -> impl Strategy<Value = Purpose> {
    prop::sample::select(vec![
        Purpose::Watch,
        Purpose::ZeroBefore,
        Purpose::ZeroAfter,
        Purpose::Rising,
        Purpose::Falling,
        Purpose::Unshunted,
        Purpose::Shunted,
        Purpose::Reversed,
    ])
}

prop_compose! {
    fn reading()(value in number(), s in number(), n in any::<u32>(), range in number()) -> Reading {
        Reading { value, s, n, range }
    }
}

prop_compose! {
    fn setting()(
        supply in number(),
        path in option::of(".{0,12}"),
        series in number(),
        sense in option::of(number()),
        shunt in vec(number(), 0..4),
        reversed in any::<bool>(),
        connected in any::<bool>(),
        bound in option::of(number()),
    ) -> Setting {
        Setting {
            supply: Volts::new(supply),
            path,
            series: Ohms::new(series),
            sense: sense.map(Ohms::new),
            shunt: shunt.into_iter().map(Ohms::new).collect(),
            reversed,
            connected,
            bound: bound.map(Amps::new),
        }
    }
}

prop_compose! {
    fn needle()(deflection in number(), u in number(), u_shared in number()) -> Needle {
        Needle { deflection, u, u_shared }
    }
}

prop_compose! {
    fn observation()(
        at in number(),
        purpose in purpose(),
        set in setting(),
        readings in [option::of(reading()), option::of(reading()), option::of(reading())],
        needle in option::of(needle()),
        needle_s in number(),
        sightings in any::<u32>(),
        refused in option::of((any::<u32>(), ".{0,20}")),
        (unsettled, rested) in (number(), any::<bool>()),
    ) -> Observation {
        let [loop_drop, drop, supply] = readings;
        Observation {
            seq: 0, at: Seconds::new(at), purpose, set, loop_drop, drop, supply, needle, needle_s,
            sightings, refused, unsettled, rested,
        }
    }
}

fn observations() -> impl Strategy<Value = Vec<Observation>> {
    vec(observation(), 0..12).prop_map(|mut all| {
        for (observation, seq) in all.iter_mut().zip(0..) {
            observation.seq = seq;
        }
        all
    })
}

fn kept(observations: &[Observation]) -> (Store, records::RunId) {
    let store = Store::in_memory().unwrap();
    let mut run = store
        .begin(&RunHead::default(), Durability::Grouped)
        .unwrap();
    for observation in observations {
        run.append(observation).unwrap();
    }
    let id = run.finish(Outcome::Interrupted, &Value::Null, &[]).unwrap();
    (store, id)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn observations_read_back_to_the_last_bit(observations in observations()) {
        let (store, id) = kept(&observations);
        let back = store.observations(id).unwrap();
        // The text form also tells -0.0 from 0.0.
        prop_assert_eq!(format!("{back:?}"), format!("{observations:?}"));
    }

    #[test]
    fn csv_says_what_the_observations_say(observations in observations()) {
        let (store, id) = kept(&observations);
        let mut out = Vec::new();
        write_csv(&store, id, &mut out).unwrap();
        let mut csv = csv::Reader::from_reader(out.as_slice());
        let names = csv.headers().unwrap().clone();
        let rows: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
        prop_assert_eq!(rows.len(), observations.len());
        for (row, observation) in rows.iter().zip(&observations) {
            let cell = |name: &str| &row[names.iter().position(|each| each == name).unwrap()];
            let same = |name: &str, value: Option<f64>| match value {
                None => cell(name).is_empty(),
                Some(value) => {
                    let read: f64 = cell(name).parse().unwrap();
                    (read - value).abs() <= 1e-15 * value.abs() + f64::MIN_POSITIVE
                }
            };
            prop_assert_eq!(cell("seq"), observation.seq.to_string());
            prop_assert!(same("at_s", Some(observation.at.get())));
            prop_assert!(same("supply_set_V", Some(observation.set.supply.get())));
            prop_assert!(same("sense_ohm", observation.set.sense.map(Ohms::get)));
            prop_assert_eq!(cell("path"), observation.set.path.as_deref().unwrap_or(""));
            prop_assert!(same("loop_V", observation.loop_drop.map(|each| each.value)));
            prop_assert!(same("drop_V", observation.drop.map(|each| each.value)));
            prop_assert!(same("supply_range_V", observation.supply.map(|each| each.range)));
            prop_assert!(same("needle_of_full_scale", observation.needle.map(|n| n.deflection)));
            prop_assert!(same("unsettled_of_full_scale", Some(observation.unsettled)));
            let refused = observation.refused.as_ref();
            prop_assert!(same("refused", refused.map(|(times, _)| f64::from(*times))));
            prop_assert_eq!(cell("refused_last_reason"), refused.map_or("", |(_, why)| why));
        }
    }
}

fn head() -> RunHead {
    RunHead {
        label: "grey case, tray 3".into(),
        rig_name: "bench by the window".into(),
        rig_text: "name = \"bench by the window\"\n".into(),
        statement: RigStatement {
            thermal_emf: 3e-6,
            ..RigStatement::default()
        },
        instruments: vec![("drop".into(), "MAKER,MODEL,1,2.3".into())],
        program_version: "0.1.0".into(),
        seed: Some(u64::MAX),
        simulated: true,
        ambient: Some((22.7, 0.3)),
        started: "2026-11-25T21:04:05+01:00".into(),
        guarded_by: vec!["fixed resistor 40 kΩ".into()],
        notes: vec!["glass missing".into()],
    }
}

#[test]
fn a_run_reads_back_with_all_its_results_oldest_first() {
    let store = Store::in_memory().unwrap();
    let run = store.begin(&head(), Durability::Full).unwrap();
    let warnings = ["scale marks are not confirmed".to_owned()];
    let first = json!({"resistance": {"value": 1987.1, "u": 0.1 + 0.2}});
    let id = run.finish(Outcome::Result, &first, &warnings).unwrap();
    let second = json!({"resistance": null});
    store.add_result(id, "0.2.0", &second).unwrap();

    let run = store.run(id).unwrap();
    assert_eq!(run.head, head());
    assert_eq!(run.outcome, Some(Outcome::Result));
    assert_eq!(run.warnings, warnings);
    let results: Vec<_> = run
        .results
        .iter()
        .map(|each| (each.program_version.as_str(), &each.result))
        .collect();
    assert_eq!(results, [("0.1.0", &first), ("0.2.0", &second)]);
}

#[test]
fn the_list_names_unfinished_runs_too() {
    let store = Store::in_memory().unwrap();
    let ended = store.begin(&head(), Durability::Full).unwrap();
    let ended = ended.finish(Outcome::Refused, &Value::Null, &[]).unwrap();
    let left = store.begin(&head(), Durability::Full).unwrap();
    let list = store.list().unwrap();
    let shown: Vec<_> = list
        .iter()
        .map(|run| (run.id, run.outcome_word(), run.results, run.simulated))
        .collect();
    assert_eq!(
        shown,
        [
            (ended, "refused", 0, true),
            (left.id(), "unfinished", 0, true)
        ]
    );
    assert_eq!(store.run(left.id()).unwrap().outcome, None);
}

#[test]
fn json_holds_the_whole_run() {
    let store = Store::in_memory().unwrap();
    let mut run = store.begin(&head(), Durability::Grouped).unwrap();
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut seen = observation().new_tree(&mut runner).unwrap().current();
    seen.seq = run.next_seq();
    run.append(&seen).unwrap();
    let id = run
        .finish(Outcome::Result, &json!({"ohms": 50.5}), &[])
        .unwrap();

    let mut out = Vec::new();
    write_json(&store, id, &mut out).unwrap();
    let whole: Value = serde_json::from_slice(&out).unwrap();
    assert_eq!(whole["id"], json!(id));
    assert_eq!(whole["outcome"], json!("result"));
    assert_eq!(
        serde_json::from_value::<RunHead>(whole["head"].clone()).unwrap(),
        head()
    );
    assert_eq!(whole["results"][0]["result"], json!({"ohms": 50.5}));
    let back: Vec<Observation> = serde_json::from_value(whole["observations"].clone()).unwrap();
    assert_eq!(back, [seen]);
}
