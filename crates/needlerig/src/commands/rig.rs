//! `rig check`: what a rig file promises, before any current flows; and whether the rig itself
//! keeps it.

mod measure;
mod probe;
mod skeleton;

use crate::exit::Failure;
use crate::notebook::Sheet;
use crate::object;
use crate::output::{print, print_json};
use clap::{Args, Subcommand};
use guard::{Review, Rig};
use std::process::ExitCode;

/// What to do with a rig file.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Work out first touch, the ladder of paths, leakage and the time to the safe state; with
    /// --measure, also whether contacts and resistors are what the file says
    Check(Check),
    /// Find instruments by asking who they are, and propose a rig file; nothing is switched or set
    Probe(probe::Probe),
}

/// Arguments of `rig check`.
#[derive(Debug, Args)]
pub struct Check {
    /// Rig file; the simulated rig if not named
    rig: Option<String>,
    /// Verify the wiring on the instruments, with no more than the first touch
    #[arg(long)]
    measure: bool,
    #[command(flatten)]
    measuring: measure::Options,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// When the file is wrong, or a finding does not pass.
pub fn run(command: &Command) -> Result<ExitCode, Failure> {
    let check = match command {
        Command::Check(check) => check,
        Command::Probe(probe) => return probe::run(probe),
    };
    let rig = super::load(check.rig.as_deref())?;
    let review = rig.review();
    let bad = review.findings.iter().find(|finding| !finding.passed);
    let failure = bad.map(|bad| Failure::usage(format!("this rig must not be used: {}", bad.text)));
    if check.measure && failure.is_none() {
        return measure::run(&rig, &review, &check.measuring, check.json);
    }
    if !check.json {
        print(&page(&rig, &review))?;
        return failure.map_or(Ok(ExitCode::SUCCESS), Err);
    }
    let mut object = as_json(&rig, &review);
    if let Some(failure) = &failure {
        object::failed(&mut object, failure);
    }
    print_json(&object)?;
    Ok(failure.map_or(ExitCode::SUCCESS, |failure| failure.exit()))
}

fn page(rig: &Rig, review: &Review) -> String {
    let mut sheet = Sheet::titled(&rig.name);
    for finding in &review.findings {
        sheet.row(if finding.passed { "good" } else { "BAD" }, &finding.text);
    }
    sheet.gap();
    sheet.row(
        "path",
        "fixed       worst single fault through the movement",
    );
    for (number, path) in rig.paths.iter().enumerate() {
        let fixed = path.fixed.ohms.to_string();
        let beyond = if number > review.heaviest {
            "  (cannot be earned)"
        } else {
            ""
        };
        let text = format!("{fixed:<11} {}{beyond}", path.fault_current);
        sheet.row(&format!("  {}", path.name), &text);
    }
    let contact = format!(
        "{}, should its contact close by itself",
        review.contact_fault
    );
    sheet.row("  any of them", &contact);
    sheet.gap();
    let reach = format!("full-scale currents up to {:.3}", review.reach);
    sheet.row("reach", &reach);
    let off = match rig.supply.by_hand() {
        true => "by a person's hand: no time is promised, and no watcher stands by".to_owned(),
        false => format!(
            "commanded within {:.2} of the decision, verified within {:.2}",
            review.off_commanded, review.off_verified
        ),
    };
    sheet.row("safe state", &off);
    for (role, meter) in [
        ("drop meter", &rig.drop_meter),
        ("loop meter", &rig.loop_meter),
    ] {
        let date = meter.calibrated.as_deref().unwrap_or("not known when");
        sheet.row(role, &format!("calibrated {date}"));
    }
    for missing in not_fitted(rig) {
        sheet.row("not fitted", missing);
    }
    sheet.text()
}

fn as_json(rig: &Rig, review: &Review) -> serde_json::Value {
    let findings: Vec<_> = review
        .findings
        .iter()
        .map(|f| serde_json::json!({ "passed": f.passed, "text": f.text }))
        .collect();
    let path = |(number, path): (usize, &guard::Path)| {
        serde_json::json!({
            "name": path.name,
            "fixed": path.fixed.ohms,
            "fault_current": path.fault_current,
            "earnable": number <= review.heaviest,
        })
    };
    serde_json::json!({
        "rig": rig.name,
        "simulated": rig.simulated,
        "passed": review.passed(),
        "findings": findings,
        "paths": rig.paths.iter().enumerate().map(path).collect::<Vec<_>>(),
        "contact_fault": review.contact_fault,
        "reach": review.reach,
        "off_commanded": review.off_commanded,
        "off_verified": review.off_verified,
        "not_fitted": not_fitted(rig),
    })
}

/// Protection that the rig file says is not fitted.
pub fn not_fitted(rig: &Rig) -> Vec<&'static str> {
    let all = [
        (
            rig.protection.emergency_stop,
            "emergency stop in the coil supply",
        ),
        (rig.protection.coil_dead_man, "dead-man in the coil supply"),
        (
            rig.protection.trip.is_some(),
            "hardware trip that opens the loop and closes the short",
        ),
    ];
    all.into_iter()
        .filter(|(fitted, _)| !fitted)
        .map(|(_, name)| name)
        .collect()
}
