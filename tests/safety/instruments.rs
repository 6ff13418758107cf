//! Supply, meters and switch unit that fail while current flows.

use super::proxy::Wrong;
use super::scene::Scene;
use guard::Fault;
use procedure::Outcome;
use std::time::Duration;

const RISING: &str = "scale, rising";

#[test]
fn without_a_fault_the_run_completes() {
    let done = Scene::SOUND.run();
    assert!(done.fault.is_none(), "{:?}", done.fault);
    assert_eq!(done.plan, Some(Ok(Outcome::Complete)));
    assert!(done.safe.as_ref().unwrap().verified);
    done.assert_safe_with_record();
    assert!(done.truth.peak_deflection > 0.98);
}

#[test]
fn a_supply_that_never_answers_is_never_switched_on() {
    for wrong in [Wrong::Deaf, Wrong::Mute, Wrong::Garbage, Wrong::Close] {
        let done = Scene::broken("supply", wrong, "", 0).run();
        assert!(
            done.instrument().contains("supply"),
            "{}",
            done.instrument()
        );
        assert!(done.safe.is_none(), "{wrong:?}");
        assert_eq!(done.truth.peak_current, 0.0);
        done.assert_safe();
    }
}

#[test]
fn a_supply_that_falls_silent_in_mid_ramp() {
    for wrong in [Wrong::Deaf, Wrong::Mute] {
        let done = Scene::broken("supply", wrong, ":VOLT ", 40)
            .armed_in_phase(RISING)
            .run();
        assert!(
            done.instrument().contains("supply"),
            "{}",
            done.instrument()
        );
        assert!(!done.safe.as_ref().unwrap().verified, "{wrong:?}");
        done.assert_safe_with_record();
    }
}

#[test]
fn a_supply_that_answers_nonsense_in_mid_ramp() {
    let done = Scene::broken("supply", Wrong::Garbage, ":VOLT?", 40)
        .armed_in_phase(RISING)
        .run();
    assert!(
        done.instrument().contains("banana"),
        "{}",
        done.instrument()
    );
    done.assert_safe_with_record();
}

#[test]
fn a_supply_that_answers_too_late() {
    let late = Wrong::Late(Duration::from_secs(4));
    let done = Scene::broken("supply", late, ":VOLT?", 40)
        .armed_in_phase(RISING)
        .run();
    assert!(
        done.instrument().contains("supply"),
        "{}",
        done.instrument()
    );
    done.assert_safe_with_record();
}

#[test]
fn a_supply_that_goes_away_in_mid_ramp_is_disconnected() {
    let done = Scene::broken("supply", Wrong::Close, ":VOLT ", 40)
        .armed_in_phase(RISING)
        .run();
    assert!(
        done.instrument().contains("supply"),
        "{}",
        done.instrument()
    );
    let safe = done.safe.as_ref().unwrap();
    assert!(
        !safe.verified,
        "nobody can have confirmed that the supply is off"
    );
    assert!(!safe.failures.is_empty());
    done.assert_safe_with_record();
}

#[test]
fn a_swallowed_set_point_is_noticed_by_its_read_back() {
    // In the steep part of a ramp; at its ends neighbouring set-points may be equal.
    for skip in [30, 40] {
        let done = Scene::broken("supply", Wrong::Swallow, ":VOLT ", skip)
            .armed_in_phase(RISING)
            .run();
        let fault = done.fault();
        assert!(
            matches!(
                fault,
                Fault::ReadBack {
                    what: "supply voltage",
                    ..
                }
            ),
            "{fault}"
        );
        assert!(done.safe.as_ref().unwrap().verified);
        done.assert_safe_with_record();
    }
}

#[test]
fn a_swallowed_current_limit_or_output_is_noticed() {
    let done = Scene::broken("supply", Wrong::Swallow, ":CURR ", 0).run();
    assert!(
        matches!(
            done.fault(),
            Fault::ReadBack {
                what: "supply current limit",
                ..
            }
        ),
        "{}",
        done.fault()
    );
    done.assert_safe();
    let done = Scene::broken("supply", Wrong::Swallow, ":OUTP ON", 0).run();
    assert!(
        matches!(
            done.fault(),
            Fault::ReadBack {
                what: "supply output",
                ..
            }
        ),
        "{}",
        done.fault()
    );
    done.assert_safe();
}

/// What went wrong on a wire before may only show in the confirmation, which is tried once more then.
#[test]
fn a_confirmation_that_gets_lost_is_asked_for_once_more() {
    // The first such question only looks whether anything was left energised.
    let done = Scene::broken("switch", Wrong::Swallow, ":ROUT:CLOS? ", 1).run();
    assert!(done.safe.is_some_and(|safe| safe.verified));
}

#[test]
fn a_meter_that_goes_missing_in_mid_run() {
    for wire in ["loop", "drop"] {
        for wrong in [Wrong::Deaf, Wrong::Garbage, Wrong::Close] {
            let done = Scene::broken(wire, wrong, ":READ?", 30)
                .armed_in_phase(RISING)
                .run();
            assert!(done.instrument().contains(wire), "{}", done.instrument());
            let safe = done.safe.as_ref().unwrap();
            assert!(safe.verified, "{wire} {wrong:?}: {:?}", safe.failures);
            done.assert_safe_with_record();
        }
    }
}

#[test]
fn a_meter_that_answers_too_late_delays_no_safe_state() {
    let late = Wrong::Late(Duration::from_secs(20));
    let done = Scene::broken("loop", late, ":READ?", 30)
        .armed_in_phase(RISING)
        .run();
    assert!(done.instrument().contains("loop"), "{}", done.instrument());
    let safe = done.safe.as_ref().unwrap();
    assert!(safe.verified && safe.took < 1.0, "{safe:?}");
    done.assert_safe_with_record();
}

#[test]
fn a_relay_command_that_gets_lost_is_noticed_by_its_read_back() {
    for (command, skip) in [
        (":ROUT:CLOS (", 0),
        (":ROUT:CLOS (", 2),
        (":ROUT:OPEN (", 2),
    ] {
        let done = Scene::broken("switch", Wrong::Swallow, command, skip).run();
        let fault = done.fault();
        assert!(
            matches!(fault, Fault::ReadBack { what: "relay", .. }),
            "{command}: {fault}"
        );
        assert!(done.safe.as_ref().unwrap().verified);
        done.assert_safe();
    }
}

#[test]
fn a_switch_unit_that_goes_away_leaves_the_supply_off() {
    let done = Scene::broken("switch", Wrong::Close, ":ROUT", 0)
        .armed_in_phase("half-shunt")
        .run();
    assert!(
        done.instrument().contains("switch"),
        "{}",
        done.instrument()
    );
    assert!(!done.safe.as_ref().unwrap().verified);
    done.assert_safe_with_record();
}
