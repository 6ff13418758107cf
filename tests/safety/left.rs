//! A rig that a program and its watcher left energised when both died, and a start that can't open all
//! of its instruments: what can be made safe is, and the error says so.

use super::proxy::{Rule, Wrong};
use super::scene::{Stage, assert_at_rest, paused};
use guard::{Rig, Wires};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use tokio::io::AsyncWriteExt;
use tokio::time::{Duration, sleep};

/// Source, short and movement; the lightest path, no series element, the heaviest of the sense elements.
const CLOSED: &str = "101,102,103,111,121,122,123,124,125,126,127,128,129,130,141";
/// What is found of it.
const FOUND: &str =
    "the rig was found energised (the supply's output was on, 15 relays were energised)";

/// A bench on which the needle stands at full scale, and on whose instruments nobody speaks.
async fn left_at_full_scale() -> Stage {
    let mut stage = Stage::new("heron");
    let truth = stage.truth();
    let amps = truth.full_scale_current.unwrap();
    let volts = amps * (40e3 + 10e3 + truth.resistance.unwrap());
    let contacts = format!(":ROUT:CLOS (@{CLOSED})\n");
    say(&mut stage.wires, "switch", &contacts).await;
    say(&mut stage.wires, "supply", ":CURR 1\n:VOLT 0\n:OUTP ON\n").await;
    // Slowly, so that the needle does not swing past the mark here already.
    for step in 1..=300 {
        let volts = volts * f64::from(step) / 300.0;
        say(&mut stage.wires, "supply", &format!(":VOLT {volts:.4}\n")).await;
    }
    sleep(Duration::from_secs(5)).await;
    let truth = stage.truth();
    assert!((truth.deflection - 1.0).abs() < 0.02, "{truth:?}");
    let again = hw_sim::in_process(&stage.bench).into_iter();
    stage.wires = again.map(|(name, wire)| (name.to_owned(), wire)).collect();
    stage
}

async fn say(wires: &mut Wires, wire: &str, lines: &str) {
    let wire = wires.get_mut(wire).unwrap();
    wire.write_all(lines.as_bytes()).await.unwrap();
    sleep(Duration::from_millis(100)).await;
}

/// What is wrong with an instrument when the next start comes.
#[derive(Clone, Copy, Debug)]
enum Now {
    Missing,
    Silent,
    /// Another one answers at its address; what it is told would reach the one that is meant.
    Another,
}

fn answers(stage: &mut Stage, wire: &str, question: &'static str, wrong: Wrong) {
    let rule = Rule {
        wrong,
        prefix: question,
        skip: 0,
        armed: Arc::new(AtomicBool::new(true)),
    };
    stage.spoil(wire, rule);
}

fn harm(stage: &mut Stage, wire: &str, now: Now) {
    match now {
        Now::Missing => drop(stage.wires.remove(wire)),
        Now::Silent => answers(stage, wire, "", Wrong::Deaf),
        Now::Another => answers(stage, wire, "*IDN?", Wrong::Answers("GAUGE 9")),
    }
}

/// How the rig is after a start that failed, and what it said.
struct After {
    told: String,
    volts: f64,
    closed: usize,
}

/// Starts, which must fail.
async fn start(stage: &mut Stage) -> After {
    let tap = Box::new(stage.tap.clone());
    let told = stage.guard(tap).await.err().expect("no start without it");
    sleep(Duration::from_secs(5)).await;
    let truth = stage.truth();
    let bench = stage.bench.lock().unwrap();
    let (volts, closed) = (bench.output_volts(), bench.closed_channels().len());
    // Whatever the start did on the way drove the needle no further.
    assert!(truth.peak_deflection < 1.02, "{truth:?}");
    assert_eq!(truth.driven_stop_hits, 0);
    drop(bench);
    assert_eq!(truth.safe, volts < 3e-3 || closed == 0, "{truth:?}");
    After {
        told: told.to_string(),
        volts,
        closed,
    }
}

impl After {
    fn tells(&self, all: &[&str]) {
        for part in all {
            assert!(
                self.told.contains(part),
                "\"{part}\" is not in: {}",
                self.told
            );
        }
    }
}

#[test]
fn a_rig_left_energised_is_made_safe_though_a_meter_is_missing() {
    for (wire, role) in [("drop", "drop meter"), ("loop", "loop meter")] {
        for now in [Now::Missing, Now::Silent, Now::Another] {
            paused(async {
                let mut stage = left_at_full_scale().await;
                harm(&mut stage, wire, now);
                let after = start(&mut stage).await;
                after.tells(&[&format!("{FOUND} and was made safe first; {role}")]);
                assert!(after.volts < 3e-3 && after.closed == 0, "{wire} {now:?}");
            });
        }
    }
}

#[test]
fn a_rig_left_energised_is_made_safe_though_the_potentiometers_are_missing() {
    paused(async {
        let mut stage = left_at_full_scale().await;
        let text = include_str!("../../rigs/simulated-digipots.toml");
        stage.rig = Arc::new(Rig::parse(text, "simulated-digipots.toml").unwrap());
        harm(&mut stage, "pots", Now::Missing);
        let after = start(&mut stage).await;
        after.tells(&[
            "the rig was found energised (the supply's output was on, ",
            "and was made safe first; potentiometers",
        ]);
        assert!(after.volts < 3e-3, "{} V", after.volts);
    });
}

#[test]
fn a_rig_left_energised_is_made_safe_though_the_reader_is_missing() {
    paused(async {
        let mut stage = left_at_full_scale().await;
        harm(&mut stage, "reader", Now::Missing);
        let after = start(&mut stage).await;
        after.tells(&[&format!("{FOUND} and was made safe first; reader")]);
        assert!(after.volts < 3e-3 && after.closed == 0);
    });
}

#[test]
fn a_rig_left_energised_is_switched_off_though_the_switch_is_missing() {
    for now in [Now::Missing, Now::Silent, Now::Another] {
        paused(async {
            let mut stage = left_at_full_scale().await;
            harm(&mut stage, "switch", now);
            let after = start(&mut stage).await;
            after.tells(&[
                "the rig was found energised (the supply's output was on)",
                "the supply was switched off, which a reading confirmed",
                "the contacts could not be released; switch",
            ]);
            assert!(after.volts < 3e-3, "{now:?}: {} V", after.volts);
            // Nothing was said to what is not the switch.
            assert_eq!(after.closed, 15, "{now:?}");
        });
    }
}

#[test]
fn a_rig_left_energised_is_disconnected_though_the_supply_is_missing() {
    for now in [Now::Missing, Now::Silent, Now::Another] {
        paused(async {
            let mut stage = left_at_full_scale().await;
            harm(&mut stage, "supply", now);
            let after = start(&mut stage).await;
            after.tells(&[
                "the rig was found energised (15 relays were energised)",
                "the contacts were released, which the switch confirmed",
                "whether the supply is off is not known: switch it off by hand; supply",
            ]);
            assert_eq!(after.closed, 0, "{now:?}");
            // Nothing was said to what is not the supply.
            assert!(after.volts > 1.0, "{now:?}: {} V", after.volts);
        });
    }
}

#[test]
fn a_rig_of_which_nothing_can_be_reached_is_told_of() {
    paused(async {
        let mut stage = left_at_full_scale().await;
        harm(&mut stage, "supply", Now::Missing);
        harm(&mut stage, "switch", Now::Another);
        let after = start(&mut stage).await;
        after.tells(&[
            "the contacts could not be released (",
            "GAUGE 9",
            "switch it off by hand; supply: there is no",
        ]);
    });
}

#[test]
fn what_could_not_be_confirmed_of_a_rig_left_energised_is_told() {
    for (missing, lies, question, answer, told) in [
        (
            "switch",
            "supply",
            ":OUTP?",
            "1",
            "that the supply is off could not be confirmed (",
        ),
        (
            "switch",
            "supply",
            ":MEAS:VOLT?",
            "2.5",
            "still gives 2.500 V",
        ),
        (
            "supply",
            "switch",
            ":ROUT:CLOS?",
            "banana",
            "that the contacts are released could not be confirmed (",
        ),
    ] {
        paused(async {
            let mut stage = left_at_full_scale().await;
            harm(&mut stage, missing, Now::Missing);
            answers(&mut stage, lies, question, Wrong::Answers(answer));
            let after = start(&mut stage).await;
            after.tells(&[
                told,
                "switch it off by hand",
                &format!("{missing}: there is no"),
            ]);
        });
    }
}

/// A supply that does not say whether it is on is told off all the same.
#[test]
fn a_supply_that_does_not_say_whether_it_is_on_is_switched_off() {
    paused(async {
        let mut stage = left_at_full_scale().await;
        harm(&mut stage, "switch", Now::Missing);
        answers(&mut stage, "supply", ":OUTP?", Wrong::Answers("banana"));
        let after = start(&mut stage).await;
        after.tells(&[
            "that the supply is off could not be confirmed (",
            "switch it off by hand",
        ]);
        assert!(after.volts < 3e-3, "{} V", after.volts);
    });
}

#[test]
fn of_a_rig_at_rest_nothing_more_is_told_than_what_is_missing() {
    for wire in ["supply", "drop", "loop", "switch"] {
        paused(async {
            let mut stage = Stage::new("heron");
            harm(&mut stage, wire, Now::Missing);
            let after = start(&mut stage).await;
            assert!(after.told.starts_with(wire), "{}", after.told);
            assert!(!after.told.contains(';'), "{}", after.told);
            assert_at_rest(&stage.truth());
        });
    }
}
