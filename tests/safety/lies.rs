//! Instruments that answer in good form and say what is not so.

use super::proxy::Wrong;
use super::scene::Scene;
use guard::Fault;
use procedure::Outcome;

const RISING: &str = "scale, rising";

#[test]
fn more_current_than_the_circuit_allows_ends_the_run() {
    // 0.25 V over the sense element in use is five times the top of any range.
    let done = Scene::broken("loop", Wrong::Answers("2.500000E-01"), ":READ?", 20)
        .armed_in_phase("creep")
        .run();
    match done.fault() {
        Fault::Current { found, bound } => assert!(found > bound),
        other => panic!("{other}"),
    }
    assert!(done.safe.as_ref().unwrap().verified);
    done.assert_safe_with_record();
}

#[test]
fn an_overload_where_none_can_be_ends_the_run() {
    for wire in ["loop", "drop"] {
        let done = Scene::broken(wire, Wrong::Answers("+9.90000000E+37"), ":READ?", 20)
            .armed_in_phase(RISING)
            .run();
        assert!(
            matches!(done.fault(), Fault::Overload(which) if *which == wire),
            "{}",
            done.fault()
        );
        done.assert_safe_with_record();
    }
}

#[test]
fn no_number_is_never_taken_for_zero() {
    for answer in ["+9.91000000E+37", "", "-", "0.1 A", "0,1", "nan"] {
        let done = Scene::broken("loop", Wrong::Answers(answer), ":READ?", 20)
            .armed_in_phase(RISING)
            .run();
        assert!(
            done.instrument().contains("loop"),
            "{answer}: {}",
            done.fault()
        );
        done.assert_safe_with_record();
    }
}

#[test]
fn a_set_point_read_back_as_another_ends_the_run() {
    for (question, answer, what) in [
        (":VOLT?", "7.5", "supply voltage"),
        (":CURR?", "12", "supply current limit"),
        (":OUTP?", "0", "supply output"),
    ] {
        let done = Scene::broken("supply", Wrong::Answers(answer), question, 1).run();
        assert!(
            matches!(done.fault(), Fault::ReadBack { what: found, .. } if *found == what),
            "{question}: {}",
            done.fault()
        );
        done.assert_safe();
    }
}

#[test]
fn a_safe_state_that_a_reading_denies_is_not_believed() {
    let done = Scene::broken("supply", Wrong::Answers("3.300"), ":MEAS:VOLT?", 0).run();
    let text = done.instrument();
    assert!(text.contains("could not be made safe"), "{text}");
    assert!(
        text.contains(&Fault::NotOff(quantity::Volts::new(3.3)).to_string()),
        "{text}"
    );
    assert_eq!(done.truth.peak_current, 0.0);
    done.assert_safe();
}

#[test]
fn an_end_that_a_reading_denies_is_a_fault() {
    let done = Scene::broken("supply", Wrong::Answers("3.300"), ":MEAS:VOLT?", 0)
        .armed_in_phase(RISING)
        .run();
    assert_eq!(done.plan, Some(Ok(Outcome::Complete)));
    assert!(!done.safe.as_ref().unwrap().verified);
    assert!(
        done.instrument().contains("confirming"),
        "{}",
        done.instrument()
    );
    done.assert_safe_with_record();
}

/// A line that nobody asked for is never taken for an answer: an instrument that says more than it was
/// asked ends the run, a reader is asked again.
#[test]
fn a_line_that_nobody_asked_for_is_never_taken_for_an_answer() {
    for (wire, line, prefix) in [
        ("loop", "2.500000E-01", ":READ?"),
        ("drop", "9.000000E-01", ":READ?"),
        ("supply", "7.5", ":VOLT?"),
    ] {
        let done = Scene::broken(wire, Wrong::Stale(line), prefix, 20)
            .armed_in_phase(RISING)
            .run();
        let text = done.instrument();
        assert!(text.contains("neither is used"), "{wire}: {text}");
        assert!(done.safe.as_ref().unwrap().verified);
        done.assert_safe_with_record();
    }
    let lie = "SEEN 1.300000 0.000300 0.001000 0.030000";
    let done = Scene::broken("reader", Wrong::Stale(lie), "LOOK", 20)
        .armed_in_phase(RISING)
        .run();
    assert_eq!(done.plan, Some(Ok(Outcome::Complete)), "{:?}", done.fault);
    let beyond = |o: &evidence::Observation| o.needle.is_some_and(|n| n.deflection > 1.2);
    assert!(!done.kept.iter().any(beyond), "taken for a sighting");
    done.assert_safe_with_record();
}
