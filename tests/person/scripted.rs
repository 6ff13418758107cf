//! What somebody at the bench does and types, question by question.

use hw_sim::Bench;
use hw_sim::bench::{DROP, LOOP};
use hw_sim::hand::KNOBS;
use quantity::Ohms;

/// Numbers on the dial.
const FULL: f64 = 50.0;

/// What a person does and types, question by question; none to hang up.
pub type Types = dyn FnMut(usize, &str, &mut Bench) -> Option<String> + Send;

/// To a quarter of a division.
pub fn read(shown: f64) -> String {
    let quarters = (shown * FULL * 4.0).round();
    format!("{}", quarters / 4.0)
}

/// Does and types what is asked for. A knob stands within 4 mV of what the display shows.
pub fn does(about: &str, bench: &mut Bench) -> String {
    if about.contains("Where does the needle stand") {
        return read(bench.shown());
    }
    if about.contains("Meter on DC V") {
        return readings(about, bench);
    }
    if about.contains("(tag ") {
        return plugs(about, bench);
    }
    if about.contains("Decade box") {
        return sets_decades(about, bench);
    }
    if about.contains("How much have they") {
        return "35 mΩ".to_owned();
    }
    if about.contains("All leads out") {
        return "y".to_owned();
    }
    if let Some((_, to)) = about
        .split_once("Turn the supply")
        .and_then(|(_, a)| a.split_once(" to "))
        && about.contains("slowly")
    {
        let volts: f64 = to.split_once(" V").unwrap().0.parse().unwrap();
        let off = 4e-3 * (volts * 1e3).sin();
        let over = if about.contains("supply up") {
            23.0
        } else {
            46.0
        };
        bench.turn_knob((volts + off).max(0.0), over);
        pass(bench, over);
        return format!("{volts}");
    }
    if about.contains("display show") {
        pass(bench, 0.1);
        return format!("{:.2}", bench.output_volts());
    }
    let on = about.contains("output on");
    bench.turn_knob(0.0, 0.0);
    bench.press_output(on);
    "y".to_owned()
}

/// Moves leads as told, and reads what is printed on the resistors.
pub fn plugs(about: &str, bench: &mut Bench) -> String {
    let mut printed = Vec::new();
    for line in about.lines().map(str::trim) {
        let Some((order, tag)) = line.split_once(" (tag ") else {
            continue;
        };
        let (verb, what) = order.split_once(": ").unwrap();
        let plugged = match (verb, what.contains("clip")) {
            ("take off", clip) => clip,
            ("put on", _) | ("pull out", _) | ("uncross", _) => false,
            _ => true,
        };
        assert!(bench.plug(tag.trim_end_matches(')').parse().unwrap(), plugged));
        pass(bench, 5.0);
        if let Some((ohms, _)) = what.split_once("Ω ").filter(|_| plugged) {
            printed.push(format!("{ohms}Ω"));
        }
    }
    match printed.is_empty() {
        true => "y".to_owned(),
        false => printed.join(" "),
    }
}

/// Sets the knobs of the decade box as told, and reads what it stands at, in no time: instruments by wire
/// don't wait for what the bench's clock alone has let pass.
pub fn turns_decades(about: &str, bench: &mut Bench) -> String {
    for line in about.lines().map(str::trim) {
        let Some((step, setting)) = line.strip_prefix("x ").and_then(|l| l.split_once(": ")) else {
            continue;
        };
        let step: Ohms = step.parse().unwrap();
        let knob = KNOBS
            .iter()
            .position(|ohms| (step.get() / ohms - 1.0).abs() < 0.01);
        assert!(bench.turn_decade(knob.unwrap(), setting.parse().unwrap()));
    }
    format!("{} Ω", bench.decades_read().unwrap())
}

/// The same by somebody who takes his time.
pub fn sets_decades(about: &str, bench: &mut Bench) -> String {
    let stands = turns_decades(about, bench);
    pass(bench, 10.0);
    stands
}

/// Holds the meter where it is asked for, and types what it shows, by somebody who takes his time.
pub fn readings(about: &str, bench: &mut Bench) -> String {
    pass(bench, 10.0);
    holds_meter(about, bench)
}

/// The same in no time, as in [`turns_decades`].
pub fn holds_meter(about: &str, bench: &mut Bench) -> String {
    let mut typed = String::new();
    for (words, place) in [("sense resistor", LOOP), ("movement's own", DROP)] {
        if about.contains(words) {
            let volts = bench.hold_meter(place).unwrap();
            typed += &match volts.abs() < 0.6 {
                true => format!("{:.2} mV ", volts * 1e3),
                false => format!("{volts:.3} V "),
            };
        }
    }
    typed
}

/// What a person does takes so long, and the program gives it the time.
pub fn pass(bench: &mut Bench, seconds: f64) {
    let later = bench.truth().time + seconds;
    bench.advance((later * 1e9) as u64);
}

pub fn honest() -> Box<Types> {
    Box::new(|_, about, bench| Some(does(about, bench)))
}
