//! `campaign [COUNT] [NAME] [--camera]`: characterises COUNT random movements (2,000 if not said) on
//! the simulated rig and judges every interval against the truth. Seeds come from NAME, the commit
//! hash if not said. With `--camera` pictures are drawn and read (50 movements if not said); without
//! it, sightings are drawn by chance. Finished trials are kept under target and not run again.
//! `--seed N` runs a single one and tells all about it.

use needlerig::session::{PICTURELESS_RIG, SIMULATED_RIG};
use needlerig_tests::campaign::{Summary, Trial, all, commit, trial};
use procedure::Depth;
use std::process::ExitCode;

const USAGE: &str = "usage: campaign [COUNT] [NAME] [--camera], or campaign --seed N [--camera]; \
     NAME is needed outside a git checkout";

fn main() -> ExitCode {
    let mut arguments: Vec<String> = std::env::args().skip(1).collect();
    let before = arguments.len();
    arguments.retain(|argument| argument != "--camera");
    let (folder, rig, usual) = match before > arguments.len() {
        true => ("camera-campaign", SIMULATED_RIG, 50),
        false => ("campaign", PICTURELESS_RIG.as_str(), 2000),
    };
    if let [option, seed] = &arguments[..]
        && option == "--seed"
    {
        return single(rig, seed);
    }
    let mut arguments = arguments.into_iter();
    let count = arguments
        .next()
        .map_or(Ok(usual), |text| text.parse::<u64>());
    let name = arguments.next().map_or_else(commit, Ok);
    let (Ok(count), Ok(name)) = (count, name) else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    match all(folder, count, &name, |seed| trial(rig, seed, Depth::Full)) {
        Ok(trials) => report(&trials),
        Err(error) => {
            eprintln!("campaign {name}: {error}");
            ExitCode::FAILURE
        }
    }
}

/// Runs one movement and prints all that is judged.
fn single(rig: &str, seed: &str) -> ExitCode {
    let Ok(seed) = seed.parse() else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    match trial(rig, seed, Depth::Full) {
        Ok(trial) => {
            println!("{trial:#?}");
            report(&[trial])
        }
        Err(error) => {
            eprintln!("campaign --seed {seed}: {error}");
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
    let kept = broken.is_empty() && summary.results() >= 0.98 && summary.covers();
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
