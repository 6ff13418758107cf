//! `records`: what was measured before, and what today's analysis makes of it.

use crate::exit::{Failure, STORE};
use crate::output::{print, print_json, tell};
use crate::{notebook, object};
use clap::{Args, Subcommand};
use movement::analysis::{Findings, analyse};
use records::{ExportError, Run, RunId, RunSummary, Store};
use std::io::{ErrorKind, Write};

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
    List(List),
    /// Show one record's result
    Show(One),
    /// Write one record out, observations included
    Export(Export),
    /// Analyse a record's observations again; the new result is added beside the old ones
    Rework(One),
}

/// Arguments of `records list`.
#[derive(Debug, Args)]
pub struct List {
    #[command(flatten)]
    place: Where,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
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
        Command::List(arguments) => list(arguments),
        Command::Show(one) => show(one),
        Command::Export(export) => write_out(export),
        Command::Rework(one) => rework(one),
    }
}

fn list(list: &List) -> Result<(), Failure> {
    let runs = Store::open_existing(&list.place.store)?.list()?;
    if list.json {
        return print_json(&serde_json::json!({ "records": runs }));
    }
    let line = |run: &RunSummary| {
        let (id, outcome) = (run.id.to_string(), run.outcome_word());
        format!(
            "{id:<12} {:<21} {outcome:<11} {:<20} {}\n",
            run.started, run.rig_name, run.label
        )
    };
    print(&runs.iter().map(line).collect::<String>())
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
    present(&run, &findings, one.json)
}

fn present(run: &Run, findings: &Findings, json: bool) -> Result<(), Failure> {
    let place = run.id.to_string();
    if json {
        print_json(&object::result(&run.head, findings, Some(&place)))
    } else {
        print(&notebook::page(&run.head, findings, Some(&place)))?;
        print(&origin(run))
    }
}

/// What measured, and how the run ended.
fn origin(run: &Run) -> String {
    let ending = run.outcome.map_or("never ended", |outcome| outcome.word());
    let mut text = format!("\nprogram {}, run: {ending}\n", run.head.program_version);
    for (role, identity) in &run.head.instruments {
        text += &format!("  {role:<12} {identity}\n");
    }
    text
}

fn rework(one: &One) -> Result<(), Failure> {
    let store = Store::open_existing(&one.place.store)?;
    let run = store.run(one.id)?;
    let findings = analyse(&run.head.statement, &store.observations(one.id)?);
    let value = object::stored(&findings)?;
    let before = run.results.last().map(|last| last.result.clone());
    store.add_result(one.id, env!("CARGO_PKG_VERSION"), &value)?;
    present(&run, &findings, one.json)?;
    let change = match before {
        Some(before) if before == value => "same as before".to_owned(),
        Some(_) => match latest(&run) {
            Ok(before) => format!(
                "changed\n  before  {}\n  now     {}",
                notebook::headline(&before),
                notebook::headline(&findings)
            ),
            Err(other_form) => other_form.text,
        },
        None => "there was no result before".to_owned(),
    };
    // With --json the object is all that stands on standard output.
    if one.json {
        tell(&change);
        return Ok(());
    }
    print(&format!("\n{change}\n"))
}

fn write_out(export: &Export) -> Result<(), Failure> {
    let store = Store::open_existing(&export.place.store)?;
    // No file is made or emptied for a record that is not there.
    store.run(export.id)?;
    let mut out: Box<dyn Write> = match &export.output {
        None => Box::new(std::io::stdout().lock()),
        Some(path) => {
            let file = std::fs::File::create(path);
            Box::new(file.map_err(|error| Failure::new(STORE, format!("{path}: {error}")))?)
        }
    };
    let written = if export.csv {
        records::write_csv(&store, export.id, &mut out)
    } else {
        records::write_json(&store, export.id, &mut out)
    };
    match written {
        // A reader that has seen enough is no error.
        Err(ExportError::Output(error)) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|error| Failure::new(STORE, error.to_string())),
    }
}
