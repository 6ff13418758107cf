//! The simulated rig as it is by default: its camera's pictures are drawn, and read by the real
//! reader.

use evidence::{Needle, Observation, Sight};
use guard::{Fault as Ended, Rig};
use hw_sim::{Bench, Fault, Faults, Kind, Place, SharedBench};
use movement::analysis::analyse;
use needle::WireReader;
use needle::camera::read_needle;
use needlerig::session::{Order, SIMULATED_RIG, Simulated, simulated};
use needlerig::simulated_camera::{picture, put_up};
use needlerig_tests::campaign::Tap;
use procedure::Depth;
use std::sync::{Arc, Mutex};
use tokio::runtime::Builder;

/// A quick characterisation of this movement, with these faults; ended when `most` observations
/// have been kept.
fn run(movement: &str, seed: u64, faults: &Faults) -> (Simulated, Vec<Observation>) {
    let spec = hw_sim::find(movement).unwrap();
    let bench: SharedBench = Arc::new(Mutex::new(Bench::faulty(&spec, seed, faults)));
    let rig = Arc::new(Rig::parse(SIMULATED_RIG, "simulated.toml").unwrap());
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(rig, Depth::Quick, stop);
    let tap = Tap::default();
    let done = simulated(&order, &bench, true, Box::new(tap.clone()), |_| {}).unwrap();
    (done, tap.take())
}

/// A fault of the camera 25 s after the output was switched on: the needle is well up its scale.
fn in_mid_run(kind: Kind, size: Option<f64>) -> Faults {
    Fault {
        when_on: true,
        after_seconds: 25.0,
        size,
        ..Fault::new(Place::Reader, kind)
    }
    .into()
}

/// The guard's limit of 0.7 s without a usable sighting, the cycle in which it passes, and the time
/// that contacts and output take are within this.
const SOON: f64 = 1.0;

#[test]
fn a_camera_that_fails_in_mid_run_ends_it_within_a_second() {
    for (kind, size) in [
        (Kind::Blind, None),
        (Kind::Dazzled, None),
        (Kind::Frozen, None),
        (Kind::Knocked, Some(120.0)),
    ] {
        let (done, kept) = run("heron", 7, &in_mid_run(kind, size));
        let ending = done.end.unwrap().ending.unwrap();
        let fault = ending.fault.unwrap();
        assert!(
            matches!(fault, Ended::LossOfSight { .. }),
            "{kind:?}: {fault}"
        );
        let truth = &done.truth;
        assert!(truth.safe && truth.driven_stop_hits == 0, "{kind:?}");
        let shut = truth.shut_after.unwrap();
        println!("{kind:?}: shut {shut:.3} s, {} observations", kept.len());
        assert!(shut < SOON, "{kind:?}: off and shorted after {shut} s only");
        let last = kept.last().unwrap();
        assert!(last.needle.is_none() && last.refused.is_some(), "{last:?}");
    }
}

#[test]
fn a_camera_that_is_nudged_in_mid_run_is_followed() {
    let (done, kept) = run("heron", 7, &in_mid_run(Kind::Knocked, Some(3.0)));
    assert_right(&done, &kept);
}

#[test]
fn movements_are_characterised_by_camera() {
    for (movement, seed) in [("heron", 21), ("tansy", 22), ("bramble", 23)] {
        let (done, kept) = run(movement, seed, &Faults::default());
        assert_right(&done, &kept);
    }
}

/// One of the figures of a sighting with its error.
type Of = fn(&(f64, Needle)) -> f64;

/// Sightings drawn by chance, as campaigns use them, against those from pictures, both of a needle
/// at zero and on many benches: error, and both standard uncertainties.
#[test]
fn sightings_drawn_by_chance_err_as_those_from_pictures() {
    let spec = hw_sim::find("heron").unwrap();
    let bench = |seed| Arc::new(Mutex::new(Bench::standard(&spec, seed)));
    let seen = |seed: u64| -> Vec<(f64, Needle)> {
        let (mut camera, reader) = put_up(&bench(seed)).unwrap();
        // Between the places of the set-up, towards either end.
        let places = [0.03, 0.97];
        let frames = camera.by_hand(&places).unwrap().into_iter();
        let needles = frames.map(|frame| read_needle(&reader, &picture(frame).unwrap()).unwrap());
        let pairs = needles.zip(places);
        pairs
            .map(|(needle, place)| (needle.deflection - place, needle))
            .collect()
    };
    let drawn = |seed: u64| -> Vec<(f64, Needle)> {
        let bench = bench(seed);
        let truly = bench.lock().unwrap().shown();
        let mut runtime = Builder::new_current_thread();
        let runtime = runtime.enable_all().start_paused(true).build().unwrap();
        let needle = runtime.block_on(async {
            let mut wires = hw_sim::in_process(&bench).into_iter();
            let (_, wire) = wires.find(|(name, _)| *name == "reader").unwrap();
            let mut reader = WireReader::open(wire, needle::DEADLINE).await.unwrap();
            reader.look().await.seen
        });
        // A look in 200 is a refusal.
        needle
            .map(|needle| (needle.deflection - truly, needle))
            .into_iter()
            .collect()
    };
    let seen: Vec<_> = (0..14).flat_map(seen).collect();
    let drawn: Vec<_> = (0..300).flat_map(drawn).collect();
    let of: [(&str, Of); 3] = [
        ("error", |(error, _)| *error),
        ("own", |(_, needle)| needle.u),
        ("shared", |(_, needle)| needle.u_shared),
    ];
    for (what, of) in of {
        let [seen, drawn] = [&seen, &drawn].map(|all| rms(all.iter().map(of)));
        println!("{what}: {seen:.2e} in pictures, {drawn:.2e} by chance");
        // Twenty-eight errors, alike in pairs, leave about this open.
        assert!(
            (0.5..2.0).contains(&(drawn / seen)),
            "{what}: {seen} {drawn}"
        );
    }
}

fn rms(values: impl Iterator<Item = f64> + Clone) -> f64 {
    (values.clone().map(|v| v * v).sum::<f64>() / values.count() as f64).sqrt()
}

/// Whether figures were found within twice their intervals, and the needle never passed its
/// ceiling.
fn assert_right(done: &Simulated, kept: &[Observation]) {
    let rig = Rig::parse(SIMULATED_RIG, "simulated.toml").unwrap();
    let findings = analyse(&rig.statement(), kept);
    let truth = &done.truth;
    let pairs = [
        (&findings.full_scale, truth.full_scale_current.unwrap()),
        (&findings.resistance, truth.resistance.unwrap()),
    ];
    for (figure, truth) in pairs {
        let figure = figure.as_ref().unwrap_or_else(|why| panic!("{why}"));
        let (low, high) = figure.interval95();
        let value = figure.value();
        let wide = 2.0 * low - value..=2.0 * high - value;
        assert!(
            wide.contains(&truth),
            "{value}, {low} to {high}, truly {truth}"
        );
        assert!((high - low) / value < 0.02, "{low} to {high} says nothing");
    }
    assert!(truth.peak_deflection <= 1.02, "{}", truth.peak_deflection);
    assert_eq!(truth.driven_stop_hits, 0);
}
