//! `characterize`: one movement from a cold start to a stored, printed result.

mod question;
mod show;

use super::simulate;
use crate::cli::fail;
use crate::exit::{Failure, INTERRUPTED, REFUSED, STORE, USAGE};
use crate::notebook;
use crate::recorder::Recorder;
use crate::session::{Order, real, simulated};
use clap::Args;
use guard::{Fault, ReaderSpec, Rig};
use hw_sim::{MovementSpec, Truth};
use movement::analysis::{Findings, analyse};
use procedure::{Depth, Outcome as PlanOutcome, RunEnd};
use records::{Durability, Outcome, RunHead, Store};
use serde_json::json;
use show::Watcher;
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
    /// Fewer marks and repeats: wider intervals in less time
    #[arg(long)]
    quick: bool,
    /// Let simulated time pass as real time does
    #[arg(long)]
    real_time: bool,
    /// Print exactly one JSON object on standard output
    #[arg(long)]
    json: bool,
    /// Store file
    #[arg(long, default_value = "needlerig.sqlite")]
    store: String,
    /// Answer yes to the question before a real rig is energised
    #[arg(long)]
    yes: bool,
}

/// What a run left behind.
struct Done {
    end: Result<RunEnd, Fault>,
    truth: Option<Truth>,
}

/// Runs the command; prints the result, or what went wrong.
pub fn run(arguments: &Arguments) -> ExitCode {
    match characterize(arguments) {
        Ok(code) => ExitCode::from(code),
        Err(failure) => fail(&failure, arguments.json),
    }
}

fn characterize(arguments: &Arguments) -> Result<u8, Failure> {
    let rig = Arc::new(super::load(arguments.rig.as_deref())?);
    if let Some(bad) = rig.review().findings.iter().find(|finding| !finding.passed) {
        return Err(Failure::usage(format!(
            "this rig must not be used: {}",
            bad.text
        )));
    }
    let seed = arguments.seed.unwrap_or_else(simulate::seed);
    let movement = in_process(&rig, arguments, seed)?;
    if !rig.simulated {
        question::ask(&rig, arguments.yes)?;
    }
    let store = Store::open(&arguments.store)?;
    let head = head(&rig, arguments, movement.as_ref(), seed);
    let durability = if rig.simulated {
        Durability::Grouped
    } else {
        Durability::Full
    };
    let recorder = Recorder::new(store, head.clone(), durability);
    let (asks, stop) = watch::channel(false);
    on_signal(asks)?;
    let depth = if arguments.quick {
        Depth::Quick
    } else {
        Depth::Full
    };
    let telling = recorder.clone();
    let order = Order::new(Arc::clone(&rig), depth, stop).telling(Arc::new(
        move |instruments: &[(String, String)]| telling.instruments(instruments),
    ));
    let mut watcher = Watcher::new();
    let journal = Box::new(recorder.clone());
    let done = match &movement {
        Some(movement) => {
            let fast = !arguments.real_time;
            let run = simulated(&order, movement, seed, fast, journal, |p| watcher.show(p))?;
            Done {
                end: run.end,
                truth: Some(run.truth),
            }
        }
        None => Done {
            end: real(&order, journal, |p| watcher.show(p))?,
            truth: None,
        },
    };
    watcher.end();
    finish(arguments, &rig, &head, &recorder, &done)
}

/// The simulated movement, where the rig's wires are in-process.
fn in_process(
    rig: &Rig,
    arguments: &Arguments,
    seed: u64,
) -> Result<Option<MovementSpec>, Failure> {
    if matches!(rig.reader, ReaderSpec::InProcess(_)) {
        let name = arguments.movement.as_deref().unwrap_or("heron");
        return simulate::movement(name, seed).map(Some);
    }
    match (&arguments.movement, arguments.real_time) {
        (None, false) => Ok(None),
        _ => Err(Failure::usage(
            "--movement and --real-time are for the rig simulated in this program; \
             this rig file names instruments elsewhere",
        )),
    }
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
        simulated: rig.simulated,
        ambient: rig.limits.ambient,
        started: jiff::Timestamp::now()
            .strftime("%Y-%m-%dT%H:%M:%SZ")
            .to_string(),
        guarded_by: vec!["guard".to_owned()],
        notes: super::rig::not_fitted(rig)
            .iter()
            .map(|what| format!("not fitted: {what}"))
            .collect(),
        ..RunHead::default()
    }
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
        Some(Err(stopped)) => refused(stopped.to_string()),
        None => refused("the run ended without a reason".to_owned()),
    }
}

fn finish(
    arguments: &Arguments,
    rig: &Rig,
    head: &RunHead,
    recorder: &Recorder,
    done: &Done,
) -> Result<u8, Failure> {
    let findings = analyse(&rig.statement(), &recorder.observations());
    let (outcome, failure) = verdict(&done.end, &findings);
    let kept = recorder.finish(outcome, &notebook::stored(&findings)?, &findings.warnings);
    let record = match (&kept, &failure) {
        (Ok(id), _) => id.map(|id| id.to_string()),
        // Two errors at once: the one that ended the run is the one to tell.
        (Err(_), Some(_)) => None,
        (Err(error), None) => return Err(Failure::new(STORE, error.to_string())),
    };
    if arguments.json {
        println!(
            "{}",
            object(
                head,
                &findings,
                record.as_deref(),
                done.truth.as_ref(),
                failure.as_ref()
            )
        );
    } else {
        print!("{}", notebook::page(head, &findings, record.as_deref()));
        if let Some(truth) = &done.truth {
            show::truth(truth, &findings);
        }
        if let Some(failure) = &failure {
            eprintln!("\n{failure}");
        }
    }
    Ok(failure.map_or(0, |failure| failure.code))
}

fn object(
    head: &RunHead,
    findings: &Findings,
    record: Option<&str>,
    truth: Option<&Truth>,
    failure: Option<&Failure>,
) -> serde_json::Value {
    let mut object = notebook::json(&head.label, findings, record);
    if let Some(truth) = truth {
        object["truth"] = json!({
            "full_scale_current": truth.full_scale_current,
            "resistance": truth.resistance,
            "peak_deflection": truth.peak_deflection,
            "stop_hits": truth.stop_hits,
        });
    }
    if let Some(failure) = failure {
        object["error"] = json!(failure.text);
        object["exit"] = json!(failure.code);
    }
    object
}

/// Turns `asks` true at the first SIGINT, SIGTERM or SIGHUP.
///
/// # Errors
/// When the operating system does not let us hear of signals.
pub fn on_signal(asks: watch::Sender<bool>) -> Result<(), Failure> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let mut signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM, SIGHUP])
        .map_err(|error| Failure::new(USAGE, format!("signals can't be heard: {error}")))?;
    std::thread::spawn(move || {
        if signals.forever().next().is_some() {
            asks.send_replace(true);
        }
        // Kept to the end of the program, so that asking stays possible.
        std::thread::park();
    });
    Ok(())
}
