//! With a meter in the hand, on a bench with relays.

use super::scripted::{does, honest};
use super::{run_with, with_a_knob};
use guard::Rig;
use hw_sim::{Bench, find};
use std::sync::Arc;

/// As [`with_a_knob`], with one meter in the hand.
fn with_a_meter() -> Arc<Rig> {
    in_the_hand(&with_a_knob().text)
}

/// The rig of `text`, with one meter in the hand: 6000 counts, 0.3 % and two and a half of them.
pub fn in_the_hand(text: &str) -> Arc<Rig> {
    let (before, rest) = text.split_once("[meters.drop]").unwrap();
    let (_, after) = rest.split_once("[switch]").unwrap();
    let mut meters = String::new();
    for place in ["drop", "loop"] {
        meters += &format!(
            "[meters.{place}]\nresource = \"by hand\"\ninput = \"10 MΩ\"\nranges = [\n\
             {{ upper = \"60 mV\", gain = \"0.3 %\", offset = \"25 uV\", resolution = \"10 uV\" }},\n\
             {{ upper = \"0.6 V\", gain = \"0.3 %\", offset = \"250 uV\", resolution = \"0.1 mV\" }},\n\
             {{ upper = \"6 V\", gain = \"0.3 %\", offset = \"2.5 mV\", resolution = \"1 mV\" }},\n]\n"
        );
    }
    let text = format!("{before}{meters}[switch]{after}");
    Arc::new(Rig::parse(&text, "by-hand.toml").unwrap())
}

/// Reader, supply and meters by hand: the figures hold the truth, and say how well they do.
#[test]
fn a_person_with_a_meter_in_the_hand_gets_figures_that_hold_the_truth() {
    for (name, seed) in [("heron", 7), ("fennel", 8), ("gossamer", 9)] {
        let bench = Bench::standard(&find(name).unwrap(), seed).with_hand_meter(seed);
        let done = run_with(with_a_meter(), bench, honest());
        done.assert_safe();
        done.assert_holds(name);
        println!("{name}: {} questions", done.asked);
        assert!(done.asked < 250, "{} questions", done.asked);
        assert!(!done.screen.contains("hardly"), "{}", done.screen);
        // Needle and meters were asked for after each change of the current, before the next.
        let steps: Vec<&str> = done.screen.split("Turn the supply").skip(1).collect();
        let flows = |one: &&&str| !one.contains(" to 0.00 V") && !one.contains("but the sense");
        let driven: Vec<&&str> = steps.iter().filter(flows).collect();
        assert!(driven.len() > 20, "{}", driven.len());
        for one in driven {
            let asked = ["Where does the needle stand", "Meter on DC V"];
            assert!(asked.iter().all(|words| one.contains(words)), "{one}");
        }
    }
}

/// A unit left out, mV for V, the places exchanged, leads the wrong way round, a digit lost: asked again
/// each time, with the arithmetic, and the figures come out as if nothing had been typed.
#[test]
fn readings_that_can_not_be_are_asked_again_with_the_arithmetic() {
    let mut turn = 0;
    let types = move |_: usize, about: &str, bench: &mut Bench| {
        let typed = does(about, bench);
        let flows = about.contains("sense resistor") && bench.output_volts() > 1.0;
        if !flows || about.contains("Look again") || about.contains("no unit") {
            return Some(typed);
        }
        turn += 1;
        let words: Vec<&str> = typed.split_whitespace().collect();
        let [sense, unit, drop, other] = words[..] else {
            return Some(typed);
        };
        Some(match turn {
            4 => format!("{sense} {drop}"),
            8 => format!("{sense} V {drop} V"),
            12 => format!("{sense} {unit} {drop} V"),
            16 => format!("{drop} {other} {sense} {unit}"),
            20 => format!("-{sense} {unit} {drop} {other}"),
            18 => format!("{sense} {unit} 0.{} {other}", drop.replace('.', "")),
            _ => typed,
        })
    };
    let bench = Bench::standard(&find("heron").unwrap(), 7).with_hand_meter(7);
    let done = run_with(with_a_meter(), bench, Box::new(types));
    done.assert_safe();
    done.assert_holds("heron");
    for reason in [
        "has no unit",
        "the rest drives",
        "comes in at the red lead",
        "it had",
    ] {
        assert!(done.screen.contains(reason), "{reason}: {}", done.screen);
    }
    assert!(
        done.screen.matches("hardly").count() >= 4,
        "{}",
        done.screen
    );
}

/// Who looks again and reads the same is believed: what the rig file makes impossible ends the run.
#[test]
fn impossible_readings_that_stay_end_the_run() {
    for (factor, expected) in [(10.0, "at most"), (0.1, "at least")] {
        let types = move |_: usize, about: &str, bench: &mut Bench| {
            let typed = does(about, bench);
            let [sense, unit, drop, other] = typed.split_whitespace().collect::<Vec<_>>()[..]
            else {
                return Some(typed);
            };
            let wrong = sense.parse::<f64>().unwrap() * factor;
            match bench.output_volts() > 1.0 {
                true => Some(format!("{wrong} {unit} {drop} {other}")),
                false => Some(typed),
            }
        };
        let bench = Bench::standard(&find("heron").unwrap(), 7).with_hand_meter(7);
        let done = run_with(with_a_meter(), bench, Box::new(types));
        done.assert_safe();
        let fault = done.fault().unwrap().to_string();
        assert!(fault.contains(expected), "{fault}");
        assert_eq!(
            done.screen.matches("Look again").count(),
            1,
            "{}",
            done.screen
        );
    }
}
