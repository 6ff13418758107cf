//! `guard-campaign [COUNT] [NAME] [--energy] [--trip]`: COUNT random movements on random rigs (1,000 if not
//! said) with random faults of information, or of energy, judged against the truth. Seeds come from
//! NAME, the commit hash if not said. With `--trip` every rig has a hardware trip. Finished runs are
//! kept under target/guard-campaign and not run again. `--seed N` runs a single one and tells all
//! about it.

use hw_sim::{Class, Faults};
use needlerig_tests::campaign::guarded::{Guarded, Report, guarded};
use needlerig_tests::campaign::{all, commit};
use std::process::ExitCode;

const USAGE: &str = "usage: guard-campaign [COUNT] [NAME] [--energy] [--trip], or guard-campaign --seed N [--energy] [--trip]; \
     NAME is needed outside a git checkout";

fn main() -> ExitCode {
    let mut arguments: Vec<String> = std::env::args().skip(1).collect();
    let mut option = |name: &str| {
        let before = arguments.len();
        arguments.retain(|argument| argument != name);
        arguments.len() < before
    };
    let class = match option("--energy") {
        true => Class::Energy,
        false => Class::Information,
    };
    let kind = (class, option("--trip"));
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let done = match words[..] {
        ["--seed", seed] => seed
            .parse()
            .map_err(|_| USAGE.to_owned())
            .and_then(|seed| single(seed, kind)),
        [] => commit().and_then(|name| many(1000, &name, kind)),
        [count] => commit().and_then(|name| counted(count, &name, kind)),
        [count, name] => counted(count, name, kind),
        _ => Err(USAGE.to_owned()),
    };
    match done {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::from(2)
        }
    }
}

fn counted(count: &str, name: &str, kind: (Class, bool)) -> Result<bool, String> {
    let count = count.parse().map_err(|_| USAGE.to_owned())?;
    many(count, name, kind)
}

/// Runs many and prints the report; true when the promise was kept.
fn many(count: u64, name: &str, kind: (Class, bool)) -> Result<bool, String> {
    let (class, trip) = kind;
    let folder = match kind {
        (Class::Information, false) => "guard-campaign/information",
        (Class::Information, true) => "guard-campaign/information-trip",
        (Class::Energy, false) => "guard-campaign/energy",
        (Class::Energy, true) => "guard-campaign/energy-trip",
    };
    let trial = |seed| guarded(seed, class, trip);
    let runs: Vec<Guarded> = all(folder, count, name, trial).map_err(|error| error.to_string())?;
    let report = Report(&runs);
    print!("{report}");
    for run in report.broken().take(40) {
        println!("BROKEN --seed {}: {}", run.seed, run.broken.join("; "));
    }
    let broken = report.broken().count();
    println!(
        "the promise is {}",
        if broken == 0 { "kept" } else { "NOT kept" }
    );
    Ok(broken == 0)
}

fn single(seed: u64, kind: (Class, bool)) -> Result<bool, String> {
    println!("{}", Faults::random(seed, kind.0).to_toml()?);
    let run = guarded(seed, kind.0, kind.1)?;
    println!("first struck  {:?} s", run.onset);
    println!("ended with    {}: {}", run.ending, run.words);
    println!(
        "needle        {:.4} to {:.4} of scale",
        run.needle.1, run.needle.0
    );
    println!("stop contacts {} driven, {} others", run.hits.0, run.hits.1);
    if run.trip {
        let let_go = if run.tripped {
            "let go"
        } else {
            "did not let go"
        };
        println!("the trip      {let_go}");
    }
    println!(
        "over bound    {:.4} (ruler {:.4})",
        run.over_bound,
        run.ruler()
    );
    println!("over fault    {:.4}", run.over_fault);
    println!(
        "over rating   {:.4} {}",
        run.over_rating.0, run.over_rating.1
    );
    println!("safe after    {:?} s", run.safe_after);
    println!("making safe   {:?} s (took, computed)", run.making_safe);
    println!("broken        {}", run.broken.join("; "));
    Ok(run.broken.is_empty())
}
