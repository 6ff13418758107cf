//! A person who reads the needle at a terminal: a pseudo-terminal, and behind it somebody who looks at
//! the simulated needle and types what he sees, to a quarter of a division.

use evidence::Observation;
use guard::{Fault, Rig};
use hw_sim::bench::{DROP, LOOP};
use hw_sim::hand::KNOBS;
use hw_sim::{Bench, MovementSpec, Pool, SharedBench, find};
use movement::analysis::{Findings, analyse};
use needlerig::person::Terminal;
use needlerig::session::{Order, SIMULATED_RIG, Simulated, simulated};
use needlerig_tests::campaign::Tap;
use procedure::{Depth, Outcome};
use quantity::Ohms;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::sync::{Arc, Mutex};

/// The end of each question, and of nothing else.
const ASKED: &str = ":\r\n";
/// Shown when the run is over: whoever sits there gets up.
const OVER: &str = "over and out";
/// Numbers on the dial.
const FULL: f64 = 50.0;

/// A terminal as people have it: with lines, and an echo. The person's end and the program's.
fn terminal() -> (File, File) {
    let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
    let person = openpt(flags).unwrap();
    grantpt(&person).unwrap();
    unlockpt(&person).unwrap();
    let path = ptsname(&person, Vec::new()).unwrap();
    let program = OpenOptions::new()
        .read(true)
        .write(true)
        .open(path.to_str().unwrap())
        .unwrap();
    (File::from(person), program)
}

fn rig() -> Arc<Rig> {
    let reader = "kind = \"person\"\nfull_scale = \"50\"\ndivision = \"1\"\nshared = \"0.2 %\"";
    let text = SIMULATED_RIG.replace("kind = \"camera\"\nsource = \"INPROC::camera\"", reader);
    assert_ne!(text, SIMULATED_RIG);
    Arc::new(Rig::parse(&text, "by-eye.toml").unwrap())
}

/// What a person does and types, question by question; none to hang up.
type Types = dyn FnMut(usize, &str, &mut Bench) -> Option<String> + Send;

/// To a quarter of a division.
fn read(shown: f64) -> String {
    let quarters = (shown * FULL * 4.0).round();
    format!("{}", quarters / 4.0)
}

struct Done {
    run: Simulated,
    kept: Vec<Observation>,
    findings: Findings,
    /// All that the terminal showed.
    screen: String,
    /// Questions asked.
    asked: usize,
}

impl Done {
    fn fault(&self) -> Option<&Fault> {
        let ending = self.run.end.as_ref().unwrap().ending.as_ref().unwrap();
        ending.fault.as_ref()
    }

    /// Full-scale current and its standard uncertainty, which must hold the truth.
    fn full_scale(&self) -> (f64, f64) {
        let figure = self.findings.full_scale.as_ref().unwrap();
        let truth = self.run.truth.full_scale_current.unwrap();
        let (found, u) = (figure.value(), figure.u());
        assert!(
            (found - truth).abs() < 3.0 * u,
            "{found} ± {u}, truly {truth}"
        );
        (found, u)
    }

    /// The run came to its end, and full-scale current and resistance hold the truth within their 95 %
    /// intervals.
    fn assert_holds(&self, name: &str) {
        let plan = self.run.end.as_ref().unwrap().plan.as_ref();
        let fault = self.fault();
        assert!(
            matches!(plan, Some(Ok(Outcome::Complete))),
            "{name}: {plan:?} {fault:?}"
        );
        let (found, truth) = (&self.findings, &self.run.truth);
        for (figure, truth) in [
            (&found.full_scale, truth.full_scale_current.unwrap()),
            (&found.resistance, truth.resistance.unwrap()),
        ] {
            let figure = figure.as_ref().unwrap();
            let (low, high) = figure.interval95();
            assert!(
                low <= truth && truth <= high,
                "{name}: {low} to {high}, truly {truth}"
            );
            assert!(high - low < 0.05 * truth, "{name}: {low} to {high}");
        }
    }

    fn assert_safe(&self) {
        let truth = &self.run.truth;
        assert!(truth.safe, "{truth:?}");
        assert!(truth.peak_deflection <= 1.04, "{}", truth.peak_deflection);
        assert_eq!(truth.driven_stop_hits, 0);
    }
}

fn run(movement: &MovementSpec, seed: u64, types: Box<Types>) -> Done {
    run_on(rig(), movement, seed, types)
}

fn run_on(rig: Arc<Rig>, movement: &MovementSpec, seed: u64, types: Box<Types>) -> Done {
    run_with(rig, Bench::standard(movement, seed), types)
}

fn run_with(rig: Arc<Rig>, bench: Bench, mut types: Box<Types>) -> Done {
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let (mut person, program) = terminal();
    let needle = Arc::clone(&bench);
    let sitting = std::thread::spawn(move || {
        let (mut screen, mut looked, mut asked) = (String::new(), 0, 0);
        let mut chunk = [0; 4096];
        while let Ok(count @ 1..) = person.read(&mut chunk) {
            screen += &String::from_utf8_lossy(&chunk[..count]);
            if screen.ends_with(OVER) {
                break;
            }
            while let Some(at) = screen[looked..].find(ASKED) {
                let about = screen[looked..looked + at].to_owned();
                looked += at + ASKED.len();
                let line = types(asked, &about, &mut needle.lock().unwrap());
                let Some(line) = line else {
                    return (screen, asked);
                };
                asked += 1;
                if person.write_all(format!("{line}\n").as_bytes()).is_err() {
                    return (screen, asked);
                }
            }
        }
        (screen, asked)
    });
    let (quit, stop) = tokio::sync::watch::channel(false);
    let mut end = program.try_clone().unwrap();
    let terminal = Terminal {
        input: Box::new(program.try_clone().unwrap()),
        output: Box::new(program),
    };
    let order = Order::new(Arc::clone(&rig), Depth::Quick, stop).asking(terminal, quit);
    let tap = Tap::default();
    let run = simulated(&order, &bench, true, Box::new(tap.clone()), |_| {}).unwrap();
    let kept = tap.take();
    let findings = analyse(&rig.statement(), &kept);
    end.write_all(OVER.as_bytes()).unwrap();
    let (screen, asked) = sitting.join().unwrap();
    Done {
        run,
        kept,
        findings,
        screen,
        asked,
    }
}

/// Does and types what is asked for. A knob stands within 4 mV of what the display shows.
fn does(about: &str, bench: &mut Bench) -> String {
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
fn plugs(about: &str, bench: &mut Bench) -> String {
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

/// Sets the knobs of the decade box as told, and reads what it stands at.
fn sets_decades(about: &str, bench: &mut Bench) -> String {
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
    pass(bench, 10.0);
    format!("{} Ω", bench.decades_read().unwrap())
}

/// Holds the meter where it is asked for, and types what it shows.
fn readings(about: &str, bench: &mut Bench) -> String {
    let mut typed = String::new();
    for (words, place) in [("sense resistor", LOOP), ("movement's own", DROP)] {
        if about.contains(words) {
            pass(bench, 10.0);
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
fn pass(bench: &mut Bench, seconds: f64) {
    let later = bench.truth().time + seconds;
    bench.advance((later * 1e9) as u64);
}

fn honest() -> Box<Types> {
    Box::new(|_, about, bench| Some(does(about, bench)))
}

/// With the same procedure as before a camera. What a quarter of a division leaves open is in the
/// budget, and each answer lets the current double at most.
#[test]
fn a_person_at_a_terminal_gets_the_figures_of_the_rig() {
    for (name, seed) in [
        ("heron", 7),
        ("fennel", 8),
        ("gossamer", 9),
        ("burdock", 10),
    ] {
        let done = run(&find(name).unwrap(), seed, honest());
        done.assert_safe();
        let plan = done.run.end.as_ref().unwrap().plan.as_ref().unwrap();
        assert!(matches!(plan, Ok(Outcome::Complete)), "{name}: {plan:?}");
        let (found, u) = done.full_scale();
        assert!(u / found < 0.01, "{name}: {u}");
        let (mut most, mut answers) = (1e-6_f64, 0);
        for one in &done.kept {
            let current = one.loop_current().map_or(0.0, |i| i.get().abs());
            assert!(current <= most * 2.05, "{name}: {current} A after {most} A");
            if one.needle.is_some() {
                answers += 1;
                most = most.max(current);
            }
        }
        assert!(answers > 15 && answers < 200, "{name}: {answers}");
    }
}

/// Words, nothing, numbers off the scale, control characters, and a place where the needle can't be:
/// asked again each time, with the reason, and the run comes out as if nothing had been said.
#[test]
fn what_can_not_be_is_asked_again_with_the_reason() {
    let mut wrong = [
        "about a quarter",
        "",
        "12 13",
        "500",
        "-40 %",
        "\u{1b}[A\u{7}",
        "nan",
    ]
    .iter();
    let types = move |asked: usize, about: &str, bench: &mut Bench| {
        let shown = bench.shown();
        if let Some(wrong) = wrong.next() {
            return Some((*wrong).to_owned());
        }
        let again = about.contains("can hardly be");
        if asked.is_multiple_of(5) && !again && shown > 0.2 {
            return Some(read(if shown > 0.5 { 0.1 } else { 0.9 }));
        }
        Some(read(shown))
    };
    let done = run(&find("heron").unwrap(), 7, Box::new(types));
    done.assert_safe();
    assert!(done.fault().is_none(), "{:?}", done.fault());
    let plan = done.run.end.as_ref().unwrap().plan.as_ref().unwrap();
    assert!(matches!(plan, Ok(Outcome::Complete)), "{plan:?}");
    for reason in ["no number", "off the scale", "can hardly be"] {
        assert!(done.screen.contains(reason), "{reason}: {}", done.screen);
    }
    let doubted = done.screen.matches("can hardly be").count();
    assert!(
        doubted >= 3,
        "{doubted} of {} answers were doubted",
        done.asked
    );
}

/// Who looks again and says the same is believed: a needle above its ceiling ends the run.
#[test]
fn the_same_answer_again_is_taken_as_it_is() {
    let types = |_: usize, _: &str, bench: &mut Bench| {
        let shown = bench.shown();
        Some(if shown > 0.3 {
            "110 %".to_owned()
        } else {
            read(shown)
        })
    };
    let done = run(&find("heron").unwrap(), 7, Box::new(types));
    done.assert_safe();
    assert!(
        matches!(done.fault(), Some(Fault::BeyondCeiling(_))),
        "{:?}",
        done.fault()
    );
    assert_eq!(done.screen.matches("can hardly be").count(), 1);
}

/// q, or a terminal that is gone, ends the run at once, whatever flows; what was seen is kept.
#[test]
fn q_or_nobody_there_ends_the_run_safe() {
    for (line, told) in [(Some("q"), "ended by q"), (Some("\u{4}"), "nobody answers")] {
        for after in [0, 3, 9] {
            let types = move |asked: usize, about: &str, bench: &mut Bench| match asked {
                asked if asked >= after => line.map(str::to_owned),
                _ => Some(does(about, bench)),
            };
            let done = run(&find("heron").unwrap(), 7, Box::new(types));
            done.assert_safe();
            assert!(
                matches!(done.fault(), Some(Fault::Interrupted)),
                "{:?}",
                done.fault()
            );
            assert!(done.screen.contains(told), "{}", done.screen);
            assert!(
                done.screen.contains("the rig is made safe"),
                "{}",
                done.screen
            );
            assert_eq!(done.asked, after + 1);
        }
    }
}

/// Stuck, reversed, suppressed, absent, of any kind: whatever is in the berth, the answers of a person
/// who sees what is there drive nothing into a stop.
#[test]
fn whatever_is_in_the_berth_a_person_over_drives_nothing() {
    let mut complete = 0;
    for seed in 100..124 {
        let done = run(&hw_sim::random(seed, Pool::Any), seed, honest());
        done.assert_safe();
        let plan = &done.run.end.as_ref().unwrap().plan;
        complete += usize::from(matches!(plan, Some(Ok(Outcome::Complete))));
    }
    assert!(complete >= 12, "{complete} of 24");
}

/// As [`rig`], with a supply that has a knob and shows 10 mV.
fn with_a_knob() -> Arc<Rig> {
    let text = rig().text.clone();
    let mut changed = text.clone();
    for (old, new) in [
        ("resource = \"INPROC::supply\"", "resource = \"by hand\""),
        (
            "dialect = \"simulated-supply\"",
            "dialect = \"by-hand-supply\"",
        ),
        ("resolution = \"0.1 mV\"", "resolution = \"10 mV\""),
        ("offset = \"1 mV\"", "offset = \"6 mV\""),
        ("overshoot = \"2 %\"", "overshoot = \"5 %\""),
        // What is known less well needs more room above the mark.
        ("ceiling = \"102 %\"", "ceiling = \"104 %\""),
    ] {
        assert!(changed.contains(old), "{old}");
        changed = changed.replacen(old, new, 1);
    }
    Arc::new(Rig::parse(&changed, "by-hand.toml").unwrap())
}

/// A person sets the supply and reads the needle: the same procedure, the same figures.
#[test]
fn a_person_who_sets_the_supply_gets_the_figures_of_the_rig() {
    for (name, seed) in [("heron", 7), ("fennel", 8)] {
        let done = run_on(with_a_knob(), &find(name).unwrap(), seed, honest());
        done.assert_safe();
        let plan = done.run.end.as_ref().unwrap().plan.as_ref();
        assert!(
            matches!(plan, Some(Ok(Outcome::Complete))),
            "{name}: {plan:?} {:?}",
            done.fault()
        );
        done.full_scale();
        assert!(
            done.screen.contains("SWITCH THE SUPPLY OFF NOW"),
            "{}",
            done.screen
        );
        assert!(done.asked < 250, "{} questions", done.asked);
    }
}

/// A value that is not what was asked for, or none, is asked for again; q ends the run with the words
/// what to switch off first, and the run waits until the person says that it is off.
#[test]
fn a_supply_that_is_set_wrong_is_told_and_q_says_what_to_switch_off_first() {
    let mut wrong = ["soon", "", "99", "nan", "0.01"].iter();
    let types = move |asked: usize, about: &str, bench: &mut Bench| {
        if about.contains("Turn the supply up")
            && let Some(wrong) = wrong.next()
        {
            return Some((*wrong).to_owned());
        }
        let ending = about.contains("output off") || about.contains("display show");
        if asked > 60 && !ending {
            return Some("q".to_owned());
        }
        Some(does(about, bench))
    };
    let done = run_on(with_a_knob(), &find("heron").unwrap(), 7, Box::new(types));
    done.assert_safe();
    assert!(
        matches!(done.fault(), Some(Fault::Interrupted)),
        "{:?}",
        done.fault()
    );
    for told in [
        "\"soon\" is no number",
        "\"\" is no number",
        "beyond what",
        "0.01 V is not",
    ] {
        assert!(done.screen.contains(told), "{told}: {}", done.screen);
    }
    let place = |text: &str| done.screen.rfind(text).unwrap();
    let (ended, off) = (place("ended by q"), place("SWITCH THE SUPPLY OFF NOW"));
    assert!(ended < off && off < place("Is the supply's output off?"));
}

/// As [`with_a_knob`], with one meter in the hand: 6000 counts, 0.3 % and two and a half of them.
fn with_a_meter() -> Arc<Rig> {
    let text = with_a_knob().text.clone();
    let (before, rest) = text.split_once("[meters.drop]").unwrap();
    let (_, after) = rest.split_once("[switch]").unwrap();
    let mut meters = String::new();
    for place in ["drop", "loop"] {
        meters += &format!(
            "[meters.{place}]\nresource = \"by hand\"\ninput = \"10 MΩ\"\nranges = [\n\
             {{ upper = \"60 mV\", gain = \"0.3 %\", offset = \"25 uV\" }},\n\
             {{ upper = \"0.6 V\", gain = \"0.3 %\", offset = \"250 uV\" }},\n\
             {{ upper = \"6 V\", gain = \"0.3 %\", offset = \"2.5 mV\" }},\n]\n"
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
        let moves = done.screen.split("Turn the supply").skip(1);
        for one in moves.filter(|one| !one.contains(" to 0.00 V") && one.contains("Turn")) {
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

/// Nothing has a wire: supply, meter, leads and decade box are in a person's hands.
const BY_HAND: &str = include_str!("../rigs/by-hand.toml");

fn by_hand() -> Arc<Rig> {
    Arc::new(Rig::parse(BY_HAND, "by-hand.toml").unwrap())
}

/// The bench of that rig.
fn hands(name: &str, seed: u64) -> Bench {
    let bench = Bench::standard(&find(name).unwrap(), seed);
    bench.with_hand_meter(seed).with_decade_box(seed)
}

/// Reader, supply, meters, leads and decade box by hand, from the first question to the last: the same
/// figures, and no needle driven into a stop.
#[test]
fn a_whole_characterisation_by_hand_holds_the_truth() {
    for (name, seed) in [("heron", 7), ("fennel", 8), ("gossamer", 9)] {
        let done = run_with(by_hand(), hands(name, seed), honest());
        println!("{}", done.screen);
        println!("{name}: {} questions", done.asked);
        done.assert_safe();
        done.assert_holds(name);
        assert!(done.asked < 300, "{} questions", done.asked);
        assert!(!done.screen.contains(" is not "), "{}", done.screen);
    }
}
