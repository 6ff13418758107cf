//! `bench [ROUNDS]`: how fast simulated time passes, all bytes of the instruments' language
//! included. Prints simulated seconds per wall second and lines per simulated second.

use hw_sim::Bench;
use needlerig::session::{Order, SIMULATED_RIG, simulated};
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
    let (Ok(rounds), Ok(rig)) = (rounds, guard::Rig::parse(SIMULATED_RIG, "simulated.toml")) else {
        eprintln!("usage: bench [ROUNDS]");
        return ExitCode::from(2);
    };
    let rig = Arc::new(rig);
    let (_asks, stop) = tokio::sync::watch::channel(false);
    println!(
        "{:<10} {:>12} {:>10} {:>14} {:>18}",
        "movement", "simulated s", "wall s", "sim s / wall s", "lines / sim s"
    );
    for name in MOVEMENTS {
        let Some(movement) = hw_sim::find(name) else {
            continue;
        };
        let mut best: Option<(f64, f64, u64)> = None;
        for _ in 0..rounds {
            let order = Order::new(Arc::clone(&rig), Depth::Full, stop.clone());
            let began = Instant::now();
            let bench = Arc::new(Mutex::new(Bench::standard(&movement, 1)));
            let journal = Box::new(Tap::default());
            let Ok(run) = simulated(&order, &bench, true, journal, |_| {}) else {
                eprintln!("{name}: no runtime");
                return ExitCode::FAILURE;
            };
            let wall = began.elapsed().as_secs_f64();
            let better = best.is_none_or(|(old, ..)| wall < old);
            if better {
                best = Some((wall, run.lasted.get(), run.truth.lines));
            }
        }
        if let Some((wall, lasted, lines)) = best {
            println!(
                "{name:<10} {lasted:>12.1} {wall:>10.3} {:>14.0} {:>18.1}",
                lasted / wall,
                lines as f64 / lasted
            );
        }
    }
    ExitCode::SUCCESS
}
