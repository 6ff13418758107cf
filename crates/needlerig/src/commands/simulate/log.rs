//! What the simulated rig was really driven with, and when: JSON lines for checks from outside.

use hw_sim::SharedBench;
use serde::Serialize;
use std::fs::File;
use std::io::{Result, Write};
use std::sync::PoisonError;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Time between two looks at the bench.
const EVERY: Duration = Duration::from_millis(5);
/// Below this, in V, a supply counts as off; its offset is 1 mV at most.
const OFF: f64 = 3e-3;

/// One line: the state from this moment on.
#[derive(Serialize)]
struct Line<'a> {
    /// Seconds since 1970-01-01 UTC.
    at: f64,
    /// More than the offset stands at the supply's terminals.
    driven: bool,
    /// Channels whose contacts are not in their position of rest.
    away: &'a [u16],
    /// Voltage at the supply's terminals, V.
    volts: f64,
    /// Current through the movement, A.
    current: f64,
    /// Highest deflection so far, a share of scale.
    peak: f64,
    /// Contacts with a stop so far into which the needle was driven.
    driven_stop_hits: u32,
}

/// Writes a line whenever contacts have moved or the supply went on or off.
///
/// # Errors
/// When the file can't be written.
pub async fn keep(bench: &SharedBench, mut file: File) -> Result<()> {
    let mut last = None;
    loop {
        let (volts, away, truth) = {
            let mut bench = bench.lock().unwrap_or_else(PoisonError::into_inner);
            bench.catch_up();
            (bench.output_volts(), bench.closed_channels(), bench.truth())
        };
        let now = (volts > OFF, away);
        if last.as_ref() != Some(&now) {
            let since = SystemTime::now().duration_since(UNIX_EPOCH);
            let line = Line {
                at: since.map_or(0.0, |since| since.as_secs_f64()),
                driven: now.0,
                away: &now.1,
                volts,
                current: truth.current,
                peak: truth.peak_deflection,
                driven_stop_hits: truth.driven_stop_hits,
            };
            let mut text = serde_json::to_vec(&line)?;
            text.push(b'\n');
            file.write_all(&text)?;
            last = Some(now);
        }
        tokio::time::sleep(EVERY).await;
    }
}
