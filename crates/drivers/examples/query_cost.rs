//! What one question and its answer cost in this process: `cargo run -p drivers --example
//! query_cost`. Both task switches are in the figure.

use drivers::{Link, LinkError, Wire};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};

const ROUNDS: u32 = 200_000;

/// Answers every line with the same reading.
async fn instrument(mut wire: DuplexStream) {
    let mut bytes = [0; 256];
    while let Ok(count @ 1..) = wire.read(&mut bytes).await {
        let lines = bytes[..count].iter().filter(|byte| **byte == b'\n').count();
        for _ in 0..lines {
            if wire.write_all(b"+1.23456789E-01\n").await.is_err() {
                return;
            }
        }
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for paused in [false, true] {
        let mut runtime = tokio::runtime::Builder::new_current_thread();
        let runtime = runtime.enable_time().start_paused(paused).build()?;
        let took = runtime.block_on(async {
            let (ours, theirs) = duplex(4096);
            tokio::spawn(instrument(theirs));
            let deadline = Duration::from_secs(1);
            let mut link = Link::over(Box::new(ours), "meter", &Wire::lines(deadline));
            let start = Instant::now();
            for _ in 0..ROUNDS {
                link.query(":MEAS:VOLT?", deadline).await?;
            }
            Ok::<_, LinkError>(start.elapsed())
        })?;
        let each = took.as_secs_f64() * 1e6 / f64::from(ROUNDS);
        println!("{each:.2} µs for one question (clock paused: {paused})");
    }
    Ok(())
}
