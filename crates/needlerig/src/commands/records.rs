//! `records`: what was measured before, and what today's analysis makes of it.

use crate::exit::{Failure, STORE};
use crate::notebook;
use clap::{Args, Subcommand};
use movement::analysis::{Findings, analyse};
use records::{ExportError, Run, RunId, Store};
use std::io::Write;

/// Where the records are.
#[derive(Debug, Args)]
pub struct Where {
    /// Store file
    #[arg(long, default_value = "needlerig.sqlite")]
    store: String,
}

/// What to do with records.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// List all records
    List(Where),
    /// Show one record's result
    Show(One),
    /// Write one record out, observations included
    Export(Export),
    /// Analyse a record's observations again; the new result is added beside the old ones
    Rework(One),
}

/// One record.
#[derive(Debug, Args)]
pub struct One {
    /// Record number
    id: RunId,
    #[command(flatten)]
    place: Where,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Arguments of `records export`.
#[derive(Debug, Args)]
pub struct Export {
    /// Record number
    id: RunId,
    #[command(flatten)]
    place: Where,
    /// Observations as CSV
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// All of the record as JSON (the default)
    #[arg(long)]
    json: bool,
    /// File to write; standard output if not named
    #[arg(long)]
    output: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// When the store or the record can't be read or written.
pub fn run(command: &Command) -> Result<(), Failure> {
    match command {
        Command::List(place) => list(place),
        Command::Show(one) => show(one),
        Command::Export(export) => write_out(export),
        Command::Rework(one) => rework(one),
    }
}

fn list(place: &Where) -> Result<(), Failure> {
    for run in Store::open_existing(&place.store)?.list()? {
        let (id, outcome) = (run.id.to_string(), run.outcome_word());
        println!(
            "{id:<12} {:<30} {outcome:<11} {:<20} {}",
            run.started, run.rig_name, run.label
        );
    }
    Ok(())
}

fn latest(run: &Run) -> Result<Findings, Failure> {
    let last = run.results.last().ok_or_else(|| {
        Failure::new(
            STORE,
            format!("{} has no result; rework it to make one", run.id),
        )
    })?;
    serde_json::from_value(last.result.clone()).map_err(|error| {
        Failure::new(
            STORE,
            format!(
                "the result of {} is of another form ({error}); rework it",
                run.id
            ),
        )
    })
}

fn show(one: &One) -> Result<(), Failure> {
    let run = Store::open_existing(&one.place.store)?.run(one.id)?;
    let findings = latest(&run)?;
    print(&run, &findings, one.json);
    Ok(())
}

fn print(run: &Run, findings: &Findings, json: bool) {
    let place = run.id.to_string();
    if json {
        println!(
            "{}",
            notebook::json(&run.head.label, findings, Some(&place))
        );
    } else {
        print!("{}", notebook::page(&run.head, findings, Some(&place)));
    }
}

fn rework(one: &One) -> Result<(), Failure> {
    let store = Store::open_existing(&one.place.store)?;
    let run = store.run(one.id)?;
    let before = latest(&run).ok();
    let findings = analyse(&run.head.statement, &store.observations(one.id)?);
    let value = notebook::stored(&findings)?;
    store.add_result(one.id, env!("CARGO_PKG_VERSION"), &value)?;
    print(&run, &findings, one.json);
    if !one.json {
        match before {
            Some(before) if before == findings => println!("\nsame as before"),
            Some(before) => println!("\nbefore: {}", notebook::headline(&before)),
            None => println!("\nthere was no result before"),
        }
    }
    Ok(())
}

fn write_out(export: &Export) -> Result<(), Failure> {
    let store = Store::open_existing(&export.place.store)?;
    let failed = |error: ExportError| Failure::new(STORE, error.to_string());
    let mut out: Box<dyn Write> = match &export.output {
        None => Box::new(std::io::stdout().lock()),
        Some(path) => {
            let file = std::fs::File::create(path);
            Box::new(file.map_err(|error| Failure::new(STORE, format!("{path}: {error}")))?)
        }
    };
    if export.csv {
        records::write_csv(&store, export.id, &mut out).map_err(failed)
    } else {
        records::write_json(&store, export.id, &mut out).map_err(failed)
    }
}
