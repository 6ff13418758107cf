//! What was acknowledged survives SIGKILL at any instant.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

mod common;

use common::{head, observation};
use evidence::Journal;
use records::{Durability, Store};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};

const STORE: &str = "RECORDS_TEST_STORE";

/// Runs [`child_appends_until_killed`] in a process of its own.
fn spawn_child(store: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "child_appends_until_killed",
            "--ignored",
            "--nocapture",
        ])
        .env(STORE, store)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

#[test]
#[ignore = "the child process of the test below; does nothing by itself"]
fn child_appends_until_killed() {
    let Some(path) = std::env::var_os(STORE) else {
        return;
    };
    let store = Store::open(path).unwrap();
    let mut run = store.begin(&head(), Durability::Full).unwrap();
    let mut out = std::io::stdout();
    for seq in 0.. {
        run.append(&observation(seq)).unwrap();
        writeln!(out, "acknowledged {seq}").unwrap();
        out.flush().unwrap();
    }
}

/// Kills the child once it has acknowledged `enough` and returns the last position that it
/// acknowledged, those included that were still on their way through the pipe.
fn kill_after(enough: u64, child: &mut Child) -> u64 {
    let mut last = None;
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        let Some((_, seq)) = line.split_once("acknowledged ") else {
            continue;
        };
        // The kill may cut the last line short; a cut number would only ask for less.
        last = seq.parse().ok().or(last);
        if last == Some(enough) {
            child.kill().unwrap();
        }
    }
    assert!(!child.wait().unwrap().success());
    last.unwrap()
}

#[test]
fn every_acknowledged_observation_survives_sigkill() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.sqlite");
    let rounds = 12;
    for round in 0..rounds {
        // A different number each time, so that the kill meets other phases of the write.
        let last = kill_after(3 + 7 * round, &mut spawn_child(&path));
        let store = Store::open_existing(&path).unwrap();
        let list = store.list().unwrap();
        assert_eq!(list.len() as u64, round + 1);
        let run = list.last().unwrap();
        assert_eq!(run.outcome_word(), "unfinished");
        let kept = store.observations(run.id).unwrap();
        assert!(
            kept.len() as u64 > last,
            "{} kept, {last} acknowledged",
            kept.len()
        );
        let wanted: Vec<_> = (0..kept.len() as u64).map(observation).collect();
        assert_eq!(kept, wanted);
    }
}

#[test]
fn a_killed_run_goes_on_after_its_last_observation() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.sqlite");
    kill_after(5, &mut spawn_child(&path));
    let store = Store::open_existing(&path).unwrap();
    let id = store.list().unwrap()[0].id;
    let kept = store.observations(id).unwrap().len() as u64;
    let mut run = store.resume(id, Durability::Full).unwrap();
    assert_eq!(run.next_seq(), kept);
    run.append(&observation(kept)).unwrap();
    assert_eq!(store.observations(id).unwrap().len() as u64, kept + 1);
}

#[test]
fn a_full_append_is_visible_to_others_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.sqlite");
    let store = Store::open(&path).unwrap();
    let mut run = store.begin(&head(), Durability::Full).unwrap();
    for seq in 0..3 {
        run.append(&observation(seq)).unwrap();
        let other = Store::open_existing(&path).unwrap();
        assert_eq!(other.observations(run.id()).unwrap().len() as u64, seq + 1);
    }
}

#[test]
fn a_grouped_writer_commits_groups_and_the_rest_when_dropped() {
    let store = Store::in_memory().unwrap();
    let mut run = store.begin(&head(), Durability::Grouped).unwrap();
    let (id, kept) = (run.id(), |store: &Store, id| {
        store.observations(id).unwrap().len()
    });
    for seq in 0..499 {
        run.append(&observation(seq)).unwrap();
    }
    assert_eq!(kept(&store, id), 0);
    run.append(&observation(499)).unwrap();
    assert_eq!(kept(&store, id), 500);
    run.append(&observation(500)).unwrap();
    drop(run);
    assert_eq!(kept(&store, id), 501);
    assert_eq!(store.run(id).unwrap().outcome, None);
}

#[test]
fn a_grouped_writer_commits_the_rest_when_it_finishes() {
    let store = Store::in_memory().unwrap();
    let mut run = store.begin(&head(), Durability::Grouped).unwrap();
    run.append(&observation(0)).unwrap();
    let id = run
        .finish(records::Outcome::Failed, &serde_json::Value::Null, &[])
        .unwrap();
    assert_eq!(store.observations(id).unwrap(), [observation(0)]);
}
