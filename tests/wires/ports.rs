//! The program on serial ports, in real time.

use crate::program::program;
use needlerig_tests::kills::{Bench, Run, now};

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
