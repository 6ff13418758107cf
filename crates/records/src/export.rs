//! Records for other programs: observations as CSV, a whole run as JSON.

use crate::{Run, RunId, Store, StoreError, Trouble, store};
use evidence::Observation;
use rusqlite::types::ValueRef;
use serde::Serialize;
use std::io::{self, Write};
use thiserror::Error;

/// Why an export failed.
#[derive(Debug, Error)]
pub enum ExportError {
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The output could not be written.
    #[error("the export could not be written: {0}")]
    Output(#[from] io::Error),
}

/// Writes the observations of a run as CSV: a line of column names that end in their units, then
/// one line each. What was not read is an empty cell.
///
/// # Errors
/// When the run cannot be read or `out` cannot be written to.
pub fn write_csv(store: &Store, id: RunId, out: impl Write) -> Result<(), ExportError> {
    let mut csv = csv::Writer::from_writer(out);
    let written = store.with("export observations", |connection| {
        store::require(connection, id)?;
        let mut query =
            connection.prepare("SELECT * FROM flat_observation WHERE run = ?1 ORDER BY seq")?;
        let columns = query.column_count();
        let names: Vec<String> = query.column_names().map(str::to_owned).collect();
        let mut rows = query.query([id.get()])?;
        let mut write = || -> Result<csv::Result<()>, Trouble> {
            let mut line = csv.write_record(&names);
            while line.is_ok()
                && let Some(row) = rows.next()?
            {
                let cells: Result<Vec<_>, _> = (0..columns).map(|at| row.get_ref(at)).collect();
                line = csv.write_record(cells?.into_iter().map(cell));
            }
            Ok(line)
        };
        write()
    })?;
    written.map_err(io::Error::from)?;
    Ok(csv.flush()?)
}

/// A value as it stands in a cell; numbers in the shortest form that reads back as the same.
fn cell(value: ValueRef<'_>) -> String {
    match value {
        ValueRef::Null => String::new(),
        ValueRef::Integer(number) => number.to_string(),
        ValueRef::Real(number) => format!("{number:?}"),
        ValueRef::Text(text) | ValueRef::Blob(text) => String::from_utf8_lossy(text).into_owned(),
    }
}

/// A run with its observations, as it stands in the JSON export.
#[derive(Serialize)]
struct WholeRun {
    #[serde(flatten)]
    run: Run,
    observations: Vec<Observation>,
}

/// Writes a whole run as JSON: head, outcome, warnings, results and observations, in SI units.
///
/// # Errors
/// When the run cannot be read or `out` cannot be written to.
pub fn write_json(store: &Store, id: RunId, mut out: impl Write) -> Result<(), ExportError> {
    let whole = WholeRun {
        run: store.run(id)?,
        observations: store.observations(id)?,
    };
    serde_json::to_writer_pretty(&mut out, &whole).map_err(io::Error::from)?;
    writeln!(out)?;
    Ok(out.flush()?)
}
