//! What real wires do wrong, row by row, and the tests that show that it does no harm here. The
//! numbers are those of the project's list of pitfalls, each taken from a public report.

mod framing;
mod meters;
mod ports;
mod supplies;
mod usb;

use crate::promises::tests;

/// How a row is dealt with.
pub enum Row {
    /// By these tests.
    Tested(&'static [&'static str]),
    /// By these checks of `cargo xtask usb`, in an emulated machine.
    InGuest(&'static [&'static str]),
    /// It can't happen here, for this reason.
    NotHere(&'static str),
}
use Row::{InGuest, NotHere, Tested};

/// What `cargo xtask usb` runs.
const GUEST: &str = include_str!("../src/bin/usb-guest/main.rs");
/// Its checks, by module.
const CHECKS: [(&str, &str); 4] = [
    ("program", include_str!("../src/bin/usb-guest/program.rs")),
    ("quirks", include_str!("../src/bin/usb-guest/quirks.rs")),
    ("serial", include_str!("../src/bin/usb-guest/serial.rs")),
    ("tmc", include_str!("../src/bin/usb-guest/tmc.rs")),
];

/// Rows of the list.
const COUNT: usize = 82;

#[test]
fn every_pitfall_has_its_test_or_its_reason() {
    let tests = tests();
    let mut wrong = Vec::new();
    let groups = [
        framing::ROWS,
        ports::ROWS,
        usb::ROWS,
        supplies::ROWS,
        meters::ROWS,
    ];
    assert_eq!(groups.iter().map(|rows| rows.len()).sum::<usize>(), COUNT);
    for (place, (number, symptom, row)) in (1..).zip(groups.into_iter().flatten()) {
        if *number != place {
            wrong.push(format!("row {place} is missing or stands elsewhere"));
        }
        match row {
            Tested(names) => {
                let missing = names.iter().filter(|name| !tests.contains(**name));
                wrong.extend(missing.map(|name| format!("{number}, {symptom}: no test {name}")));
                if names.is_empty() {
                    wrong.push(format!("{number}, {symptom}: names no test"));
                }
            }
            InGuest(names) => {
                let missing = names.iter().filter(|name| !in_guest(name));
                wrong.extend(missing.map(|name| format!("{number}, {symptom}: no check {name}")));
                if names.is_empty() {
                    wrong.push(format!("{number}, {symptom}: names no check"));
                }
            }
            NotHere("") => {
                wrong.push(format!("{number}, {symptom}: gives no reason"));
            }
            NotHere(_) => {}
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Whether the program in the emulated machine has this check, `module::name`, and runs it.
fn in_guest(name: &str) -> bool {
    let module = name.split_once("::").map(|(module, _)| module);
    let text = CHECKS.iter().find(|(name, _)| Some(*name) == module);
    text.is_some_and(|(_, text)| is_run(name, GUEST, text))
}

/// Whether `list` names the check `module::name`, and the `text` of its module has it.
fn is_run(name: &str, list: &str, text: &str) -> bool {
    let has = |text: &str, start: &str| {
        let mut lines = text.lines().map(str::trim);
        // A comment begins otherwise.
        lines.any(|line| line.starts_with(start))
    };
    let check = name.split_once("::").map_or(name, |(_, check)| check);
    has(list, &format!("{name},")) && has(text, &format!("pub async fn {check}("))
}

#[test]
fn a_check_counts_where_it_stands_and_is_run() {
    assert!(in_guest("quirks::whole_packets"));
    for none in [
        "whole_packets",
        "tmc::whole_packets",
        "quirks::supply",
        "quirks::whole",
    ] {
        assert!(!in_guest(none), "{none}");
    }
    let text = "pub async fn late() -> Outcome {";
    for (list, run) in [("tmc::late,", true), ("// tmc::late,", false), ("", false)] {
        assert_eq!(is_run("tmc::late", list, text), run, "{list}");
        assert!(
            !is_run("tmc::late", list, "// pub async fn late()"),
            "{list}"
        );
    }
}

/// A reset makes many instruments deaf for seconds, and sets the current limit of some to their
/// highest.
#[test]
fn no_dialect_resets_an_instrument() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../rigs/dialects");
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        let said = text.lines().filter(|line| !line.starts_with('#'));
        for line in said {
            let line = line.to_ascii_uppercase();
            let resets = ["*RST", "SYST:PRES", "*RCL", "RCL1"]
                .iter()
                .find(|word| line.contains(*word));
            assert!(resets.is_none(), "{}: {line}", path.display());
        }
    }
}
