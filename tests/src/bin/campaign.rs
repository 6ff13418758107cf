//! `campaign [COUNT] [NAME]`: characterises COUNT random movements (2,000 if not said) on the
//! simulated rig and judges every interval against the truth. Seeds come from NAME, the commit
//! hash if not said. Finished trials are kept under target/campaign and not run again.

use needlerig_tests::campaign::{Summary, Trial, all, commit, trial};
use procedure::Depth;
use std::process::ExitCode;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let count = arguments
        .next()
        .map_or(Ok(2000), |text| text.parse::<u64>());
    let name = arguments.next().map_or_else(commit, Ok);
    let (Ok(count), Ok(name)) = (count, name) else {
        eprintln!("usage: campaign [COUNT] [NAME]; NAME is needed outside a git checkout");
        return ExitCode::from(2);
    };
    match all("campaign", count, &name, |seed| trial(seed, Depth::Full)) {
        Ok(trials) => report(&trials),
        Err(error) => {
            eprintln!("campaign {name}: {error}");
            ExitCode::FAILURE
        }
    }
}

/// Prints the summary; fails unless the promise is kept.
fn report(trials: &[Trial]) -> ExitCode {
    let summary = Summary::new(trials);
    println!("{summary}");
    let broken = summary.broken(1.02);
    for trial in broken.iter().take(20) {
        println!(
            "BROKEN seed {}: needle {:.2} %, {} driven stop hits",
            trial.seed,
            trial.peak * 100.0,
            trial.driven_hits
        );
    }
    let (current, ohms) = summary.coverage();
    let inside = |share: f64| (0.93..=0.97).contains(&share);
    let kept = broken.is_empty() && summary.results() >= 0.98 && inside(current) && inside(ohms);
    println!(
        "{}",
        if kept {
            "the promise is kept"
        } else {
            "the promise is NOT kept"
        }
    );
    if kept {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
