//! Nothing has a wire: supply, meter, leads and decade box are in a person's hands.

use super::scripted::{Types, does, honest, plugs};
use super::{Done, run_with};
use guard::{Fault, Rig};
use hw_sim::{Bench, Pool, find};
use std::sync::Arc;

const BY_HAND: &str = include_str!("../../rigs/by-hand.toml");

fn by_hand() -> Arc<Rig> {
    Arc::new(Rig::parse(BY_HAND, "by-hand.toml").unwrap())
}

/// The bench of that rig.
fn hands(name: &str, seed: u64) -> Bench {
    let bench = Bench::standard(&find(name).unwrap(), seed);
    bench.with_hand_meter(seed).with_decade_box(seed)
}

fn by(name: &str, seed: u64, types: Box<Types>) -> Done {
    run_with(by_hand(), hands(name, seed), types)
}

/// What the file promises holds, and what it reaches: 20 mA of fault current by the heavy resistor.
#[test]
fn the_rig_by_hand_passes_its_check() {
    let rig = by_hand();
    let review = rig.review();
    assert!(review.passed(), "{:?}", review.findings);
    assert!(rig.asks_people() && rig.read_by_person() && rig.probed_by_hand());
    let reach = review.reach.get();
    assert!((10e-3..20e-3).contains(&reach), "{reach}");
}

/// Reader, supply, meters, leads and decade box by hand, from the first question to the last: the same
/// figures, and no needle driven into a stop.
#[test]
fn a_whole_characterisation_by_hand_holds_the_truth() {
    // With the seeds above 200 readings of few digits come out the same again and again.
    let runs = [
        ("heron", 7),
        ("fennel", 8),
        ("gossamer", 9),
        ("heron", 202),
        ("fennel", 209),
    ];
    for (name, seed) in runs {
        let done = by(name, seed, honest());
        println!("{name}: {} questions", done.asked);
        done.assert_safe();
        done.assert_holds(name);
        assert!(done.asked < 300, "{} questions", done.asked);
        for told in ["hardly", " is not "] {
            assert!(!done.screen.contains(told), "{}", done.screen);
        }
        let half = done.findings.by_half_shunt.as_ref();
        if name == "heron" {
            let (low, high) = half.unwrap().interval95();
            let truth = done.run.truth.resistance.unwrap();
            assert!(
                low <= truth && truth <= high,
                "{low} to {high}, truly {truth}"
            );
        }
    }
}

/// A wrong resistor that is read, and a box that stands elsewhere, are told at once; the run then comes
/// out as ever. So are leads that have more than the file lets count.
#[test]
fn a_wrong_resistor_or_setting_that_is_read_is_told() {
    let (mut resistor, mut setting, mut leads) = (false, false, false);
    let types = move |_: usize, about: &str, bench: &mut Bench| {
        if about.contains("40.00 kΩ fixed resistor") && !std::mem::replace(&mut resistor, true) {
            // What another one has printed on it.
            return Some("4.00 kΩ".to_owned());
        }
        if about.contains("How much have they") && !std::mem::replace(&mut leads, true) {
            return Some("0.4 Ω".to_owned());
        }
        let typed = does(about, bench);
        if about.contains("Decade box") && !std::mem::replace(&mut setting, true) {
            return Some("999990 Ω".to_owned());
        }
        Some(typed)
    };
    let done = by("heron", 7, Box::new(types));
    done.assert_safe();
    done.assert_holds("heron");
    for told in [
        "4.000 kΩ is not the 40.00 kΩ (within 1.0 %)",
        "999990 Ω is not the 9999990 Ω",
        "400.0 mΩ is more than the 150.0 mΩ",
    ] {
        assert!(done.screen.contains(told), "{told}: {}", done.screen);
    }
}

/// Who types what was asked for, with something else plugged or set: each loop is measured before the
/// movement is in it, and there it shows. Not a microampere has reached the movement.
#[test]
fn a_wrong_resistor_or_setting_that_nobody_reads_shows_before_the_movement_is_connected() {
    type Wrong = fn(&str, &mut Bench) -> Option<String>;
    let box_too_low: Wrong = |about, bench| {
        let typed = about.contains("Decade box").then(|| does(about, bench));
        if typed.is_some() && bench.decades_read() == Some(680e3) {
            bench.turn_decade(1, 0);
        }
        typed
    };
    let box_too_high: Wrong = |about, bench| {
        let typed = about.contains("Decade box").then(|| does(about, bench));
        if typed.is_some() && bench.decades_read() == Some(680e3) {
            bench.turn_decade(0, 1);
        }
        typed
    };
    let sense: Wrong = |about, bench| {
        let typed = about
            .contains("sense resistor (tag")
            .then(|| plugs(about, bench));
        if typed.as_ref().is_some_and(|t| t.contains("10.00 kΩ")) {
            bench.plug(141, false);
            bench.plug(142, true);
        }
        typed
    };
    for (wrong, told) in [
        (box_too_low, "at most"),
        (box_too_high, "at least"),
        (sense, "at least"),
    ] {
        let types = move |_: usize, about: &str, bench: &mut Bench| {
            wrong(about, bench).or_else(|| Some(does(about, bench)))
        };
        let done = by("heron", 7, Box::new(types));
        done.assert_safe();
        let fault = done.fault().unwrap().to_string();
        assert!(fault.contains(told), "{fault}");
        assert!(done.screen.contains("can hardly be"), "{}", done.screen);
        assert!(
            done.screen.contains("without the movement"),
            "{}",
            done.screen
        );
        let peak = done.run.truth.peak_current;
        assert!(peak < 1e-8, "{peak} A reached the movement");
    }
}

/// At whatever question: q says to switch the supply off first; then it has to be off, and the leads come
/// out last.
#[test]
fn q_at_any_question_ends_with_the_supply_off_before_the_leads_are_pulled() {
    for after in [8, 14, 31, 60, 120] {
        let types = move |asked: usize, about: &str, bench: &mut Bench| {
            let typed = does(about, bench);
            let goes_on = asked != after;
            Some(if goes_on { typed } else { "q".to_owned() })
        };
        let done = by("heron", 7, Box::new(types));
        done.assert_safe();
        let fault = done.fault();
        assert!(
            matches!(fault, Some(Fault::Interrupted)),
            "{after}: {fault:?}"
        );
        let place = |text: &str| done.screen.rfind(text);
        let (ended, off) = (place("ended by q"), place("SWITCH THE SUPPLY OFF NOW"));
        let (confirmed, pulled) = (
            place("Is the supply's output off?"),
            place("pull out: both leads of the supply"),
        );
        assert!(
            ended.is_some() && ended < off && off < confirmed,
            "{after}: {}",
            done.screen
        );
        if pulled.is_some() {
            assert!(confirmed < pulled, "{after}: {}", done.screen);
        }
    }
}

/// Stuck, reversed, suppressed, absent, of any kind: what is there is driven into no stop.
#[test]
fn whatever_is_in_the_berth_hands_over_drive_nothing() {
    let mut complete = 0;
    for seed in 100..112 {
        let movement = hw_sim::random(seed, Pool::Any);
        let bench = Bench::standard(&movement, seed);
        let bench = bench.with_hand_meter(seed).with_decade_box(seed);
        let done = run_with(by_hand(), bench, honest());
        done.assert_safe();
        let plan = &done.run.end.as_ref().unwrap().plan;
        println!(
            "{seed}: {} questions, {plan:?} {:?}",
            done.asked,
            done.fault()
        );
        complete += usize::from(matches!(plan, Some(Ok(_))));
    }
    assert!(complete >= 9, "{complete} of 12");
}
