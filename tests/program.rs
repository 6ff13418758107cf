//! The program as a person runs it: what it prints, what it keeps, how it ends.

mod dials;
mod endings;
mod faults;
pub mod watched;

use needlerig::session::PICTURELESS_RIG;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The program, built beside this test by `cargo test --workspace`.
pub fn program() -> PathBuf {
    let test = std::env::current_exe().unwrap();
    let folder = test.parent().unwrap().parent().unwrap();
    static BUILT: std::sync::Once = std::sync::Once::new();
    BUILT.call_once(|| {
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let done = Command::new(cargo)
            .args(["build", "--quiet", "--locked", "-p", "needlerig"])
            .status();
        assert!(done.unwrap().success());
    });
    let program = folder.join("needlerig");
    assert!(
        program.is_file(),
        "build it first: cargo build -p needlerig"
    );
    program
}

/// A file of the simulated rig without pictures, in every folder: a hundred times faster.
const PICTURELESS: &str = "pictureless.toml";

fn run(folder: &Path, arguments: &[&str]) -> Output {
    std::fs::write(folder.join(PICTURELESS), &*PICTURELESS_RIG).unwrap();
    Command::new(program())
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

/// Runs with `--json` and gives exit code and the one object.
fn json(folder: &Path, arguments: &[&str]) -> (i32, Value) {
    let output = run(folder, &[arguments, &["--json"]].concat());
    let text = String::from_utf8(output.stdout).unwrap();
    let object = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}"));
    (output.status.code().unwrap(), object)
}

/// Whether an interval of twice the stated width holds the truth: 95 % intervals miss it in one
/// run of twenty, these in one of ten thousand.
fn near(figure: &Value, truth: &Value) -> bool {
    let number = |key: &str| figure[key].as_f64().unwrap();
    let (low, high, value) = (number("low95"), number("high95"), number("value"));
    (2.0 * low - value..=2.0 * high - value).contains(&truth.as_f64().unwrap())
}

#[test]
fn the_first_command_needs_no_options_and_is_right() {
    let folder = tempfile::tempdir().unwrap();
    let (code, object) = json(folder.path(), &["characterize", "--seed", "7"]);
    assert_eq!(code, 0, "{object}");
    for key in [
        "label",
        "kind",
        "full_scale_current",
        "resistance",
        "resistance_by",
        "drop_at_full_scale",
        "warnings",
        "record",
        "truth",
    ] {
        assert!(!object[key].is_null(), "{key} is missing");
    }
    let truth = &object["truth"];
    assert!(
        near(&object["full_scale_current"], &truth["full_scale_current"]),
        "{object}"
    );
    assert!(
        near(&object["resistance"], &truth["resistance"]),
        "{object}"
    );
    assert!(truth["peak_deflection"].as_f64().unwrap() <= 1.02);
    assert_eq!(object["kind"], "bare_moving_coil");
    let by = &object["resistance_by"];
    let exact = by["half_shunt"]["value"].as_f64().unwrap();
    let plain = by["half_shunt_uncorrected"]["value"].as_f64().unwrap();
    // Half deflection alone is low by Rm/(Rs + Rm) (common practice); here about 2 %.
    assert!(
        (0.005..0.05).contains(&(1.0 - plain / exact)),
        "{plain} against {exact}"
    );
    let page = run(folder.path(), &["records", "show", "1"]);
    assert!(String::from_utf8_lossy(&page.stdout).contains("full-scale current"));
    let again = run(folder.path(), &["records", "rework", "1"]);
    assert!(String::from_utf8_lossy(&again.stdout).contains("same as before"));
    let csv = run(folder.path(), &["records", "export", "1", "--csv"]);
    assert!(String::from_utf8_lossy(&csv.stdout).lines().count() > 1000);
}

#[test]
fn the_same_seed_gives_the_same_figures() {
    let folder = tempfile::tempdir().unwrap();
    let once = |_| {
        let (_, mut object) = json(
            folder.path(),
            &[
                "characterize",
                "--movement",
                "random",
                "--seed",
                "11",
                "--quick",
            ],
        );
        object["record"] = Value::Null;
        object
    };
    assert_eq!(once(1), once(2));
}

/// A quick run, with what its figures are.
fn quick(folder: &Path, arguments: &[&str]) -> (i32, Value) {
    let (code, mut object) = json(
        folder,
        &[&["characterize", "--seed", "5", "--quick"], arguments].concat(),
    );
    object["record"] = Value::Null;
    (code, object)
}

/// Without the reader that made them, recorded sightings lead to the same figures.
#[test]
fn recorded_sightings_play_the_run_again() {
    let folder = tempfile::tempdir().unwrap();
    let text = PICTURELESS_RIG
        .replace("kind = \"wire\"", "kind = \"replay\"")
        .replace("resource = \"INPROC::reader\"", "recording = \"seen.txt\"");
    std::fs::write(folder.path().join("replay.toml"), text).unwrap();
    let (code, seen) = quick(folder.path(), &[PICTURELESS, "--sightings", "seen.txt"]);
    assert_eq!(code, 0, "{seen}");
    let (code, played) = quick(folder.path(), &["replay.toml"]);
    assert_eq!(code, 0, "{played}");
    for figure in ["full_scale_current", "resistance"] {
        let value = |object: &Value| object[figure]["value"].as_f64().unwrap();
        let off = value(&played) / value(&seen) - 1.0;
        assert!(off.abs() < 1e-6, "{figure}: {off}");
    }
    // Another movement is not what was seen.
    let other = ["replay.toml", "--movement", "gossamer"];
    let (_, other) = quick(folder.path(), &other);
    assert_ne!(other["full_scale_current"], seen["full_scale_current"]);
}

/// A recording is blind to a real movement.
#[test]
fn a_recording_reads_no_real_movement() {
    let folder = tempfile::tempdir().unwrap();
    let text = PICTURELESS_RIG
        .replace("simulated = true", "simulated = false")
        .replace("kind = \"wire\"", "kind = \"replay\"")
        .replace("resource = \"INPROC::reader\"", "recording = \"seen.txt\"");
    std::fs::write(folder.path().join("replay.toml"), text).unwrap();
    let output = run(folder.path(), &["rig", "check", "replay.toml"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("real movement"), "{said}");
}

#[test]
fn nothing_to_measure_ends_with_3_and_the_right_kind() {
    let folder = tempfile::tempdir().unwrap();
    for (movement, kind) in [
        ("hollow", "open_or_nothing"),
        ("nobody", "open_or_nothing"),
        ("boulder", "stuck_needle"),
    ] {
        let (code, object) = json(
            folder.path(),
            &[
                "characterize",
                PICTURELESS,
                "--movement",
                movement,
                "--seed",
                "3",
            ],
        );
        assert_eq!(
            (code, object["kind"].as_str().unwrap()),
            (3, kind),
            "{object}"
        );
        assert!(object["full_scale_current"]["value"].is_null());
        assert!(object["full_scale_current"]["reason"].is_string());
    }
}

#[test]
fn swapped_leads_are_found_and_measured() {
    let folder = tempfile::tempdir().unwrap();
    let (code, object) = json(
        folder.path(),
        &[
            "characterize",
            PICTURELESS,
            "--movement",
            "widdershins",
            "--seed",
            "3",
        ],
    );
    assert_eq!(code, 0, "{object}");
    assert!(object["warnings"].to_string().contains("wrong way round"));
}

#[test]
fn a_wrong_rig_file_is_told_with_line_and_column() {
    let good = include_str!("../rigs/simulated.toml");
    let wrong = [
        ("first_touch = \"1 uA\"", "first_touch = \"1 uV\"", "1 uV"),
        (
            "{ ohms = \"3 MΩ\", tolerance = \"1 %\", power = \"0.25 W\", channel = 121 }",
            "{ ohms = \"3 MΩ\", tolerance = \"1 %\", channel = 121 }",
            "power",
        ),
        ("fixed = \"40 kΩ\"", "fixed = \"-40 kΩ\"", "above zero"),
        ("growth = \"50 %\"", "grwth = \"50 %\"", "grwth"),
        ("INPROC::loop", "INPROC::drop", "same address"),
    ];
    let folder = tempfile::tempdir().unwrap();
    for (from, to, said) in wrong {
        assert!(good.contains(from), "{from}");
        std::fs::write(folder.path().join("rig.toml"), good.replace(from, to)).unwrap();
        let output = run(folder.path(), &["characterize", "rig.toml"]);
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{text}");
        assert!(
            text.starts_with("rig.toml:") && text.contains(said) && text.contains('^'),
            "{text}"
        );
        let (code, object) = json(folder.path(), &["characterize", "rig.toml"]);
        assert_eq!((code, object["exit"].as_i64()), (2, Some(2)));
        assert!(
            !folder.path().join("needlerig.sqlite").exists(),
            "nothing was begun"
        );
    }
}

#[test]
fn usage_store_and_link_errors_have_their_codes_and_one_object() {
    let folder = tempfile::tempdir().unwrap();
    let cases: [(&[&str], i32); 4] = [
        (&["characterize", "--nonsense"], 2),
        (&["characterize", "--movement", "no such"], 2),
        (&["characterize", "--store", "no/such/folder/x.sqlite"], 5),
        (&["records", "show", "1", "--store", "none.sqlite"], 5),
    ];
    for (arguments, wanted) in cases {
        let (code, object) = json(folder.path(), arguments);
        assert_eq!(code, wanted, "{object}");
        assert!(object["error"].is_string());
    }
    // Nothing listens on these ports: a link error, and nothing energised.
    let dead = include_str!("../rigs/simulated-tcp.toml").replace("::502", "::1");
    std::fs::write(folder.path().join("dead.toml"), dead).unwrap();
    let (code, object) = json(folder.path(), &["characterize", "dead.toml"]);
    assert_eq!(code, 4, "{object}");
}
