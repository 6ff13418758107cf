//! `characterize`: one movement from a cold start to a stored, printed result.

mod question;
mod show;

use super::simulate;
use crate::exit::{Failure, INSTRUMENT, INTERRUPTED, REFUSED};
use crate::incident::Untold;
use crate::output::{print, print_json, tell};
use crate::person::Terminal;
use crate::recorder::Recorder;
use crate::session::{Order, real, simulated};
use crate::{incident, notebook, object};
use clap::Args;
use guard::{Fault, Guard, Rig};
use hw_sim::{Faults, MovementSpec, Truth};
use movement::analysis::{Findings, analyse};
use procedure::{Depth, Outcome as PlanOutcome, RunEnd, Stopped};
use records::{Durability, Outcome, Run, RunHead, RunId, Store};
use show::Watcher;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use tokio::sync::watch;

/// Arguments of `characterize`.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Rig file; the simulated rig if not named
    rig: Option<String>,
    /// Simulated movement: a name of the library, "random", or "any"
    #[arg(long)]
    movement: Option<String>,
    /// Seed of the simulation, to repeat a run
    #[arg(long)]
    seed: Option<u64>,
    /// What to call the movement in the record
    #[arg(long)]
    label: Option<String>,
    /// File of faults that strike on the bench simulated in this program
    #[arg(long, value_name = "FILE")]
    faults: Option<String>,
    /// Fewer marks and repeats: wider intervals in less time
    #[arg(long)]
    quick: bool,
    /// Let simulated time pass as real time does
    #[arg(long)]
    real_time: bool,
    /// Print exactly one JSON object on standard output
    #[arg(long)]
    json: bool,
    /// Write each sighting of the needle down in FILE, which a reader of kind "replay" plays back
    #[arg(long, value_name = "FILE")]
    sightings: Option<PathBuf>,
    /// Store file
    #[arg(long, default_value = "needlerig.sqlite")]
    store: String,
    /// Go on with a run that was killed, in its own record: from the zero, since the movement may have
    /// been touched in between
    #[arg(long, value_name = "RECORD")]
    resume: Option<RunId>,
    /// Answer yes to the question before a real rig is energised
    #[arg(long)]
    yes: bool,
}

/// A warning in the record of a run that was resumed.
const RESUMED: &str = "this run was killed and resumed: its figures come from the last sitting, after \
     the last zero before";

/// What a run left behind.
struct Done {
    end: Result<RunEnd, Fault>,
    truth: Option<Truth>,
}

/// Runs the command; prints the result, or what went wrong.
pub fn run(arguments: &Arguments) -> ExitCode {
    let failure = match characterize(arguments) {
        Ok(code) => return ExitCode::from(code),
        Err(failure) => failure,
    };
    if arguments.json {
        let nothing = object::nothing(arguments.label.as_deref(), &failure);
        if let Err(unheard) = print_json(&nothing) {
            tell(&unheard.text);
        }
    } else {
        tell(&failure.text);
    }
    failure.exit()
}

fn characterize(arguments: &Arguments) -> Result<u8, Failure> {
    let rig = Arc::new(super::load(arguments.rig.as_deref())?);
    if let Some(bad) = rig.review().findings.iter().find(|finding| !finding.passed) {
        return Err(Failure::usage(format!(
            "this rig must not be used: {}",
            bad.text
        )));
    }
    let unfinished = arguments.resume.map(|id| unfinished(arguments, id, &rig));
    let unfinished = unfinished.transpose()?;
    let seed = (unfinished.as_ref().and_then(|run| run.head.seed)).or(arguments.seed);
    let seed = seed.unwrap_or_else(simulate::seed);
    let movement = in_process(&rig, arguments, seed)?;
    let faults = simulate::faults(arguments.faults.as_deref())?;
    let simulation = rig.simulated || movement.is_some();
    if !simulation {
        question::ask(&rig, arguments.yes)?;
    }
    let store = Store::open(&arguments.store)?;
    let untold = Untold::beside(&arguments.store)?;
    untold.texts().for_each(tell);
    if unfinished.is_none() {
        tell_unfinished(&store)?;
    }
    let mut head = head(&rig, arguments, movement.as_ref(), seed);
    head.notes.extend(notes(&faults)?);
    let durability = if simulation {
        Durability::Grouped
    } else {
        Durability::Full
    };
    let recorder = match unfinished {
        Some(run) => Recorder::resuming(store, run.head, durability, run.id)?,
        None => Recorder::new(store, head, durability),
    };
    let (asks, stop) = watch::channel(false);
    super::on_signal(asks.clone())?;
    let depth = if arguments.quick {
        Depth::Quick
    } else {
        Depth::Full
    };
    let telling = recorder.clone();
    let opened = move |guard: &Guard| {
        let found = found(guard);
        found.iter().for_each(|text| tell(text));
        let before = untold.texts().map(str::to_owned);
        telling.begin(guard.instruments(), before.chain(found))?;
        untold.told();
        Ok(())
    };
    let order = Order::new(Arc::clone(&rig), depth, stop)
        .telling(Arc::new(opened))
        .asking(Terminal::standard(), asks)
        .recording(arguments.sightings.clone());
    let mut watcher = Watcher::new();
    let journal = Box::new(recorder.clone());
    let done = match &movement {
        Some(movement) => {
            let fast = !arguments.real_time;
            let bench = simulate::bench(movement, seed, &faults, rig.pots.is_some());
            let run = simulated(&order, &bench, fast, journal, |p| watcher.show(p))?;
            Done {
                end: run.end,
                truth: Some(run.truth),
            }
        }
        None => Done {
            end: real(&order, incident::place(&arguments.store)?, journal, |p| {
                watcher.show(p)
            })?,
            truth: None,
        },
    };
    watcher.end();
    finish(arguments, &rig, &recorder, &done)
}

/// The run to go on with: it never ended, and it was made with this rig.
fn unfinished(arguments: &Arguments, id: RunId, rig: &Rig) -> Result<Run, Failure> {
    let run = Store::open(&arguments.store)?.run(id)?;
    if let Some(outcome) = run.outcome {
        return Err(Failure::usage(format!(
            "{id} has ended ({}): there is nothing to resume; leave out --resume to measure again",
            outcome.word()
        )));
    }
    if run.head.rig_text != rig.text {
        return Err(Failure::usage(format!(
            "{id} was begun with another rig file (\"{}\", or it was changed since): name that one, or \
             leave out --resume to measure again",
            run.head.rig_name
        )));
    }
    Ok(run)
}

/// Says so where the last run of the store never ended.
fn tell_unfinished(store: &Store) -> Result<(), Failure> {
    let runs = store.list()?;
    if let Some(last) = runs.last().filter(|run| run.outcome.is_none()) {
        tell(&format!(
            "{} ({}) has no end; if that run was killed, --resume {} goes on with it",
            last.id,
            last.label,
            last.id.get()
        ));
    }
    Ok(())
}

/// The simulated movement, where the rig's wires are in-process.
fn in_process(
    rig: &Rig,
    arguments: &Arguments,
    seed: u64,
) -> Result<Option<MovementSpec>, Failure> {
    if super::in_process(rig)? {
        let name = arguments.movement.as_deref().unwrap_or("heron");
        return simulate::movement(name, seed).map(Some);
    }
    if arguments.faults.is_some() {
        return Err(Failure::usage(
            "--faults is for the bench simulated in this program, but this rig file names \
             instruments elsewhere; give the file to needlerig simulate, or leave it out",
        ));
    }
    if arguments.movement.is_none() && arguments.seed.is_none() {
        return Ok(None);
    }
    Err(Failure::usage(
        "--movement and --seed are for the bench simulated in this program, but this rig file \
         names instruments elsewhere; leave them out",
    ))
}

/// What the guard found energised at the start, in words.
fn found(guard: &Guard) -> Option<String> {
    let found = guard.found();
    (!found.is_empty()).then(|| {
        format!(
            "the rig was found energised and was made safe first: {}",
            found.join(", ")
        )
    })
}

fn head(rig: &Rig, arguments: &Arguments, movement: Option<&MovementSpec>, seed: u64) -> RunHead {
    let named = movement.map(|movement| movement.name.clone());
    RunHead {
        label: arguments.label.clone().or(named).unwrap_or_default(),
        rig_name: rig.name.clone(),
        rig_text: rig.text.clone(),
        statement: rig.statement(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        seed: movement.map(|_| seed),
        simulated: rig.simulated || movement.is_some(),
        ambient: rig.limits.ambient,
        started: jiff::Timestamp::now()
            .strftime("%Y-%m-%dT%H:%M:%SZ")
            .to_string(),
        guarded_by: match movement {
            Some(_) => vec!["guard".to_owned()],
            None => vec!["guard".to_owned(), "watcher".to_owned()],
        },
        notes: super::rig::not_fitted(rig)
            .iter()
            .map(|what| format!("not fitted: {what}"))
            .collect(),
        ..RunHead::default()
    }
}

/// The faults as a record keeps them, so that the run can be repeated.
fn notes(faults: &Faults) -> Result<Option<String>, Failure> {
    if faults.fault.is_empty() {
        return Ok(None);
    }
    let plan = faults.to_toml().map_err(Failure::usage)?;
    Ok(Some(format!("simulated with faults:\n{plan}")))
}

/// How the run ended, as outcome, exit code and words.
fn verdict(end: &Result<RunEnd, Fault>, findings: &Findings) -> (Outcome, Option<Failure>) {
    let fault = match end {
        Err(fault) => Some(fault),
        Ok(RunEnd {
            ending: Err(fault), ..
        }) => Some(fault),
        Ok(RunEnd {
            ending: Ok(ending), ..
        }) => ending.fault.as_ref(),
    };
    if let Some(fault) = fault {
        let failure = Failure::from(fault);
        let outcome = match failure.code {
            INTERRUPTED => Outcome::Interrupted,
            REFUSED => Outcome::Refused,
            _ => Outcome::Failed,
        };
        return (outcome, Some(failure));
    }
    let refused = |text: String| (Outcome::Refused, Some(Failure::new(REFUSED, text)));
    match end.as_ref().ok().and_then(|end| end.plan.as_ref()) {
        Some(Ok(PlanOutcome::Complete)) => match (&findings.full_scale, &findings.resistance) {
            (Ok(_), Ok(_)) => (Outcome::Result, None),
            (Err(why), _) | (_, Err(why)) => refused(why.clone()),
        },
        Some(Ok(PlanOutcome::NothingMoves(why))) => refused(format!("nothing to measure: {why}")),
        Some(Err(defect @ Stopped::Defect(_))) => {
            let failure = Failure::new(INSTRUMENT, defect.to_string());
            (Outcome::Failed, Some(failure))
        }
        Some(Err(stopped)) => refused(stopped.to_string()),
        None => refused("the run ended without a reason".to_owned()),
    }
}

fn finish(
    arguments: &Arguments,
    rig: &Rig,
    recorder: &Recorder,
    done: &Done,
) -> Result<u8, Failure> {
    let findings = analyse(&rig.statement(), &recorder.observations());
    let (outcome, failure) = verdict(&done.end, &findings);
    let mut warnings = findings.warnings.clone();
    warnings.extend(arguments.resume.map(|_| RESUMED.to_owned()));
    let kept = recorder.finish(outcome, &object::stored(&findings)?, &warnings);
    // Two errors at once: the one that ended the run goes first.
    let (record, failure) = match (kept, failure) {
        (Ok(id), failure) => (id.map(|id| id.to_string()), failure),
        (Err(_), Some(failure)) => (None, Some(failure)),
        (Err(error), None) => (None, Some(Failure::from(error))),
    };
    let head = recorder.head();
    if arguments.json {
        let mut object = object::result(&head, &findings, record.as_deref());
        if let Some(truth) = &done.truth {
            object::with_truth(&mut object, truth);
        }
        if let Some(failure) = &failure {
            object::failed(&mut object, failure);
        }
        print_json(&object)?;
    } else {
        let mut page = notebook::page(&head, &findings, record.as_deref());
        if let Some(truth) = &done.truth {
            page.push_str(&show::truth(truth, &findings));
        }
        print(&page)?;
        if let Some(failure) = &failure {
            tell(&format!("\n{failure}"));
        }
    }
    Ok(failure.map_or(0, |failure| failure.code))
}
