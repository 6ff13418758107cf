//! The format of the file and how an older one is brought up to date.

use crate::Trouble;
use rusqlite::{Connection, TransactionBehavior};
use std::time::Duration;

/// Marks a SQLite file as a store of this program ("NRig").
const APPLICATION_ID: i64 = 0x4E52_6967;

/// The steps from an empty file to today's format. A step that has left this repository in a
/// release is never edited; changes are appended.
const MIGRATIONS: [&str; 2] = [
    include_str!("schema/1-runs.sql"),
    include_str!("schema/2-flat-view.sql"),
];

/// Longest wait for the write of another program, which takes milliseconds. The caller stands still
/// meanwhile and gives no sign of life, so it is shorter than a watcher's patience.
const PATIENCE: Duration = Duration::from_millis(500);

/// Sets the connection up and brings the file to today's format.
pub(crate) fn prepare(connection: &mut Connection) -> Result<(), Trouble> {
    connection.busy_timeout(PATIENCE)?;
    if connection.is_readonly("main")? {
        return Err(Trouble::ReadOnly);
    }
    check_kind(connection)?;
    connection.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    // With a write-ahead log anything less than FULL may lose the last commits with the power.
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    migrate(connection)
}

fn pragma(connection: &Connection, name: &str) -> Result<i64, rusqlite::Error> {
    connection.pragma_query_value(None, name, |row| row.get(0))
}

/// Refuses other programs' files and newer formats before anything is written.
fn check_kind(connection: &Connection) -> Result<(), Trouble> {
    let found = pragma(connection, "user_version")?;
    let objects: i64 =
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    let empty = objects == 0 && found == 0;
    if !empty && pragma(connection, "application_id")? != APPLICATION_ID {
        return Err(Trouble::NotAStore);
    }
    let known = MIGRATIONS.len() as i64;
    if found > known {
        Err(Trouble::Newer { found, known })
    } else {
        Ok(())
    }
}

/// Runs the steps that the file lacks, all or none of them.
fn migrate(connection: &mut Connection) -> Result<(), Trouble> {
    let known = MIGRATIONS.len() as i64;
    if pragma(connection, "user_version")? == known {
        return Ok(());
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Asked again under the lock: another program may have done it meanwhile.
    check_kind(&transaction)?;
    let done = pragma(&transaction, "user_version")?;
    for step in MIGRATIONS.iter().skip(usize::try_from(done).unwrap_or(0)) {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", known)?;
    Ok(transaction.commit()?)
}
