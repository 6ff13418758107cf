//! `guard-campaign [COUNT] [NAME] [--energy]`: COUNT random movements on random rigs (1,000 if not
//! said) with random faults of information, or of energy, judged against the truth. Seeds come from
//! NAME, the commit hash if not said. Finished runs are kept under target/guard-campaign and not run
//! again. `--seed N` runs a single one and tells all about it.

use hw_sim::{Class, Faults};
use needlerig_tests::campaign::guarded::{Guarded, Report, guarded};
use needlerig_tests::campaign::{all, commit};
use std::process::ExitCode;

const USAGE: &str = "usage: guard-campaign [COUNT] [NAME] [--energy], or guard-campaign --seed N [--energy]; \
     NAME is needed outside a git checkout";

fn main() -> ExitCode {
    let mut arguments: Vec<String> = std::env::args().skip(1).collect();
    let before = arguments.len();
    arguments.retain(|argument| argument != "--energy");
    let class = match arguments.len() == before {
        true => Class::Information,
        false => Class::Energy,
    };
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let done = match words[..] {
        ["--seed", seed] => seed
            .parse()
            .map_err(|_| USAGE.to_owned())
            .and_then(|seed| single(seed, class)),
        [] => commit().and_then(|name| many(1000, &name, class)),
        [count] => commit().and_then(|name| counted(count, &name, class)),
        [count, name] => counted(count, name, class),
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

fn counted(count: &str, name: &str, class: Class) -> Result<bool, String> {
    let count = count.parse().map_err(|_| USAGE.to_owned())?;
    many(count, name, class)
}

/// Runs many and prints the report; true when the promise was kept.
fn many(count: u64, name: &str, class: Class) -> Result<bool, String> {
    let folder = match class {
        Class::Information => "guard-campaign/information",
        Class::Energy => "guard-campaign/energy",
    };
    let runs: Vec<Guarded> =
        all(folder, count, name, |seed| guarded(seed, class)).map_err(|error| error.to_string())?;
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

fn single(seed: u64, class: Class) -> Result<bool, String> {
    println!("{}", Faults::random(seed, class).to_toml()?);
    let run = guarded(seed, class)?;
    println!("first struck  {:?} s", run.onset);
    println!("ended with    {}: {}", run.ending, run.words);
    println!(
        "needle        {:.4} to {:.4} of scale",
        run.needle.1, run.needle.0
    );
    println!("stop contacts {} driven, {} others", run.hits.0, run.hits.1);
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
    println!("broken        {}", run.broken.join("; "));
    Ok(run.broken.is_empty())
}
