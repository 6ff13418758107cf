//! A rig whose reader is a camera: dial files, what is refused before anything is energised, and
//! runs over pictures that the simulated bench serves over HTTP, in real time.

use crate::dial::{PLACES, pictures, scene};
use evidence::{Journal, JournalError, Observation};
use guard::{Fault, ReaderSpec, Rig};
use hw_sim::{Bench, DialCamera, Fault as Planned, Kind, Place, SharedBench, find};
use needle::reader::{Corrections, DialSetup, annotate};
use needlerig::commands::load;
use needlerig::dial::Dial;
use needlerig::session::{Order, SIMULATED_RIG, Simulated, simulated};
use procedure::Depth;
use std::path::Path;
use std::sync::{Arc, Mutex};
use tokio::sync::{oneshot, watch};

/// The dial as proposed.
fn proposed() -> Dial {
    let pictures = pictures(&PLACES, 1000);
    let setup = DialSetup::propose(&pictures).unwrap();
    Dial {
        setup,
        pictures,
        part: None,
    }
}

/// The dial as a person confirmed it.
fn confirmed() -> Dial {
    let mut dial = proposed();
    let corrections = Corrections {
        confirm: true,
        ..Corrections::default()
    };
    dial.setup = dial.setup.corrected(&corrections).unwrap();
    dial
}

/// Writes its dial file.
fn keep(dial: &Dial, path: &Path) {
    let drawn = annotate(&dial.setup, &dial.pictures[0]);
    dial.keep(path, &drawn).unwrap();
}

/// The rig file `text` with a camera as its reader.
fn with_camera(text: &str, source: &str, dial: &str) -> String {
    let (before, after) = text.split_once("[reader]").unwrap();
    let (_, after) = after.split_once("[limits]").unwrap();
    format!(
        "{before}[reader]\nkind = \"camera\"\nsource = \"{source}\"\ndial = \"{dial}\"\n\n[limits]{after}"
    )
}

fn load_error(folder: &Path, text: &str) -> String {
    let path = folder.join("rig.toml");
    std::fs::write(&path, text).unwrap();
    let failure = load(path.to_str()).unwrap_err();
    assert_eq!(failure.code, 2, "{failure}");
    failure.text
}

#[test]
fn a_dial_that_nobody_confirmed_is_refused_before_anything_is_opened() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("my-dial.toml");
    let tcp = include_str!("../rigs/simulated-tcp.toml");
    let text = with_camera(tcp, "http://127.0.0.1:9/still.jpg", "my-dial.toml");
    let absent = load_error(folder.path(), &text);
    assert!(absent.contains("my-dial.toml"), "{absent}");
    keep(&proposed(), &file);
    let unconfirmed = load_error(folder.path(), &text);
    assert!(unconfirmed.contains("confirmed"), "{unconfirmed}");
    keep(&confirmed(), &file);
    let rig = load(folder.path().join("rig.toml").to_str()).unwrap();
    assert!(matches!(rig.reader, ReaderSpec::Camera(spec) if spec.dial == file));
}

#[test]
fn a_camera_and_simulated_instruments_do_not_share_a_clock() {
    let folder = tempfile::tempdir().unwrap();
    let text = with_camera(SIMULATED_RIG, "file:picture.jpg", "my-dial.toml");
    let mixed = load_error(folder.path(), &text);
    assert!(mixed.contains("one sort"), "{mixed}");
}

/// Serves the bench's dial until it is dropped.
struct Served {
    address: String,
    _end: oneshot::Sender<()>,
}

fn serve(bench: &SharedBench) -> Served {
    let (tell, told) = std::sync::mpsc::channel();
    let (end, ended) = oneshot::channel();
    let camera = DialCamera::new(bench, scene());
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build();
        runtime.unwrap().block_on(async {
            let served = hw_sim::http::camera(camera, 0).await.unwrap();
            tell.send(served.address).unwrap();
            // An error means that the test has ended.
            let _ = ended.await;
        });
    });
    Served {
        address: format!("http://{}", told.recv().unwrap()),
        _end: end,
    }
}

/// Keeps observations; asks for the end when the needle has been seen to move by `far`.
struct Until {
    far: f64,
    kept: Arc<Mutex<Vec<Observation>>>,
    stop: watch::Sender<bool>,
}

impl Journal for Until {
    fn append(&mut self, observation: &Observation) -> Result<(), JournalError> {
        let mut kept = self.kept.lock().unwrap();
        kept.push(observation.clone());
        let seen: Vec<f64> = kept.iter().filter_map(deflection).collect();
        if let (Some(first), Some(last)) = (seen.first(), seen.last())
            && last - first > self.far
        {
            self.stop.send_replace(true);
        }
        Ok(())
    }
}

fn deflection(observation: &Observation) -> Option<f64> {
    observation.needle.map(|needle| needle.deflection)
}

/// A run in real time, with a camera at `path`, that ends when the needle has moved by `far`.
fn run(fault: Option<Planned>, path: &str, far: f64) -> (Simulated, Vec<Observation>) {
    let folder = tempfile::tempdir().unwrap();
    keep(&confirmed(), &folder.path().join("dial.toml"));
    let spec = find("heron").unwrap();
    let bench = match fault {
        Some(fault) => Bench::faulty(&spec, 3, &fault.into()),
        None => Bench::standard(&spec, 3),
    };
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let served = serve(&bench);
    let source = format!("{}/{path}", served.address);
    let text = with_camera(SIMULATED_RIG, &source, "dial.toml");
    let name = folder.path().join("rig.toml");
    let rig = Rig::parse(&text, name.to_str().unwrap()).unwrap();
    let (asks, stop) = watch::channel(false);
    let kept = Arc::new(Mutex::new(Vec::new()));
    let journal = Until {
        far,
        kept: kept.clone(),
        stop: asks,
    };
    let order = Order::new(Arc::new(rig), Depth::Quick, stop);
    let done = simulated(&order, &bench, false, Box::new(journal), |_| {}).unwrap();
    let kept = kept.lock().unwrap().clone();
    (done, kept)
}

fn fault(done: &Simulated) -> &Fault {
    match &done.end {
        Err(fault) => fault,
        Ok(end) => match &end.ending {
            Err(fault) => fault,
            Ok(ending) => ending.fault.as_ref().unwrap(),
        },
    }
}

#[test]
fn the_guard_lets_the_current_grow_by_what_the_camera_shows() {
    let (done, kept) = run(None, "stream.mjpg", 0.02);
    let fault = fault(&done);
    assert!(matches!(fault, Fault::Interrupted), "{fault}");
    assert!(done.truth.safe);
    let seen: Vec<f64> = kept.iter().filter_map(deflection).collect();
    let highest = seen.iter().copied().fold(seen[0], f64::max);
    // The needle was seen to move, and nothing was seen that it did not show.
    let peak = done.truth.peak_deflection;
    assert!(highest > seen[0] + 0.02, "{seen:?}");
    assert!((highest - peak).abs() < 0.01, "{highest} of {peak}");
}

#[test]
fn a_camera_that_is_covered_in_mid_run_ends_it_safe() {
    let mut covered = Planned::new(Place::Reader, Kind::Blind);
    covered.when_on = true;
    covered.after_seconds = 1.0;
    let (done, kept) = run(Some(covered), "still.jpg", 0.9);
    assert!(
        matches!(fault(&done), Fault::LossOfSight { .. }),
        "{}",
        fault(&done)
    );
    assert!(done.truth.safe);
    let last = kept.last().unwrap();
    assert!(last.needle.is_none() && last.refused.is_some(), "{last:?}");
    assert!(done.lasted.get() < 30.0);
}
