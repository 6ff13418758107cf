//! A person who reads the needle at a terminal: a pseudo-terminal, and behind it somebody who looks at
//! the simulated needle and types what he sees, to a quarter of a division.

mod hands;
mod meters;
mod mixed;
mod scripted;

use evidence::Observation;
use guard::{Fault, Rig};
use hw_sim::{Bench, MovementSpec, Pool, SharedBench, find};
use movement::analysis::{Findings, analyse};
use needlerig::person::Terminal;
use needlerig::session::{Order, SIMULATED_RIG, Simulated, simulated};
use needlerig_tests::campaign::Tap;
use procedure::{Depth, Outcome};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use scripted::{Types, does, honest, read};
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::sync::{Arc, Mutex};

/// The end of each question, and of nothing else.
const ASKED: &str = ":\r\n";
/// Shown when the run is over: whoever sits there gets up.
const OVER: &str = "over and out";

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
            assert!(high - low < 0.06 * truth, "{name}: {low} to {high}");
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

fn run_with(rig: Arc<Rig>, bench: Bench, types: Box<Types>) -> Done {
    run_to(Depth::Quick, rig, bench, types)
}

fn run_to(depth: Depth, rig: Arc<Rig>, bench: Bench, mut types: Box<Types>) -> Done {
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
    let order = Order::new(Arc::clone(&rig), depth, stop).asking(terminal, quit);
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
