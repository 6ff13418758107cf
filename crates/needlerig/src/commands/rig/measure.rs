//! `rig check --measure`: whether the rig itself is what its file says.

use crate::commands::simulate;
use crate::exit::{Failure, REFUSED};
use crate::notebook::Sheet;
use crate::object;
use crate::output::{print, print_json, tell};
use crate::{incident, session};
use clap::Args;
use guard::{Review, Rig, Seen, Step, Verdict, Wiring};
use serde_json::{Value, json};
use std::io::IsTerminal;
use std::process::ExitCode;

/// What goes with `--measure`.
#[derive(Debug, Args)]
pub struct Options {
    /// Movement in the simulated bench
    #[arg(long, requires = "measure")]
    movement: Option<String>,
    /// Seed of the simulated bench
    #[arg(long, requires = "measure")]
    seed: Option<u64>,
    /// File of faults that the simulated bench has
    #[arg(long, value_name = "FILE", requires = "measure")]
    faults: Option<String>,
    /// Store beside which the watcher reports
    #[arg(long, default_value = "needlerig.sqlite")]
    store: String,
}

/// Runs the check on the instruments and prints what it found.
///
/// # Errors
/// When an instrument fails, or a part of the rig is not what its file says.
pub fn run(
    rig: &Rig,
    review: &Review,
    options: &Options,
    as_json: bool,
) -> Result<ExitCode, Failure> {
    let bank = rig.pots.as_ref().is_some_and(guard::PotBank::by_hand);
    if rig.supply.by_hand() || rig.probed_by_hand() || bank {
        let text = "the wiring is checked in some hundred small steps with a dozen readings each, which no \
                    hand can make; borrow programmable instruments for it";
        return Err(Failure::usage(text));
    }
    let (asks, stop) = tokio::sync::watch::channel(false);
    crate::commands::on_signal(asks)?;
    let progress = std::io::stderr().is_terminal();
    let told = |step: &Step| {
        if progress {
            tell(&line(step));
        }
    };
    let done = if crate::commands::in_process(rig)? {
        let seed = options.seed.unwrap_or_else(simulate::seed);
        let name = options.movement.as_deref().unwrap_or("heron");
        let movement = simulate::movement(name, seed)?;
        let faults = simulate::faults(options.faults.as_deref())?;
        let bench = simulate::bench(&movement, seed, &faults, rig.pots.is_some());
        session::check_simulated(rig, &bench, stop, told)?
    } else if options.movement.is_some() || options.seed.is_some() || options.faults.is_some() {
        return Err(Failure::usage(
            "--movement, --seed and --faults are for the bench simulated in this program, but this \
             rig file names instruments elsewhere; leave them out",
        ));
    } else {
        session::check_real(rig, incident::place(&options.store)?, stop, told)?
    };
    let wiring = done.map_err(|fault| Failure::from(&fault))?;
    let failure = failure(&wiring);
    if as_json {
        let mut object = object(rig, review, &wiring);
        if let Some(failure) = &failure {
            object::failed(&mut object, failure);
        }
        print_json(&object)?;
        return Ok(failure.map_or(ExitCode::SUCCESS, |failure| failure.exit()));
    }
    print(&page(rig, review, &wiring))?;
    failure.map_or(Ok(ExitCode::SUCCESS), Err)
}

fn line(step: &Step) -> String {
    let left = step.left.map_or(String::new(), |left| {
        format!(", about {:.0} s left", left.get().ceil())
    });
    format!("{:>3} of {}: {}{left}", step.number, step.of, step.what)
}

fn failure(wiring: &Wiring) -> Option<Failure> {
    if let Some(fault) = &wiring.fault {
        return Some(Failure::from(fault));
    }
    let wrong = wiring.seen.iter().filter(|s| s.verdict == Verdict::Wrong);
    let parts: Vec<&str> = wrong.map(|seen| seen.part.as_str()).collect();
    let text = format!("not as the rig file says: {}", parts.join("; "));
    (!parts.is_empty()).then(|| Failure::new(REFUSED, text))
}

fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Wrong => "WRONG",
        Verdict::Unseen => "not told",
    }
}

fn page(rig: &Rig, review: &Review, wiring: &Wiring) -> String {
    let mut sheet = Sheet::titled(&rig.name);
    for (role, identity) in &wiring.instruments {
        sheet.row(role, identity);
    }
    for found in &wiring.found {
        sheet.row("found at the start", found);
    }
    sheet.row(
        "read back",
        "relays, output, set-points, meter functions: as told",
    );
    sheet.gap();
    for seen in &wiring.seen {
        sheet.row(word(seen.verdict), &words(seen));
        if let Some(look_at) = &seen.look_at {
            sheet.row("", &format!("look at: {look_at}"));
        }
    }
    sheet.gap();
    let off = format!(
        "at most {:.2} until off is commanded, {:.2} until it is verified; this time verified after {:.2} s",
        review.off_commanded, review.off_verified, wiring.safe.took
    );
    sheet.row("safe state", &off);
    sheet.text()
}

fn words(seen: &Seen) -> String {
    match (seen.verdict, seen.expected.is_empty()) {
        (Verdict::Wrong, false) => {
            format!(
                "{}: expected {}, found {}",
                seen.part, seen.expected, seen.found
            )
        }
        _ => format!("{}: {}", seen.part, seen.found),
    }
}

fn object(rig: &Rig, review: &Review, wiring: &Wiring) -> Value {
    let seen = |seen: &Seen| {
        json!({
            "part": seen.part, "verdict": word(seen.verdict), "expected": seen.expected,
            "found": seen.found, "look_at": seen.look_at,
        })
    };
    let instruments: serde_json::Map<String, Value> = wiring
        .instruments
        .iter()
        .map(|(role, identity)| (role.clone(), json!(identity)))
        .collect();
    json!({
        "rig": rig.name,
        "simulated": rig.simulated,
        "passed": failure(wiring).is_none(),
        "instruments": instruments,
        "found_at_start": wiring.found,
        "seen": wiring.seen.iter().map(seen).collect::<Vec<_>>(),
        "off_commanded": review.off_commanded,
        "off_verified": review.off_verified,
        "safe": { "verified": wiring.safe.verified, "took": wiring.safe.took },
    })
}
