//! The program on serial ports, in real time.

use super::bench;
use crate::program::program;
use crate::program::watched::Blind;
use guard::{Fault, Guard, Rig, Watching, Wires};
use hw_sim::{Language, Line, Outlet, Port};
use needlerig_tests::campaign::Tap;
use needlerig_tests::kills::{Bench, Run, now};
use std::time::Duration;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;
use tokio::time::sleep;

/// A run on ports that has the output on.
fn live_run(bench: &Bench) -> Run {
    let mut run = bench.run().unwrap();
    run.wait_for(" sent=OUT1").unwrap();
    run.wait_for("needlerig::kept").unwrap();
    assert!(!bench.states().unwrap().last().unwrap().safe());
    run
}

#[test]
fn a_killed_run_on_ports_is_made_safe_over_the_inherited_ones() {
    let bench = Bench::start_on_ports(&program(), 11).unwrap();
    let mut run = live_run(&bench);
    // Held by the run, and then by its watcher: nobody can open them anew, root neither.
    let mut second = bench.run().unwrap();
    assert_eq!(second.end().unwrap(), Some(4), "{:?}", second.told);
    let told = second.told.join("\n");
    assert!(told.contains("another program holds it"), "{told}");
    let died = now();
    run.child.kill().unwrap();
    run.end().unwrap();
    let safe = bench.safe_since().unwrap();
    assert!(safe > died && safe < died + 5.0, "{}", safe - died);
    let told = run.told.join("\n");
    assert!(told.contains("confirmed it by a reading"), "{told}");
    assert_eq!(bench.reports().unwrap().len(), 1);
}

#[test]
fn a_signal_ends_a_run_on_ports_safe() {
    let bench = Bench::start_on_ports(&program(), 12).unwrap();
    let mut run = live_run(&bench);
    let asked = now();
    run.signal("INT").unwrap();
    assert_eq!(run.end().unwrap(), Some(130), "{:?}", run.told);
    assert!(bench.safe_since().unwrap() > asked);
    assert!(bench.reports().unwrap().is_empty());
}

/// A rig was left with 5 V on and contacts closed, and its relay board drops all contacts when its
/// port is opened: by then the supply must be off.
#[tokio::test]
async fn a_board_that_starts_anew_is_never_opened_under_voltage() {
    let bench = bench();
    let listening = hw_sim::tcp(&bench, 0).await.unwrap();
    let ports: Vec<u16> = listening.addresses.iter().map(|(_, a)| a.port()).collect();
    let _serving = tokio::spawn(listening.serve());
    let line = Line {
        starts: Some((Duration::from_millis(20), "READY")),
        ..Line::of(Language::FourByte)
    };
    let board = Port::serve(Outlet::new(&bench, Language::FourByte, line)).unwrap();
    let place = format!(
        "ASRL{}::INSTR\"\ndialect = \"four-byte-switch\"",
        board.path.display()
    );
    let mut text = include_str!("../../rigs/simulated-tcp.toml").replace(
        "TCPIP::127.0.0.1::5028::SOCKET\"\ndialect = \"scpi-switch\"",
        &place,
    );
    for (usual, port) in (5025..).zip(&ports) {
        text = text.replace(&format!("::{usual}::"), &format!("::{port}::"));
    }
    let rig = Rig::parse(&text, "rig.toml").unwrap();
    for (port, said) in [
        (ports[0], ":VOLT 5\n:OUTP ON\n"),
        (ports[3], ":ROUT:CLOS (@101,103)\n"),
    ] {
        let mut left = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        left.write_all(said.as_bytes()).await.unwrap();
        left.shutdown().await.unwrap();
    }
    let look = move || {
        let mut bench = bench.lock().unwrap();
        bench.catch_up();
        (bench.output_volts(), bench.closed_channels())
    };
    while look().0 < 4.9 || look().1.len() < 2 {
        sleep(Duration::from_millis(1)).await;
    }
    let first_at_rest = tokio::spawn(async move {
        loop {
            if let (volts, []) = (look().0, &look().1[..]) {
                return volts;
            }
            sleep(Duration::from_millis(1)).await;
        }
    });
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let (sight, tap) = (Box::new(Blind), Box::new(Tap::default()));
    // Nobody watches, so it goes no further than the start.
    let started = Guard::start(rig, Wires::new(), sight, tap, stop, Watching::InProcess).await;
    let fault = started.err().map(|(fault, _)| fault);
    assert!(matches!(fault, Some(Fault::Unwatched(_))), "{fault:?}");
    let volts = first_at_rest.await.unwrap();
    assert!(volts < 0.05, "contacts fell open under {volts} V");
}
