//! `campaign [COUNT] [NAME]`: characterises COUNT random movements (2,000 if not said) on the
//! simulated rig and judges every interval against the truth. Seeds come from NAME, the commit
//! hash if not said. Finished trials are kept under target/campaign and not run again.

use needlerig_tests::campaign::{Summary, Trial, seed, trial};
use procedure::Depth;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

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
    match run(count, &name) {
        Ok(trials) => report(&trials),
        Err(error) => {
            eprintln!("campaign {name}: {error}");
            ExitCode::FAILURE
        }
    }
}

fn commit() -> Result<String, String> {
    let git = std::process::Command::new("git")
        .args(["rev-parse", "HEAD"])
        .output();
    let output = git.map_err(|error| error.to_string())?;
    let text = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    if text.is_empty() {
        Err("no commit".to_owned())
    } else {
        Ok(text)
    }
}

fn run(count: u64, name: &str) -> Result<Vec<Trial>, Box<dyn std::error::Error + Send + Sync>> {
    std::fs::create_dir_all("target/campaign")?;
    let path = format!("target/campaign/{name}.jsonl");
    let mut done: BTreeMap<u64, Trial> = BTreeMap::new();
    if let Ok(file) = std::fs::File::open(&path) {
        // A line cut short by an interruption is run again.
        let lines = BufReader::new(file).lines().map_while(Result::ok);
        done.extend(
            lines
                .filter_map(|line| serde_json::from_str::<Trial>(&line).ok())
                .map(|t| (t.seed, t)),
        );
    }
    let file = Mutex::new(
        std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&path)?,
    );
    let known = done.clone();
    let next = AtomicU64::new(0);
    let fresh = Mutex::new(Vec::new());
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if number >= count {
                        return;
                    }
                    let seed = seed(name, number);
                    if known.contains_key(&seed) {
                        continue;
                    }
                    match trial(seed, Depth::Full) {
                        Ok(trial) => {
                            keep(&file, &trial);
                            fresh
                                .lock()
                                .map(|mut all| all.push(trial))
                                .unwrap_or_default();
                        }
                        Err(error) => eprintln!("seed {seed}: {error}"),
                    }
                    if number % 200 == 199 {
                        eprintln!("{} of {count}", number + 1);
                    }
                }
            });
        }
    });
    done.extend(
        fresh
            .into_inner()
            .unwrap_or_default()
            .into_iter()
            .map(|t| (t.seed, t)),
    );
    let wanted: Vec<Trial> = (0..count)
        .filter_map(|n| done.get(&seed(name, n)).cloned())
        .collect();
    if wanted.len() as u64 != count {
        return Err(format!("only {} of {count} trials could be run", wanted.len()).into());
    }
    Ok(wanted)
}

fn keep(file: &Mutex<std::fs::File>, trial: &Trial) {
    let line = serde_json::to_string(trial).map(|line| line + "\n");
    let kept = line.map_err(std::io::Error::from).and_then(|line| {
        let mut file = file
            .lock()
            .map_err(|_| std::io::Error::other("another thread failed"))?;
        file.write_all(line.as_bytes())
    });
    if let Err(error) = kept {
        eprintln!("seed {} is not kept for resuming: {error}", trial.seed);
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
