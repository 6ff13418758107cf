//! Files of all ages and conditions: kept whole, brought up to date, or refused with a reason.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

mod common;

use common::{head, observation};
use evidence::{Journal, Purpose};
use quantity::Ohms;
use records::{Durability, Outcome, RunId, Store, StoreError, Trouble, write_csv};
use rusqlite::Connection;
use serde_json::{Value, json};
use std::path::PathBuf;

struct Folder {
    _kept: tempfile::TempDir,
    path: PathBuf,
}

fn folder() -> Folder {
    let kept = tempfile::tempdir().unwrap();
    Folder {
        path: kept.path().join("bench.sqlite"),
        _kept: kept,
    }
}

fn trouble(result: Result<Store, StoreError>) -> (Trouble, String) {
    let error = result.unwrap_err();
    let text = error.to_string();
    (error.trouble, text)
}

#[test]
fn nothing_kept_can_be_altered_deleted_or_replaced() {
    let Folder { _kept, path } = folder();
    let store = Store::open(&path).unwrap();
    let mut run = store.begin(&head(), Durability::Full).unwrap();
    run.append(&observation(0)).unwrap();
    let id = run.finish(Outcome::Result, &json!(1), &[]).unwrap();
    let before = (store.run(id).unwrap(), store.observations(id).unwrap());

    let other = Connection::open(&path).unwrap();
    for attempt in [
        "UPDATE observation SET data = '{}'",
        "UPDATE observation SET seq = 7",
        "DELETE FROM observation",
        "REPLACE INTO observation VALUES (1, 0, '{}')",
        "INSERT INTO observation VALUES (1, 0, '{}') ON CONFLICT DO UPDATE SET data = '{}'",
        "INSERT INTO observation VALUES (1, 1, '{}')",
        "UPDATE run SET head = '{}'",
        "DELETE FROM run",
        "REPLACE INTO run VALUES (1, '', '', '{}')",
        "UPDATE ending SET outcome = 'failed'",
        "DELETE FROM ending",
        "REPLACE INTO ending VALUES (1, 'failed', '[]')",
        "UPDATE result SET data = '2'",
        "DELETE FROM result",
        "REPLACE INTO result VALUES (1, 1, '0.1.0', '2')",
    ] {
        let refusal = other.execute(attempt, []).expect_err(attempt).to_string();
        assert!(
            refusal.contains("never") || refusal.contains("no more"),
            "{attempt}: {refusal}"
        );
    }
    assert_eq!(
        (store.run(id).unwrap(), store.observations(id).unwrap()),
        before
    );
}

#[test]
fn a_file_of_version_1_is_brought_up_to_date_with_nothing_lost() {
    let Folder { _kept, path } = folder();
    Connection::open(&path)
        .unwrap()
        .execute_batch(include_str!("old/version-1.sql"))
        .unwrap();

    let store = Store::open_existing(&path).unwrap();
    let (ended, left) = (RunId::new(1), RunId::new(2));
    let run = store.run(ended).unwrap();
    assert_eq!(
        (run.head.label.as_str(), run.head.seed),
        ("old meter", Some(7))
    );
    assert_eq!(run.head.statement.sense[0].ohms, Ohms::kilo(1.0));
    assert_eq!(run.warnings, ["scale marks are not confirmed"]);
    assert_eq!(run.results[0].result, json!({"ohms": 1987.5}));
    assert_eq!(store.run(left).unwrap().outcome, None);
    let kept = &store.observations(ended).unwrap()[0];
    assert_eq!(kept.purpose, Purpose::ZeroBefore);
    assert_eq!(kept.drop.unwrap().value, 1.1e-6);

    let mut out = Vec::new();
    write_csv(&store, left, &mut out).unwrap();
    assert!(String::from_utf8(out).unwrap().contains(",10.0 20.0,"));
    store
        .resume(left, Durability::Full)
        .unwrap()
        .append(&observation(1))
        .unwrap();

    // Old and new files end up with the same tables, triggers and views.
    let fresh = path.with_file_name("fresh.sqlite");
    Store::open(&fresh).unwrap();
    assert_eq!(schema_of(&path), schema_of(&fresh));
}

/// Names and definitions of everything in a file, without the comments and spaces of its source.
fn schema_of(path: &PathBuf) -> Vec<String> {
    let connection = Connection::open(path).unwrap();
    let version: i64 = connection
        .pragma_query_value(None, "user_version", |r| r.get(0))
        .unwrap();
    let mut query = connection
        .prepare("SELECT name || ': ' || ifnull(sql, '') FROM sqlite_schema ORDER BY name")
        .unwrap();
    let lines = query.query_map([], |row| row.get::<_, String>(0)).unwrap();
    let words = lines.map(|line| {
        line.unwrap()
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
    });
    words.chain([version.to_string()]).collect()
}

#[test]
fn a_newer_file_is_refused_and_left_alone() {
    let Folder { _kept, path } = folder();
    Store::open(&path).unwrap();
    let newer = Connection::open(&path).unwrap();
    newer.pragma_update(None, "user_version", 99).unwrap();
    drop(newer);
    let before = std::fs::read(&path).unwrap();
    let (why, text) = trouble(Store::open(&path));
    assert!(matches!(why, Trouble::Newer { found: 99, .. }), "{text}");
    assert!(
        text.contains("bench.sqlite") && text.contains("newer program"),
        "{text}"
    );
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn other_files_are_refused_and_left_alone() {
    let Folder { _kept, path } = folder();
    std::fs::write(&path, "name = \"a rig file, not a store\"\n".repeat(40)).unwrap();
    let (why, text) = trouble(Store::open(&path));
    assert!(matches!(why, Trouble::NotAStore), "{text}");

    let other = path.with_file_name("other.sqlite");
    Connection::open(&other)
        .unwrap()
        .execute_batch("CREATE TABLE recipe (name TEXT)")
        .unwrap();
    let before = std::fs::read(&other).unwrap();
    let (why, text) = trouble(Store::open(&other));
    assert!(matches!(why, Trouble::NotAStore), "{text}");
    assert_eq!(std::fs::read(&other).unwrap(), before);
}

#[test]
fn a_missing_file_or_folder_is_said_so() {
    let Folder { _kept, path } = folder();
    let (why, text) = trouble(Store::open_existing(&path));
    assert!(matches!(why, Trouble::Missing), "{text}");
    assert!(!path.exists());
    let (why, text) = trouble(Store::open(path.join("nowhere").join("bench.sqlite")));
    assert!(matches!(why, Trouble::CannotOpen(_)), "{text}");
}

#[test]
fn a_damaged_file_is_an_error_and_no_panic() {
    let Folder { _kept, path } = folder();
    let store = Store::open(&path).unwrap();
    let mut run = store.begin(&head(), Durability::Full).unwrap();
    for seq in 0..200 {
        run.append(&observation(seq)).unwrap();
    }
    let id = run.finish(Outcome::Interrupted, &Value::Null, &[]).unwrap();
    drop(store);
    let sound = std::fs::read(&path).unwrap();
    assert!(sound.len() > 20 * 4096);
    let mut damaged_or_unreadable = 0;
    for page in 0..sound.len() / 4096 {
        let mut bytes = sound.clone();
        // The file header stays, so that the file is still taken for a store.
        bytes[page * 4096 + 100..(page + 1) * 4096].fill(0xA5);
        std::fs::write(&path, bytes).unwrap();
        let read = Store::open(&path).and_then(|store| store.observations(id));
        if let Err(error) = read {
            let known = matches!(
                error.trouble,
                Trouble::Damaged(_) | Trouble::Unreadable { .. }
            );
            assert!(known, "page {page}: {error}");
            damaged_or_unreadable += 1;
        }
    }
    assert!(damaged_or_unreadable > 10, "{damaged_or_unreadable}");
}

#[test]
fn a_run_takes_observations_in_order_and_only_until_it_ends() {
    let store = Store::in_memory().unwrap();
    let mut run = store.begin(&head(), Durability::Grouped).unwrap();
    let error = run.keep(&observation(1)).unwrap_err();
    assert!(matches!(
        error.trouble,
        Trouble::OutOfOrder {
            expected: 0,
            found: 1
        }
    ));
    run.keep(&observation(0)).unwrap();
    assert!(run.keep(&observation(0)).is_err());
    let id = run.finish(Outcome::Failed, &Value::Null, &[]).unwrap();
    let error = store.resume(id, Durability::Full).unwrap_err();
    assert!(matches!(error.trouble, Trouble::Ended(_)), "{error}");
    let nobody = RunId::new(99);
    for error in [
        store
            .resume(nobody, Durability::Full)
            .map(drop)
            .unwrap_err(),
        store.run(nobody).map(drop).unwrap_err(),
        store.observations(nobody).map(drop).unwrap_err(),
        store.add_result(nobody, "0.1.0", &json!(1)).unwrap_err(),
    ] {
        assert!(
            error.to_string().contains("there is no record 99"),
            "{error}"
        );
    }
}

#[test]
fn numbers_that_json_cannot_hold_are_refused_not_lost() {
    let store = Store::in_memory().unwrap();
    let mut run = store.begin(&head(), Durability::Full).unwrap();
    let mut odd = observation(0);
    odd.set.sense = Some(Ohms::new(f64::INFINITY));
    let error = run.keep(&odd).unwrap_err();
    assert!(matches!(error.trouble, Trouble::NotKept(_)), "{error}");
    odd.set.sense = None;
    odd.needle_s = f64::NAN;
    assert!(
        run.append(&odd)
            .unwrap_err()
            .to_string()
            .contains("not a number")
    );
    run.keep(&observation(0)).unwrap();
}

#[test]
fn record_numbers_are_read_as_they_are_shown() {
    assert_eq!("record 12".parse(), Ok(RunId::new(12)));
    assert_eq!("12".parse(), Ok(RunId::new(12)));
    assert_eq!(RunId::new(12).to_string(), "record 12");
    for wrong in ["", "0", "-3", "twelve", "1.5"] {
        assert!(wrong.parse::<RunId>().is_err(), "{wrong}");
    }
}
