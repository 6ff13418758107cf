//! `rig check`: what a rig file promises, before any current flows.

use crate::exit::{Failure, USAGE};
use clap::{Args, Subcommand};
use guard::{Review, Rig};

/// What to do with a rig file.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Work out first touch, the ladder of paths, leakage and the time to the safe state
    Check(Check),
}

/// Arguments of `rig check`.
#[derive(Debug, Args)]
pub struct Check {
    /// Rig file; the simulated rig if not named
    rig: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// When the file is wrong, or a finding does not pass.
pub fn run(command: &Command) -> Result<(), Failure> {
    let Command::Check(check) = command;
    let rig = super::load(check.rig.as_deref())?;
    let review = rig.review();
    if check.json {
        print_json(&rig, &review);
    } else {
        print(&rig, &review);
    }
    match review.findings.iter().find(|finding| !finding.passed) {
        None => Ok(()),
        // The object above is the one that was asked for; the code says the rest.
        Some(_) if check.json => std::process::exit(i32::from(USAGE)),
        Some(finding) => Err(Failure::usage(format!(
            "this rig must not be used: {}",
            finding.text
        ))),
    }
}

fn print(rig: &Rig, review: &Review) {
    println!("{}\n", rig.name);
    for finding in &review.findings {
        println!(
            "  {}  {}",
            if finding.passed { "good" } else { "BAD " },
            finding.text
        );
    }
    println!("\npaths, from light to heavy (worst single fault through the movement):");
    for (number, path) in rig.paths.iter().enumerate() {
        let reach = if number <= review.heaviest {
            ""
        } else {
            "   not reachable"
        };
        println!(
            "  {:<10} {:>9}   {}{reach}",
            path.name,
            path.fixed.ohms.to_string(),
            path.fault_current
        );
    }
    println!(
        "\nreach             full-scale currents up to {}",
        review.reach
    );
    println!(
        "off commanded     within {} of the decision",
        review.off_commanded
    );
    println!("off verified      within {}", review.off_verified);
    for missing in not_fitted(rig) {
        println!("not fitted        {missing}");
    }
}

fn print_json(rig: &Rig, review: &Review) {
    let findings: Vec<_> = review
        .findings
        .iter()
        .map(|f| serde_json::json!({ "passed": f.passed, "text": f.text }))
        .collect();
    let report = serde_json::json!({
        "rig": rig.name,
        "passed": review.passed(),
        "findings": findings,
        "reach": review.reach,
        "off_commanded": review.off_commanded,
        "off_verified": review.off_verified,
        "not_fitted": not_fitted(rig),
    });
    println!("{report}");
}

/// Protection that the rig file says is not fitted.
pub fn not_fitted(rig: &Rig) -> Vec<&'static str> {
    let all = [
        (
            rig.protection.emergency_stop,
            "emergency stop in the coil supply",
        ),
        (rig.protection.coil_dead_man, "dead-man in the coil supply"),
        (rig.protection.trip, "hardware trip that closes the short"),
    ];
    all.into_iter()
        .filter(|(fitted, _)| !fitted)
        .map(|(_, name)| name)
        .collect()
}
