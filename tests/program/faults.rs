//! How the program ends when the simulated bench has faults.

use super::{PICTURELESS, json};
use serde_json::Value;
use std::path::Path;

/// Characterises with this fault of the supply from its 120th line with the output on.
fn supply(folder: &Path, fault: &str) -> (i32, Value) {
    let plan =
        format!("[[fault]]\nplace = \"supply\"\nwhen_on = true\nafter_lines = 120\n{fault}\n");
    planned(folder, &plan)
}

/// Characterises with these faults.
fn planned(folder: &Path, plan: &str) -> (i32, Value) {
    std::fs::write(folder.join("plan.toml"), plan).unwrap();
    let arguments = [
        "characterize",
        PICTURELESS,
        "--seed",
        "9",
        "--faults",
        "plan.toml",
    ];
    json(folder, &arguments)
}

#[test]
fn a_supply_that_can_no_longer_be_talked_to_ends_with_4_and_a_safe_rig() {
    for fault in [
        "kind = \"missing\"",
        "kind = \"garbled\"\nsize = 1.0",
        "kind = \"late\"\nsize = 20.0",
        "kind = \"gone\"",
    ] {
        let folder = tempfile::tempdir().unwrap();
        let (code, object) = supply(folder.path(), fault);
        assert_eq!((code, object["exit"].as_i64()), (4, Some(4)), "{object}");
        let error = object["error"].as_str().unwrap();
        assert!(error.contains("supply"), "{fault}: {error}");
        let truth = &object["truth"];
        assert_eq!(truth["safe"], true, "{fault}: {truth}");
        assert_eq!(truth["driven_stop_hits"], 0, "{fault}: {truth}");
        let (_, list) = json(folder.path(), &["records", "list"]);
        let record = &list["records"][0];
        assert_eq!(record["outcome"], "failed", "{fault}: {list}");
        assert!(
            record["observations"].as_u64().unwrap() > 20,
            "{fault}: {list}"
        );
    }
}

#[test]
fn a_plan_that_is_survived_gives_a_result_and_is_kept_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let plan = include_str!("../../rigs/faults/bad-evening.toml");
    let (code, object) = planned(folder.path(), plan);
    assert_eq!(
        (code, &object["truth"]["safe"]),
        (0, &true.into()),
        "{object}"
    );
    let (_, whole) = json(folder.path(), &["records", "export", "1"]);
    let notes = whole["head"]["notes"].to_string();
    assert!(
        notes.contains("sticks") && notes.contains("blind"),
        "{notes}"
    );
}

#[test]
fn a_wrong_plan_or_one_for_a_real_rig_is_refused_before_anything_begins() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(
        folder.path().join("plan.toml"),
        "[[fault]]\nplace = \"supply\"\nkind = \"lazy\"\n",
    )
    .unwrap();
    let tcp = include_str!("../../rigs/simulated-tcp.toml");
    std::fs::write(folder.path().join("rig.toml"), tcp).unwrap();
    let cases: [(&[&str], &str); 4] = [
        (&["characterize", "--faults", "plan.toml"], "plan.toml:3:8"),
        (&["simulate", "--faults", "plan.toml"], "plan.toml:3:8"),
        (&["characterize", "--faults", "none.toml"], "none.toml"),
        (
            &["characterize", "rig.toml", "--faults", "plan.toml"],
            "needlerig simulate",
        ),
    ];
    for (arguments, said) in cases {
        let output = super::run(folder.path(), arguments);
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{text}");
        assert!(text.contains(said), "{text}");
    }
    assert!(!folder.path().join("needlerig.sqlite").exists());
}
