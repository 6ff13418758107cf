//! Some instruments with a wire, the others in a person's hands; and all marks by hand.

use super::meters::in_the_hand;
use super::scripted::{Types, holds_meter, honest, read, turns_decades};
use super::{Done, rig, run_to, run_with};
use guard::Rig;
use hw_sim::{Bench, find};
use procedure::{Depth, Outcome};
use std::sync::Arc;

const BY_HAND: &str = include_str!("../../rigs/by-hand.toml");

/// A rig by wire, but for the reader and the series bank: a decade box in the place of its relays.
fn with_a_box(text: &str) -> Arc<Rig> {
    let (before, rest) = text.split_once("[series]").unwrap();
    let (_, after) = rest.split_once("[sense]").unwrap();
    let (_, hands) = BY_HAND.split_once("[series.box]").unwrap();
    let (decades, _) = hands.split_once("[sense]").unwrap();
    let text = format!("{before}[series.box]{decades}[sense]{after}");
    Arc::new(Rig::parse(&text, "box.toml").unwrap())
}

/// Turns the box and reads the needle.
fn at_the_box() -> Box<Types> {
    Box::new(|_, about, bench| match about.contains("Decade box") {
        true => Some(turns_decades(about, bench)),
        false => Some(read(bench.shown())),
    })
}

/// The run came to its end, and its figures are within three standard uncertainties of the truth.
fn assert_finds(done: &Done, name: &str) {
    let plan = done.run.end.as_ref().unwrap().plan.as_ref();
    let fault = done.fault();
    assert!(
        matches!(plan, Some(Ok(Outcome::Complete))),
        "{name}: {plan:?} {fault:?}"
    );
    done.full_scale();
    let resistance = done.findings.resistance.as_ref().unwrap();
    let truth = done.run.truth.resistance.unwrap();
    let (found, u) = (resistance.value(), resistance.u());
    assert!(
        (found - truth).abs() < 3.0 * u,
        "{name}: {found} ± {u}, truly {truth}"
    );
}

/// The program sets the supply, reads the meters and moves the relays; a person turns the box and reads
/// the needle. The supply's own watchdog, which takes a second's silence for the end of the program, hears
/// something however long a knob takes.
#[test]
fn a_decade_box_by_hand_beside_instruments_by_wire_gets_figures_that_hold_the_truth() {
    for (name, seed) in [("heron", 7), ("fennel", 8)] {
        let bench = Bench::standard(&find(name).unwrap(), seed).with_decade_box(seed);
        let done = run_with(with_a_box(&rig().text), bench, at_the_box());
        println!("{name}: {} questions", done.asked);
        done.assert_safe();
        assert_finds(&done, name);
        assert!(done.screen.contains("Decade box"), "{}", done.screen);
        for not_asked in ["Turn the supply", "Meter on DC V", "(tag "] {
            assert!(!done.screen.contains(not_asked), "{}", done.screen);
        }
    }
}

/// The program sets the supply and moves the relays; a person holds the meter and reads the needle. Each
/// reading takes ten seconds, and silence for one of them would end the run by the supply's watchdog.
#[test]
fn a_meter_by_hand_beside_a_supply_by_wire_keeps_its_watchdog_quiet() {
    let bench = Bench::standard(&find("heron").unwrap(), 7).with_hand_meter(7);
    let types: Box<Types> = Box::new(|_, about, bench| {
        Some(match about.contains("Meter on DC V") {
            true => holds_meter(about, bench),
            false => read(bench.shown()),
        })
    });
    let done = run_with(in_the_hand(&rig().text), bench, types);
    println!("{} questions", done.asked);
    done.assert_safe();
    assert_finds(&done, "heron");
    assert!(done.screen.contains("Meter on DC V"), "{}", done.screen);
    for not_asked in ["Turn the supply", "Decade box", "(tag "] {
        assert!(!done.screen.contains(not_asked), "{}", done.screen);
    }
}

/// Half of what was asked for on the box: told at once, as beside a supply by hand, and set right.
#[test]
fn a_box_that_stands_elsewhere_is_told_beside_instruments_by_wire() {
    let mut slips = 1;
    let bench = Bench::standard(&find("heron").unwrap(), 7).with_decade_box(7);
    let mut honest = at_the_box();
    let done = run_with(
        with_a_box(&rig().text),
        bench,
        Box::new(move |asked, about, bench| {
            if about.contains("Decade box") && slips > 0 {
                slips -= 1;
                turns_decades(about, bench);
                return Some("1 kΩ".to_owned());
            }
            honest(asked, about, bench)
        }),
    );
    done.assert_safe();
    assert_finds(&done, "heron");
    assert!(done.screen.contains(" is not "), "{}", done.screen);
}

/// All marks, three repeats at full scale and two half-shunt pairs, with nothing by wire.
#[test]
fn all_marks_by_hand() {
    for (name, seed) in [("heron", 7), ("fennel", 8)] {
        let rig = Arc::new(Rig::parse(BY_HAND, "by-hand.toml").unwrap());
        let bench = Bench::standard(&find(name).unwrap(), seed)
            .with_hand_meter(seed)
            .with_decade_box(seed);
        let done = run_to(Depth::Full, rig, bench, honest());
        println!("{name}: {} questions", done.asked);
        done.assert_safe();
        done.assert_holds(name);
        let full_scale = done.findings.full_scale.as_ref().unwrap();
        assert!(full_scale.u() < 0.015 * full_scale.value());
        for told in ["hardly", " is not "] {
            assert!(!done.screen.contains(told), "{}", done.screen);
        }
    }
}
