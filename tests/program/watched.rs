//! What becomes of the rig when a run on it is killed, hangs, loses its watcher, its link or its
//! disk. In real time, over TCP; the simulator's own log judges.

use super::program;
use evidence::Sight;
use guard::{Fault, Guard, Rig, Watching, Wires};
use needlerig_tests::campaign::Tap;
use needlerig_tests::kills::{Bench, Run, Way, now, signal, trial};
use std::io::copy;
use std::net::{Shutdown, TcpListener, TcpStream};
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A run that has the output on and has seen the needle.
fn live_run(bench: &Bench) -> Run {
    let mut run = bench.run().unwrap();
    run.wait_for(" sent=:OUTP ON").unwrap();
    run.wait_for("needlerig::kept").unwrap();
    assert!(!bench.states().unwrap().last().unwrap().safe());
    run
}

#[test]
fn a_run_that_dies_leaves_a_safe_rig_loses_nothing_and_is_told_of() {
    let program = program();
    let trials = std::thread::scope(|scope| {
        let program = &program;
        let one = |number| scope.spawn(move || trial(program, "gate", number).unwrap());
        let all: Vec<_> = (0..6).map(one).collect();
        all.into_iter()
            .map(|one| one.join().unwrap())
            .collect::<Vec<_>>()
    });
    for way in [Way::Kill, Way::Hang] {
        let live = trials.iter().any(|trial| trial.way == way && trial.live);
        assert!(live, "no {way:?} on a live rig: {trials:?}");
    }
}

#[test]
fn a_watcher_outlives_the_signals_that_end_a_run() {
    let bench = Bench::start(&program(), 1).unwrap();
    let mut run = live_run(&bench);
    let watcher = run.watcher().unwrap();
    let stat = std::fs::read_to_string(format!("/proc/{watcher}/stat")).unwrap();
    let after_name = stat.rsplit(") ").next().unwrap();
    let session = after_name.split(' ').nth(3).unwrap();
    assert_eq!(session, watcher.to_string(), "a session of its own");
    for name in ["INT", "TERM", "HUP"] {
        signal(watcher, name).unwrap();
    }
    let died = now();
    run.child.kill().unwrap();
    run.end().unwrap();
    assert!(bench.safe_since().unwrap() > died);
    assert_eq!(bench.reports().unwrap().len(), 1);
}

#[test]
fn a_run_that_loses_its_watcher_ends_safe_and_says_why() {
    for name in ["KILL", "STOP"] {
        let bench = Bench::start(&program(), 2).unwrap();
        let mut run = live_run(&bench);
        let lost = now();
        signal(run.watcher().unwrap(), name).unwrap();
        assert_eq!(run.end().unwrap(), Some(4), "{:?}", run.told);
        let last = run.told.last().unwrap();
        assert!(last.contains("the watcher process"), "{last}");
        assert!(bench.safe_since().unwrap() > lost, "{name}");
    }
}

#[test]
fn a_rig_left_energised_is_found_and_made_safe_first() {
    let bench = left_energised();
    let mut next = bench.run().unwrap();
    next.wait_for("found energised and was made safe first: the supply's output was on")
        .unwrap();
    bench.safe_since().unwrap();
    next.signal("INT").unwrap();
    assert_eq!(next.end().unwrap(), Some(130));
}

/// The same where the run that follows can't begin, since nobody reads the needle.
#[test]
fn a_rig_left_energised_is_made_safe_by_a_run_that_cannot_begin() {
    let bench = left_energised();
    let rig = std::fs::read_to_string(bench.path("rig.toml")).unwrap();
    let (others, reader) = rig.split_once("[reader]").unwrap();
    let port = reader.split("::").nth(2).unwrap();
    // Nobody listens there any more.
    let free = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr();
    let reader = reader.replacen(port, &free.unwrap().port().to_string(), 1);
    std::fs::write(bench.path("rig.toml"), format!("{others}[reader]{reader}")).unwrap();
    let mut next = bench.run().unwrap();
    next.wait_for("and was made safe first; no connection to the reader")
        .unwrap();
    bench.safe_since().unwrap();
    assert_ne!(next.end().unwrap(), Some(0));
}

/// A bench on which a run and its watcher both died.
fn left_energised() -> Bench {
    let bench = Bench::start(&program(), 3).unwrap();
    let mut run = live_run(&bench);
    let watcher = run.watcher().unwrap();
    signal(watcher, "STOP").unwrap();
    run.child.kill().unwrap();
    signal(watcher, "KILL").unwrap();
    run.end().unwrap();
    assert!(!bench.states().unwrap().last().unwrap().safe());
    bench
}

/// Forwards connections to `to` and remembers them.
fn forward(listener: TcpListener, to: u16, open: Arc<Mutex<Vec<TcpStream>>>) {
    for from in listener.incoming() {
        let from = from.unwrap();
        let to = TcpStream::connect(("127.0.0.1", to)).unwrap();
        open.lock().unwrap().push(from.try_clone().unwrap());
        for (mut from, mut to) in [
            (from.try_clone().unwrap(), to.try_clone().unwrap()),
            (to, from),
        ] {
            std::thread::spawn(move || {
                // A cut connection is what this is for.
                let _ = copy(&mut from, &mut to);
                let _ = to.shutdown(Shutdown::Both);
            });
        }
    }
}

/// A bench whose supply is reached by way of a forwarder, with the connections through it.
fn with_forwarder(seed: u64) -> (Bench, Arc<Mutex<Vec<TcpStream>>>) {
    let bench = Bench::start(&program(), seed).unwrap();
    let rig = std::fs::read_to_string(bench.path("rig.toml")).unwrap();
    let resource = rig.lines().find(|line| line.starts_with("resource = "));
    let port = resource.unwrap().split("::").nth(2).unwrap();
    let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let by_way = listener.local_addr().unwrap().port().to_string();
    std::fs::write(bench.path("rig.toml"), rig.replacen(port, &by_way, 1)).unwrap();
    let open: Arc<Mutex<Vec<TcpStream>>> = Arc::default();
    let (remembered, port) = (Arc::clone(&open), port.parse().unwrap());
    std::thread::spawn(move || forward(listener, port, remembered));
    (bench, open)
}

fn cut(open: &Mutex<Vec<TcpStream>>) {
    for stream in open.lock().unwrap().iter() {
        stream.shutdown(Shutdown::Both).unwrap();
    }
}

#[test]
fn a_watcher_connects_anew_where_a_link_was_lost() {
    let (bench, open) = with_forwarder(4);
    let mut run = live_run(&bench);
    run.signal("STOP").unwrap();
    let died = now();
    cut(&open);
    run.end().unwrap();
    assert!(bench.safe_since().unwrap() > died);
    let told = run.told.last().unwrap();
    assert!(told.contains("confirmed it by a reading"), "{told}");
}

#[test]
fn a_run_that_cannot_make_the_rig_safe_leaves_it_to_its_watcher() {
    let (bench, open) = with_forwarder(7);
    let mut run = live_run(&bench);
    cut(&open);
    assert_eq!(run.end().unwrap(), Some(4), "{:?}", run.told);
    // The run notices when it next has something to say to the supply.
    assert!(bench.safe_since().unwrap() > run.kept_at);
    let told = run.told.join("\n");
    for part in [
        "the link is gone",
        "could not confirm",
        "confirmed it by a reading",
    ] {
        assert!(told.contains(part), "no \"{part}\": {told}");
    }
    assert_eq!(bench.reports().unwrap().len(), 1);
}

#[test]
fn a_signal_switches_the_supply_off_and_leaves_no_report() {
    for name in ["INT", "TERM", "HUP"] {
        let bench = Bench::start(&program(), 8).unwrap();
        let mut run = live_run(&bench);
        let asked = now();
        run.signal(name).unwrap();
        assert_eq!(run.end().unwrap(), Some(130), "{:?}", run.told);
        assert!(bench.safe_since().unwrap() > asked, "{name}");
        assert!(bench.reports().unwrap().is_empty());
    }
}

#[test]
fn a_full_disk_ends_the_run_safe() {
    let bench = Bench::start(&program(), 5).unwrap();
    // The limit of a file's size stands for the end of the disk.
    let mut run = bench.run_by("trap '' XFSZ; ulimit -f 800").unwrap();
    run.wait_for(" sent=:OUTP ON").unwrap();
    assert_eq!(run.end().unwrap(), Some(5), "{:?}", run.told);
    assert!(bench.safe_since().unwrap() > run.kept_at);
    let told = run.told.join("\n");
    assert!(told.contains("could not keep observations"), "{told}");
    assert!(bench.reports().unwrap().is_empty());
}

/// Another program takes the right to write away from the store in the middle of a run.
#[test]
fn a_store_that_turns_read_only_ends_the_run_safe() {
    let bench = Bench::start(&program(), 6).unwrap();
    let mut run = live_run(&bench);
    let began = now();
    let refuse = "import sqlite3; c = sqlite3.connect('needlerig.sqlite', timeout=20); \
        c.execute(\"CREATE TRIGGER closed BEFORE INSERT ON observation BEGIN \
        SELECT RAISE(ABORT, 'attempt to write a readonly database'); END\"); c.commit()";
    let mut python = Command::new("python3");
    let done = python
        .current_dir(&bench.folder)
        .args(["-c", refuse])
        .status();
    assert!(done.unwrap().success());
    assert_eq!(run.end().unwrap(), Some(5), "{:?}", run.told);
    let safe = bench.safe_since().unwrap();
    assert!(
        safe > began && safe < run.kept_at + 1.0,
        "{safe} {run:?}",
        run = run.kept_at
    );
    let told = run.told.join("\n");
    assert!(
        told.contains("attempt to write a readonly database"),
        "{told}"
    );
}

/// A terminal that goes away (a lost connection, a closed window) tells its programs by SIGHUP.
#[test]
fn a_lost_terminal_ends_the_run_safe() {
    let bench = Bench::start(&program(), 7).unwrap();
    // The run's messages go past the terminal, so that they can be heard to the end. It leads the
    // terminal's session: a shell that leads it keeps the hang-up to itself where it was told to.
    let terminal = format!(
        "exec 3>&2; exec script -qfec 'exec {} characterize rig.toml --yes --quick 2>&3' /dev/null",
        program().display()
    );
    let mut run = bench.run_in(&terminal).unwrap();
    run.wait_for(" sent=:OUTP ON").unwrap();
    run.wait_for("needlerig::kept").unwrap();
    let lost = now();
    run.child.kill().unwrap();
    run.end().unwrap();
    let safe = bench.safe_since().unwrap();
    assert!(safe > lost && safe < lost + 1.0, "{} s", safe - lost);
    assert!(run.told.join("\n").contains("stopping"), "{:?}", run.told);
    // It ended by itself: its watcher had nothing to do.
    assert!(bench.reports().unwrap().is_empty());
}

#[tokio::test]
async fn instruments_outside_the_program_are_not_energised_without_a_watcher() {
    let movement = hw_sim::find("heron").unwrap();
    let bench = Arc::new(Mutex::new(hw_sim::Bench::standard(&movement, 6)));
    let listening = hw_sim::tcp(&bench, 0).await.unwrap();
    let mut text = include_str!("../../rigs/simulated-tcp.toml").to_owned();
    for (port, (_, address)) in (5025..).zip(&listening.addresses) {
        text = text.replace(&format!("::{port}::"), &format!("::{}::", address.port()));
    }
    let serving = tokio::spawn(listening.serve());
    let rig = Rig::parse(&text, "rig.toml").unwrap();
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let sight = async |_: &mut Wires| Ok(Box::new(Blind) as Box<dyn Sight>);
    let tap = Box::new(Tap::default());
    let started = Guard::start(rig, Wires::new(), sight, tap, stop, Watching::InProcess).await;
    match started {
        Err((Fault::Unwatched(why), _)) => assert!(why.contains("need a watcher"), "{why}"),
        Err((other, _)) => panic!("{other}"),
        Ok(_) => panic!("it started unwatched"),
    }
    serving.abort();
    let bench = bench.lock().unwrap();
    assert!(bench.closed_channels().is_empty());
}

/// A reader that is never asked.
pub struct Blind;

impl evidence::Sight for Blind {
    fn look(&mut self) -> evidence::SightFuture<'_> {
        Box::pin(async {
            tokio::time::sleep(Duration::from_secs(1)).await;
            evidence::Sighting {
                age: 0.0,
                seen: Err("never asked".to_owned()),
            }
        })
    }

    fn name(&self) -> String {
        "blind".to_owned()
    }
}
