//! How the program ends when it is stopped, asked the wrong thing, or not listened to.

use super::{PICTURELESS, json, program, run};
use needlerig::session::PICTURELESS_RIG;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::process::{Command, Stdio};

/// Starts a run in real time, sends `signal` once `phase` shows, and gives exit code and object.
fn interrupted(folder: &Path, signal: &str, phase: &str) -> (i32, Value) {
    let mut child = Command::new(program())
        .current_dir(folder)
        .args(["characterize", "--seed", "5", "--real-time", "--json"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut told = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    while !line.contains(phase) {
        assert!(told.read_line(&mut line).unwrap() > 0, "{line}");
    }
    let done = Command::new("kill")
        .args([signal, &child.id().to_string()])
        .status();
    assert!(done.unwrap().success());
    let mut text = String::new();
    child
        .stdout
        .take()
        .unwrap()
        .read_to_string(&mut text)
        .unwrap();
    let code = child.wait().unwrap().code().unwrap();
    (code, serde_json::from_str(&text).unwrap())
}

#[test]
fn a_signal_ends_the_run_with_130_and_the_record_says_so() {
    for (signal, phase, seen) in [
        ("-INT", "creep", true),
        ("-TERM", "zero", false),
        ("-HUP", "zero", false),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let (code, object) = interrupted(folder.path(), signal, phase);
        assert_eq!(
            (code, object["exit"].as_i64()),
            (130, Some(130)),
            "{object}"
        );
        assert_eq!(object["error"], "interrupted");
        assert_eq!(object["truth"]["stop_hits"], 0);
        let (code, list) = json(folder.path(), &["records", "list"]);
        assert_eq!(code, 0);
        let record = &list["records"][0];
        assert_eq!(record["label"], "heron", "{list}");
        assert_eq!(record["outcome"], "interrupted", "{list}");
        assert!(
            !seen || record["observations"].as_u64().unwrap() > 20,
            "{list}"
        );
    }
}

#[test]
fn a_real_rig_is_not_energised_when_nobody_answers() {
    let folder = tempfile::tempdir().unwrap();
    let real = include_str!("../../rigs/simulated-tcp.toml")
        .replace("simulated = true", "simulated = false");
    std::fs::write(folder.path().join("real.toml"), real).unwrap();
    let output = Command::new(program())
        .current_dir(folder.path())
        .args(["characterize", "real.toml"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let told = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{told}");
    for word in [
        "hawser",
        "13.75 A",
        "radium",
        "mains",
        "not fitted",
        "--yes",
    ] {
        assert!(told.contains(word), "no {word}: {told}");
    }
    assert!(!folder.path().join("needlerig.sqlite").exists());
}

#[test]
fn simulated_and_real_instruments_do_not_mix() {
    let folder = tempfile::tempdir().unwrap();
    let mixed = include_str!("../../rigs/simulated-tcp.toml")
        .replace("TCPIP::127.0.0.1::5029::SOCKET", "INPROC::reader");
    std::fs::write(folder.path().join("mixed.toml"), mixed).unwrap();
    for command in [
        &["characterize", "mixed.toml"][..],
        &["rig", "check", "mixed.toml"],
    ] {
        let (code, object) = json(folder.path(), command);
        assert_eq!(code, 2);
        assert!(object["error"].to_string().contains("INPROC"), "{object}");
    }
}

#[test]
fn simulation_options_do_not_go_with_instruments_elsewhere() {
    let folder = tempfile::tempdir().unwrap();
    let rig = include_str!("../../rigs/simulated-tcp.toml");
    std::fs::write(folder.path().join("rig.toml"), rig).unwrap();
    for option in [["--movement", "heron"], ["--seed", "1"]] {
        let (code, object) = json(
            folder.path(),
            &[&["characterize", "rig.toml"], &option[..]].concat(),
        );
        assert_eq!(code, 2, "{object}");
        assert!(
            object["error"].to_string().contains("--movement"),
            "{object}"
        );
    }
}

#[test]
fn a_rig_that_must_not_be_used_is_told_in_one_object() {
    let folder = tempfile::tempdir().unwrap();
    let (code, object) = json(folder.path(), &["rig", "check"]);
    assert_eq!((code, object["passed"].as_bool()), (0, Some(true)));
    assert_eq!(object["paths"].as_array().unwrap().len(), 6);
    let leaky = include_str!("../../rigs/simulated.toml")
        .replace("leakage = \"1 nA\"", "leakage = \"1 uA\"");
    std::fs::write(folder.path().join("leaky.toml"), leaky).unwrap();
    let (code, object) = json(folder.path(), &["rig", "check", "leaky.toml"]);
    assert_eq!((code, object["passed"].as_bool()), (2, Some(false)));
    assert!(object["error"].to_string().contains("leakage"), "{object}");
    let (code, object) = json(folder.path(), &["characterize", "leaky.toml"]);
    assert_eq!(code, 2);
    assert!(object["error"].to_string().contains("leakage"), "{object}");
}

#[test]
fn every_object_of_characterize_has_all_its_keys() {
    let folder = tempfile::tempdir().unwrap();
    let cases: [&[&str]; 4] = [
        &["characterize", PICTURELESS, "--quick", "--seed", "2"],
        &[
            "characterize",
            PICTURELESS,
            "--movement",
            "nobody",
            "--seed",
            "2",
        ],
        &["characterize", "--seed", "two"],
        &["characterize", "--store", "no/folder/x.sqlite"],
    ];
    for arguments in cases {
        let (code, object) = json(folder.path(), arguments);
        for key in [
            "label",
            "kind",
            "kinds",
            "full_scale_current",
            "resistance",
            "resistance_by",
            "drop_at_full_scale",
            "coil_power",
            "warnings",
            "record",
        ] {
            assert!(object.get(key).is_some(), "{key}: {object}");
        }
        for figure in ["full_scale_current", "resistance", "drop_at_full_scale"] {
            for key in ["value", "unit", "u", "dof", "low95", "high95"] {
                assert!(
                    object[figure].get(key).is_some(),
                    "{figure} {key}: {object}"
                );
            }
            let absent = object[figure]["value"].is_null();
            assert_eq!(absent, object[figure]["reason"].is_string(), "{object}");
        }
        let failed = object.get("error").is_some();
        assert_eq!(failed, code != 0, "{object}");
    }
}

#[test]
fn a_reader_that_has_seen_enough_is_no_error() {
    let mut child = Command::new(program())
        .arg("movements")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
}

#[test]
fn arguments_that_are_no_text_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new(program())
        .current_dir(folder.path())
        .args(["characterize", "--json", "--label"])
        .arg(std::ffi::OsStr::from_bytes(b"\xff"))
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let object: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(object["error"].is_string(), "{object}");
}

#[test]
fn records_are_listed_and_written_out() {
    let folder = tempfile::tempdir().unwrap();
    let (code, _) = json(
        folder.path(),
        &[
            "characterize",
            PICTURELESS,
            "--quick",
            "--seed",
            "4",
            "--label",
            "tray 3",
        ],
    );
    assert_eq!(code, 0);
    let list = run(folder.path(), &["records", "list"]);
    let list = String::from_utf8(list.stdout).unwrap();
    assert!(list.contains("tray 3") && list.contains("result"), "{list}");
    let done = run(
        folder.path(),
        &["records", "export", "1", "--output", "one.json"],
    );
    assert!(done.status.success());
    let text = std::fs::read_to_string(folder.path().join("one.json")).unwrap();
    let whole: Value = serde_json::from_str(&text).unwrap();
    assert!(whole["observations"].as_array().unwrap().len() > 1000);
    assert_eq!(whole["head"]["seed"], 4);
    assert_eq!(whole["head"]["instruments"].as_array().unwrap().len(), 5);
    // A record that is not there leaves the file alone.
    let done = run(
        folder.path(),
        &["records", "export", "9", "--output", "one.json"],
    );
    assert_eq!(done.status.code(), Some(5));
    assert_eq!(
        std::fs::read_to_string(folder.path().join("one.json")).unwrap(),
        text
    );
    let (_, again) = json(folder.path(), &["records", "rework", "1"]);
    let (_, shown) = json(folder.path(), &["records", "show", "1"]);
    assert_eq!(again, shown);
}

#[test]
fn a_file_that_is_no_store_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes.txt");
    std::fs::write(&path, "not a store at all\n".repeat(100)).unwrap();
    let before = std::fs::read(&path).unwrap();
    for store in ["notes.txt", "."] {
        let (code, object) = json(folder.path(), &["characterize", "--store", store]);
        assert_eq!((code, object["exit"].as_i64()), (5, Some(5)), "{object}");
    }
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

/// What was kept before the kill stays, the new sitting follows it, and the figures are right.
#[test]
fn a_run_that_was_killed_is_resumed_in_its_own_record() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join(PICTURELESS), &*PICTURELESS_RIG).unwrap();
    let mut child = Command::new(program())
        .current_dir(folder.path())
        .args([
            "characterize",
            PICTURELESS,
            "--seed",
            "5",
            "--label",
            "attic",
            "--real-time",
        ])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut heard = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    while !line.contains("zero") {
        assert!(heard.read_line(&mut line).unwrap() > 0, "{line}");
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let store = records::Store::open(folder.path().join("needlerig.sqlite")).unwrap();
    let id = records::RunId::new(1);
    assert_eq!(store.run(id).unwrap().outcome, None);
    // A sitting that went further, as a real rig keeps it.
    let sitting = sitting();
    let mut writer = store.resume(id, records::Durability::Grouped).unwrap();
    for observation in &sitting {
        writer.keep(observation).unwrap();
    }
    drop(writer);
    let (code, said) = told(
        folder.path(),
        &["characterize", PICTURELESS, "--label", "other", "--quick"],
    );
    assert!(
        code == 0 && said.contains("--resume 1 goes on with it"),
        "{said}"
    );
    let resume = ["characterize", PICTURELESS, "--resume", "1", "--quick"];
    let (code, object) = json(folder.path(), &resume);
    assert_eq!(code, 0, "{object}");
    assert_eq!(object["label"], "attic", "{object}");
    let kept = store.observations(id).unwrap();
    assert_eq!(kept[..sitting.len()], sitting);
    assert!(kept.len() > sitting.len() + 500);
    assert!(
        kept.windows(2)
            .all(|pair| pair[1].seq == pair[0].seq + 1 && pair[1].at >= pair[0].at)
    );
    let record = store.run(id).unwrap();
    assert_eq!(record.outcome, Some(records::Outcome::Result));
    assert!(
        record.warnings.iter().any(|w| w.contains("resumed")),
        "{:?}",
        record.warnings
    );
    let truth = object["truth"]["full_scale_current"].as_f64().unwrap();
    let interval = &object["full_scale_current"];
    let (value, u) = (&interval["value"], &interval["u"]);
    let off = (value.as_f64().unwrap() - truth).abs();
    assert!(off < 4.0 * u.as_f64().unwrap(), "{interval} and {truth}");
    // It has an end now.
    let (code, said) = told(folder.path(), &resume);
    assert!(
        code == 2 && said.contains("has ended (result)"),
        "{code}: {said}"
    );
}

/// Observations of a sitting that ended early.
fn sitting() -> Vec<evidence::Observation> {
    let movement = hw_sim::find("heron").unwrap();
    let bench = std::sync::Arc::new(std::sync::Mutex::new(hw_sim::Bench::standard(&movement, 5)));
    let rig = guard::Rig::parse(&PICTURELESS_RIG, "simulated.toml").unwrap();
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order =
        needlerig::session::Order::new(std::sync::Arc::new(rig), procedure::Depth::Quick, stop);
    let tap = needlerig_tests::campaign::Tap::default();
    needlerig::session::simulated(&order, &bench, true, Box::new(tap.clone()), |_| {}).unwrap();
    let mut all = tap.take();
    all.truncate(all.len() / 2);
    all
}

/// Exit code, and what was told on standard error.
fn told(folder: &Path, arguments: &[&str]) -> (i32, String) {
    let output = run(folder, arguments);
    let said = String::from_utf8(output.stderr).unwrap();
    (output.status.code().unwrap(), said)
}
