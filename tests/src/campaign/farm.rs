//! Many trials on all cores. Finished ones are kept and not run again.

use super::seed;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;
use std::error::Error;
use std::fs::{File, OpenOptions, create_dir_all};
use std::io::{BufRead, BufReader, Write};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// The commit's hash, which names a campaign that has no other name.
///
/// # Errors
/// Outside a git checkout.
pub fn commit() -> Result<String, String> {
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

/// Trials one by one as they are kept: seed and outcome.
type Kept<T> = (u64, T);

/// Runs `count` trials of the campaign `name`, in the order of their numbers. They are kept under
/// target/`folder`.
///
/// # Errors
/// When a trial could not be run, or the folder can't be used.
pub fn all<T>(
    folder: &str,
    count: u64,
    name: &str,
    trial: impl Fn(u64) -> Result<T, String> + Sync,
) -> Result<Vec<T>, Box<dyn Error + Send + Sync>>
where
    T: Serialize + DeserializeOwned + Send + Sync,
{
    create_dir_all(format!("target/{folder}"))?;
    let path = format!("target/{folder}/{name}.jsonl");
    let known: BTreeMap<u64, T> = match File::open(&path) {
        // A line cut short by an interruption is run again.
        Ok(file) => BufReader::new(file)
            .lines()
            .map_while(Result::ok)
            .filter_map(|line| serde_json::from_str::<Kept<T>>(&line).ok())
            .collect(),
        Err(_) => BTreeMap::new(),
    };
    let file = Mutex::new(OpenOptions::new().create(true).append(true).open(&path)?);
    let next = AtomicU64::new(0);
    let fresh = Mutex::new(BTreeMap::new());
    let work = || {
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= count {
                return;
            }
            let seed = seed(name, number);
            if !known.contains_key(&seed) {
                match trial(seed) {
                    Ok(trial) => {
                        let kept: Kept<T> = (seed, trial);
                        keep(&file, &kept);
                        if let Ok(mut fresh) = fresh.lock() {
                            fresh.insert(kept.0, kept.1);
                        }
                    }
                    Err(error) => eprintln!("seed {seed}: {error}"),
                }
            }
            if number % 200 == 199 {
                eprintln!("{} of {count}", number + 1);
            }
        }
    };
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(work);
        }
    });
    let mut done = known;
    done.extend(fresh.into_inner().unwrap_or_default());
    let wanted: Vec<T> = (0..count)
        .filter_map(|number| done.remove(&seed(name, number)))
        .collect();
    if wanted.len() as u64 != count {
        return Err(format!("only {} of {count} trials could be run", wanted.len()).into());
    }
    Ok(wanted)
}

fn keep<T: Serialize>(file: &Mutex<File>, kept: &Kept<T>) {
    let line = serde_json::to_string(kept).map(|line| line + "\n");
    let written = line.map_err(std::io::Error::from).and_then(|line| {
        let mut file = file
            .lock()
            .map_err(|_| std::io::Error::other("another thread failed"))?;
        file.write_all(line.as_bytes())
    });
    if let Err(error) = written {
        eprintln!("seed {} is not kept for resuming: {error}", kept.0);
    }
}
