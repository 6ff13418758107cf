//! Troubles that need a hand on the connection to bring about.

use super::Store;
use crate::{Durability, Outcome, RunHead, Trouble};
use evidence::{Observation, Purpose, Setting};
use quantity::Seconds;
use rusqlite::{Connection, OpenFlags};
use serde_json::json;

fn observation(seq: u64) -> Observation {
    Observation {
        seq,
        at: Seconds::new(seq as f64),
        purpose: Purpose::Watch,
        set: Setting::default(),
        loop_drop: None,
        drop: None,
        supply: None,
        needle: None,
        needle_s: 0.0,
        sightings: 0,
        refused: None,
        unsettled: 0.0,
        rested: false,
    }
}

#[test]
fn a_file_is_synchronised_fully_and_written_ahead() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path().join("bench.sqlite")).unwrap();
    let connection = store.connection.lock().unwrap();
    let ask = |name| connection.pragma_query_value(None, name, |row| row.get::<_, String>(0));
    let number = |name| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    assert_eq!(ask("journal_mode").unwrap(), "wal");
    assert_eq!(number("synchronous").unwrap(), 2);
    assert_eq!(number("foreign_keys").unwrap(), 1);
}

#[test]
fn a_read_only_file_is_refused_with_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.sqlite");
    Store::open(&path).unwrap();
    // As when the mode of the file forbids writing, which an administrator would not notice.
    let open = || Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY);
    let error = Store::set_up(path.display().to_string(), open).unwrap_err();
    assert!(matches!(error.trouble, Trouble::ReadOnly), "{error}");
    assert!(error.to_string().contains("bench.sqlite"), "{error}");
}

#[test]
fn a_store_that_becomes_read_only_says_so() {
    let store = Store::in_memory().unwrap();
    let mut run = store.begin(&RunHead::default(), Durability::Full).unwrap();
    store
        .connection
        .lock()
        .unwrap()
        .pragma_update(None, "query_only", true)
        .unwrap();
    let error = run.keep(&observation(0)).unwrap_err();
    assert!(matches!(error.trouble, Trouble::ReadOnly), "{error}");
}

#[test]
fn a_full_disk_loses_nothing_that_was_acknowledged_and_can_be_survived() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path().join("bench.sqlite")).unwrap();
    let mut run = store.begin(&RunHead::default(), Durability::Full).unwrap();
    let pages = |store: &Store, change: i64| {
        let connection = store.connection.lock().unwrap();
        let now: i64 = connection
            .pragma_query_value(None, "page_count", |row| row.get(0))
            .unwrap();
        let limit = now + change;
        connection
            .pragma_update_and_check(None, "max_page_count", limit, |_| Ok(()))
            .unwrap();
    };
    pages(&store, 3);
    let mut next = 0;
    let error = loop {
        match run.keep(&observation(next)) {
            Ok(()) => next += 1,
            Err(error) => break error,
        }
    };
    assert!(matches!(error.trouble, Trouble::Full), "{error}");
    assert!(next > 0);
    assert_eq!(store.observations(run.id()).unwrap().len() as u64, next);
    // Space was freed: the observation that waited is kept with the ending.
    pages(&store, 100);
    let id = run.finish(Outcome::Failed, &json!(null), &[]).unwrap();
    assert_eq!(store.observations(id).unwrap().len() as u64, next + 1);
}

#[test]
fn a_file_held_by_another_run_is_said_to_be_held() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.sqlite");
    let store = Store::open(&path).unwrap();
    let mut run = store.begin(&RunHead::default(), Durability::Full).unwrap();
    // No waiting in a test.
    store
        .connection
        .lock()
        .unwrap()
        .busy_timeout(std::time::Duration::ZERO)
        .unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let error = run.keep(&observation(0)).unwrap_err();
    assert!(matches!(error.trouble, Trouble::Locked), "{error}");
    other.execute_batch("COMMIT").unwrap();
    run.keep(&observation(1)).unwrap();
    assert_eq!(store.observations(run.id()).unwrap().len(), 2);
}
