//! `bench [ROUNDS]`: how fast simulated time passes, all bytes of the instruments' language
//! included. Prints simulated seconds per wall second and lines per simulated second: first with
//! the camera's pictures drawn and read, then without pictures.

use hw_sim::Bench;
use needlerig::session::{Order, PICTURELESS_RIG, SIMULATED_RIG, simulated};
use needlerig_tests::campaign::Tap;
use procedure::Depth;
use std::process::ExitCode;
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// Movements of the library, from quick and damped to slow and swinging.
const MOVEMENTS: [&str; 4] = ["heron", "tansy", "bramble", "sorrel"];

fn main() -> ExitCode {
    let rounds = std::env::args()
        .nth(1)
        .map_or(Ok(5), |text| text.parse::<u32>());
    let Ok(rounds) = rounds else {
        eprintln!("usage: bench [ROUNDS]");
        return ExitCode::from(2);
    };
    // A round with pictures takes as long as dozens without.
    let cases = [
        ("with pictures", SIMULATED_RIG, rounds.div_ceil(5)),
        ("without pictures", &PICTURELESS_RIG, rounds),
    ];
    for (title, rig, rounds) in cases {
        println!(
            "{title:<16} {:>12} {:>10} {:>14} {:>18}",
            "simulated s", "wall s", "sim s / wall s", "lines / sim s"
        );
        for name in MOVEMENTS {
            match best(rig, name, rounds) {
                Ok((wall, lasted, lines)) => println!(
                    "{name:<16} {lasted:>12.1} {wall:>10.3} {:>14.0} {:>18.1}",
                    lasted / wall,
                    lines as f64 / lasted
                ),
                Err(why) => {
                    eprintln!("{name}: {why}");
                    return ExitCode::FAILURE;
                }
            }
        }
    }
    ExitCode::SUCCESS
}

/// Wall seconds, simulated seconds and lines of the fastest of these rounds.
fn best(rig: &str, name: &str, rounds: u32) -> Result<(f64, f64, u64), String> {
    let rig = guard::Rig::parse(rig, "simulated.toml").map_err(|error| error.to_string())?;
    let rig = Arc::new(rig);
    let movement = hw_sim::find(name).ok_or("no such movement")?;
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let mut best: Option<(f64, f64, u64)> = None;
    for _ in 0..rounds {
        let order = Order::new(Arc::clone(&rig), Depth::Full, stop.clone());
        let began = Instant::now();
        let bench = Arc::new(Mutex::new(Bench::standard(&movement, 1)));
        let journal = Box::new(Tap::default());
        let run = simulated(&order, &bench, true, journal, |_| {}).map_err(|e| e.to_string())?;
        let wall = began.elapsed().as_secs_f64();
        if best.is_none_or(|(old, ..)| wall < old) {
            best = Some((wall, run.lasted.get(), run.truth.lines));
        }
    }
    best.ok_or_else(|| "no rounds".to_owned())
}
