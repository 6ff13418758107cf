//! `reader-campaign [COUNT] [NAME]`: COUNT random dials before random cameras (1,000 if not said),
//! set up, read and judged against the truth. Seeds come from NAME, the commit hash if not said.
//! Finished scenes are kept under target/reader-campaign and not run again. `--seed N` runs a
//! single one and tells all about it. Fails when there was a gross error stated with confidence under
//! good or typical conditions, a needle read where there is none, or a wrong set-up without doubt.

use needlerig_tests::campaign::pictured::{Report, pictured, scene};
use needlerig_tests::campaign::{all, commit};
use std::process::ExitCode;

const USAGE: &str = "usage: reader-campaign [COUNT] [NAME], or reader-campaign --seed N; NAME is \
     needed outside a git checkout";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let done = match words[..] {
        ["--seed", seed] => seed.parse().map_err(|_| USAGE.to_owned()).and_then(single),
        [] => commit().and_then(|name| many("1000", &name)),
        [count] => commit().and_then(|name| many(count, &name)),
        [count, name] => many(count, name),
        _ => Err(USAGE.to_owned()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn many(count: &str, name: &str) -> Result<(), String> {
    let count = count.parse().map_err(|_| USAGE.to_owned())?;
    let scenes = all("reader-campaign", count, name, pictured).map_err(|e| e.to_string())?;
    let report = Report(&scenes);
    print!("{report}");
    let broken = report.broken();
    broken.iter().for_each(|what| println!("BROKEN {what}"));
    match broken.is_empty() {
        true => Ok(()),
        false => Err("the promise is NOT kept".to_owned()),
    }
}

fn single(seed: u64) -> Result<(), String> {
    println!("{:#?}", scene(seed));
    println!("{:#?}", pictured(seed)?);
    Ok(())
}
