//! The program on serial ports, in real time.

use super::bench;
use crate::program::program;
use crate::program::watched::Blind;
use evidence::Sight;
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

/// A rig that was left with 5 V on and contacts closed, and whose relay board drops all contacts when its
/// port is opened.
struct Left {
    rig: String,
    ports: Vec<u16>,
    bench: hw_sim::SharedBench,
    _board: Port,
}

impl Left {
    async fn energised() -> Self {
        let bench = bench();
        let listening = hw_sim::tcp(&bench, 0).await.unwrap();
        let ports: Vec<u16> = listening.addresses.iter().map(|(_, a)| a.port()).collect();
        // Ends with the test's runtime.
        tokio::spawn(listening.serve());
        let line = Line {
            starts: Some((Duration::from_millis(20), "READY")),
            ..Line::of(Language::FourByte)
        };
        let board = Port::serve(Outlet::new(&bench, Language::FourByte, line)).unwrap();
        let place = format!(
            "ASRL{}::INSTR\"\ndialect = \"four-byte-switch\"",
            board.path.display()
        );
        let mut rig = include_str!("../../rigs/simulated-tcp.toml").replace(
            "TCPIP::127.0.0.1::5028::SOCKET\"\ndialect = \"scpi-switch\"",
            &place,
        );
        for (usual, port) in (5025..).zip(&ports) {
            rig = rig.replace(&format!("::{usual}::"), &format!("::{port}::"));
        }
        for (port, said) in [
            (ports[0], ":VOLT 5\n:OUTP ON\n"),
            (ports[3], ":ROUT:CLOS (@101,103)\n"),
        ] {
            let mut left = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
            left.write_all(said.as_bytes()).await.unwrap();
            left.shutdown().await.unwrap();
        }
        let left = Self {
            rig,
            ports,
            bench,
            _board: board,
        };
        while left.look().0 < 4.9 || left.look().1.len() < 2 {
            sleep(Duration::from_millis(1)).await;
        }
        left
    }

    /// Volts at the supply's terminals, and the channels that are not at rest.
    fn look(&self) -> (f64, Vec<u16>) {
        look(&self.bench)
    }

    /// What the next start fails with: nobody watches, so it goes no further than that.
    async fn start(&self) -> Fault {
        let rig = Rig::parse(&self.rig, "rig.toml").unwrap();
        let (_asks, stop) = tokio::sync::watch::channel(false);
        let sight = async |_: &mut Wires| Ok(Box::new(Blind) as Box<dyn Sight>);
        let tap = Box::new(Tap::default());
        let started = Guard::start(rig, Wires::new(), sight, tap, stop, Watching::InProcess).await;
        let (fault, _) = started.err().unwrap();
        fault
    }
}

fn look(bench: &hw_sim::SharedBench) -> (f64, Vec<u16>) {
    let mut bench = bench.lock().unwrap();
    bench.catch_up();
    (bench.output_volts(), bench.closed_channels())
}

/// By the time that the port is opened the supply must be off.
#[tokio::test]
async fn a_board_that_starts_anew_is_never_opened_under_voltage() {
    let left = Left::energised().await;
    let bench = left.bench.clone();
    let first_at_rest = tokio::spawn(async move {
        loop {
            if let (volts, []) = (look(&bench).0, &look(&bench).1[..]) {
                return volts;
            }
            sleep(Duration::from_millis(1)).await;
        }
    });
    let fault = left.start().await;
    let Fault::Unwatched(why) = &fault else {
        panic!("{fault}");
    };
    let found = "found energised (the supply's output was on) and was made safe first";
    assert!(why.contains(found), "{why}");
    let volts = first_at_rest.await.unwrap();
    assert!(volts < 0.05, "contacts fell open under {volts} V");
}

/// A supply that can't be reached may be on: then the board is better left alone than started anew.
#[tokio::test]
async fn a_board_that_starts_anew_is_not_opened_while_the_supply_is_missing() {
    let mut left = Left::energised().await;
    // A port that was free a moment ago: nobody answers there.
    let nobody = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = nobody.local_addr().unwrap().port();
    drop(nobody);
    let supply = format!("::{}::", left.ports[0]);
    left.rig = left.rig.replace(&supply, &format!("::{port}::"));
    let told = left.start().await.to_string();
    for part in [
        "the contacts were left as they are",
        "switch it off by hand; supply",
    ] {
        assert!(told.contains(part), "{told}");
    }
    assert_eq!(left.look().1, [101, 103], "the board was started anew");
}
