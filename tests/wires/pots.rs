//! Digital potentiometers behind a bridge that starts anew when its port is opened.

use super::{bench, dialect, wire};
use drivers::{DriverError, Link, Pots};
use hw_sim::{Bench, Fault, Kind, Language, Line, Outlet, Place, Port, SharedBench};
use std::sync::{Arc, Mutex};
use std::time::Duration;

#[tokio::test]
async fn a_bridge_that_starts_anew_is_at_mid_scale_and_takes_codes() {
    let mut dialect = dialect("bridge-pots");
    dialect.wire.boot = Duration::from_secs(20);
    let line = Line {
        starts: Some((Duration::from_millis(200), "READY 1")),
        ..Line::of(Language::Pots)
    };
    let port = Port::serve(Outlet::new(&bench(), Language::Pots, line)).unwrap();
    let path = port.path.to_str().unwrap().to_owned();
    let serving = tokio::spawn(port.run());
    for _ in 0..2 {
        let link = Link::serial(&path, &dialect.wire).await.unwrap();
        let mut pots = Pots::open(link, &dialect).await.unwrap();
        assert_eq!(pots.identity(), "BRIDGE 1 4 256");
        assert_eq!(
            pots.code(2).await.unwrap(),
            128,
            "mid-scale after the start"
        );
        pots.set(2, 17).await.unwrap();
        pots.set(0, 255).await.unwrap();
        assert_eq!(pots.code(2).await.unwrap(), 17);
        assert_eq!(pots.code(0).await.unwrap(), 255);
        for (pot, code) in [(4, 0), (0, 256)] {
            let error = pots.set(pot, code).await.unwrap_err();
            assert!(matches!(error, DriverError::OutOfRange { .. }), "{error}");
        }
    }
    serving.abort();
}

/// It says so with its next answer, or before: the code is not taken for the answer, and the reader
/// of the message learns what happened.
#[tokio::test(start_paused = true)]
async fn a_bridge_that_starts_anew_by_itself_is_told_apart_from_an_answer() {
    let dialect = dialect("bridge-pots");
    let restarts = Fault {
        after_lines: 3,
        ..Fault::new(Place::Bridge, Kind::Restarts)
    };
    let heron = hw_sim::find("heron").unwrap();
    let bench = Bench::faulty(&heron, 5, &restarts.into()).on_digipots(5);
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let stream = wire(&bench, Language::Pots, Line::of(Language::Pots));
    let link = Link::over(Box::new(stream), "pots", &dialect.wire);
    let mut pots = Pots::open(link, &dialect).await.unwrap();
    pots.set(1, 40).await.unwrap();
    assert_eq!(pots.code(1).await.unwrap(), 40);
    let error = pots.code(1).await.unwrap_err().to_string();
    assert!(error.contains("started anew"), "{error}");
    assert_eq!(pots.code(1).await.unwrap(), 128);
}

#[tokio::test(start_paused = true)]
async fn a_bridge_with_other_potentiometers_than_stated_is_refused() {
    let mut dialect = dialect("bridge-pots");
    dialect.words = drivers::Words::Pots(drivers::PotWords {
        pots: 8,
        codes: 256,
    });
    let stream = wire(&bench(), Language::Pots, Line::of(Language::Pots));
    let link = Link::over(Box::new(stream), "pots", &dialect.wire);
    let error = Pots::open(link, &dialect).await.unwrap_err().to_string();
    assert!(error.contains("BRIDGE firmware 8 256"), "{error}");
}
