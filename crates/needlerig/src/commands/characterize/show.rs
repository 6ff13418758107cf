//! What people see while a run goes on, and the truth after a simulated one.

use hw_sim::Truth;
use movement::analysis::{Figure, Findings};
use procedure::Progress;
use quantity::engineering;
use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

/// Width of the scale drawn for the needle.
const SCALE: usize = 21;

/// Shows progress on standard error: one line rewritten on a terminal, else one line a phase.
pub struct Watcher {
    terminal: bool,
    phase: &'static str,
    shown: Instant,
}

impl Watcher {
    /// For this process's standard error.
    pub fn new() -> Self {
        let terminal = std::io::stderr().is_terminal();
        Self {
            terminal,
            phase: "",
            shown: Instant::now(),
        }
    }

    /// Shows where the run stands.
    pub fn show(&mut self, progress: &Progress) {
        let fresh = progress.phase != self.phase;
        if self.terminal && (fresh || self.shown.elapsed() > Duration::from_millis(80)) {
            eprint!("\r{:<110}", line(progress));
            // A terminal that is gone has nobody to tell.
            let _ = std::io::stderr().flush();
            self.shown = Instant::now();
        } else if fresh && !self.terminal {
            eprintln!("{}", line(progress));
        }
        self.phase = progress.phase;
    }

    /// Leaves the line.
    pub fn end(&self) {
        if self.terminal {
            eprintln!();
        }
    }
}

fn line(progress: &Progress) -> String {
    let needle = progress.deflection.map_or(" ".repeat(SCALE + 9), |d| {
        format!("{} {:6.1} %", scale(d), d * 100.0)
    });
    let current = progress
        .current
        .map_or("–".to_owned(), |i| format!("{i:.3}"));
    let left = progress
        .left
        .map_or(String::new(), |left| format!("about {left:.0} s left"));
    format!(
        "{:>6.1} s  {:<20} {needle}  {current:>9} of {:>9}  {:>3.0} %  {left}",
        progress.at.get(),
        progress.phase,
        format!("{:.3}", progress.allowance),
        progress.done * 100.0
    )
}

/// The needle on a small scale.
fn scale(deflection: f64) -> String {
    let place = (deflection.clamp(0.0, 1.0) * (SCALE - 1) as f64).round() as usize;
    (0..SCALE)
        .map(|i| match i {
            i if i == place => '|',
            i if i % 5 == 0 => '+',
            _ => '.',
        })
        .collect()
}

/// The truth of a simulated run, which no analysis has seen.
pub fn truth(truth: &Truth, findings: &Findings) {
    println!("\n  simulation only: the truth, which no analysis has seen");
    compare(
        "full-scale current",
        truth.full_scale_current,
        &findings.full_scale,
        "A",
    );
    compare("resistance", truth.resistance, &findings.resistance, "Ω");
    println!(
        "  {:<24} {:.2} % of scale; {} stop contacts",
        "highest needle",
        truth.peak_deflection * 100.0,
        truth.stop_hits
    );
}

fn compare(name: &str, truth: Option<f64>, figure: &Figure, unit: &str) {
    let Some(truth) = truth else {
        println!("  {name:<24} none");
        return;
    };
    let verdict = figure.as_ref().map_or("", |figure| {
        let (low, high) = figure.interval95();
        if (low..=high).contains(&truth) {
            "inside the interval"
        } else {
            "outside the interval"
        }
    });
    println!("  {name:<24} {:<14} {verdict}", engineering(truth, unit, 6));
}
