//! `kill-campaign [COUNT] [NAME]`: lets COUNT runs (200 if not said) die at moments drawn from NAME,
//! each on a simulated bench in another process, several at a time.

use needlerig_tests::kills::{OFF_WITHIN, Trial, Way, trial};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Runs at a time. They wait for most of their time.
const AT_A_TIME: usize = 6;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let count = arguments.next().map_or(Ok(200), |text| text.parse::<u64>());
    let name = arguments.next().unwrap_or_else(|| "deaths".to_owned());
    let (Ok(count), Ok(program)) = (count, program()) else {
        eprintln!("usage: kill-campaign [COUNT] [NAME], beside the program needlerig");
        return ExitCode::from(2);
    };
    let (trials, broken) = run(&program, count, &name);
    report(&trials, &broken);
    if broken.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn program() -> std::io::Result<PathBuf> {
    let program = std::env::current_exe()?.with_file_name("needlerig");
    program.canonicalize()
}

fn run(program: &Path, count: u64, name: &str) -> (Vec<Trial>, Vec<String>) {
    let next = AtomicU64::new(0);
    let done = Mutex::new((Vec::new(), Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..AT_A_TIME {
            scope.spawn(|| {
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if number >= count {
                        return;
                    }
                    let trial = trial(program, name, number);
                    let Ok(mut done) = done.lock() else { return };
                    match trial {
                        Ok(trial) if trial.off_after > OFF_WITHIN => {
                            done.1
                                .push(format!("{name} {number}: off too late: {trial:?}"));
                        }
                        Ok(trial) => done.0.push(trial),
                        Err(error) => done.1.push(format!("{name} {number}: {error}")),
                    }
                    if (done.0.len() + done.1.len()) % 20 == 0 {
                        eprintln!("{} of {count}", done.0.len() + done.1.len());
                    }
                }
            });
        }
    });
    done.into_inner().unwrap_or_default()
}

fn report(trials: &[Trial], broken: &[String]) {
    let count = trials.len() + broken.len();
    println!("{count} runs died, {} as promised", trials.len());
    for way in [Way::Kill, Way::Hang] {
        let live = trials.iter().filter(|t| t.way == way && t.live);
        let mut off: Vec<f64> = live.map(|t| t.off_after).collect();
        off.sort_by(f64::total_cmp);
        let Some(longest) = off.last() else { continue };
        println!(
            "{way:?}: {} on a live rig; off after {:.3} s (median), {:.3} s (19 of 20), {longest:.3} s \
             (longest); promised {OFF_WITHIN} s",
            off.len(),
            off[off.len() / 2],
            off[off.len() * 19 / 20],
        );
    }
    let kept: u64 = trials.iter().map(|t| t.kept).sum();
    println!("{kept} observations were acknowledged, none is missing");
    for text in broken {
        println!("BROKEN {text}");
    }
}
