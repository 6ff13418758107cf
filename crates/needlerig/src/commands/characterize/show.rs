//! What people see while a run goes on, and the truth after a simulated one.

use crate::figure::style;
use crate::notebook::Sheet;
use crate::output::tell;
use hw_sim::Truth;
use movement::analysis::{Figure, Findings};
use procedure::Progress;
use quantity::engineering;
use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

/// Width of the scale drawn for the needle.
const SCALE: usize = 17;
/// Columns of the line.
const WIDTH: usize = 79;

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
            // A terminal that is gone has nobody to tell.
            let mut err = std::io::stderr().lock();
            let _ = write!(err, "\r{:<WIDTH$}", line(progress));
            let _ = err.flush();
            self.shown = Instant::now();
        } else if fresh && !self.terminal {
            tell(&line(progress));
        }
        self.phase = progress.phase;
    }

    /// Leaves the line.
    pub fn end(&self) {
        if self.terminal {
            tell("");
        }
    }
}

/// Not more than a terminal of 80 columns holds: what wraps can't be rewritten.
fn line(progress: &Progress) -> String {
    let needle = progress.deflection.map_or(" ".repeat(SCALE + 8), |d| {
        format!("{} {:5.1} %", scale(d), d * 100.0)
    });
    let current = progress
        .current
        .map_or("–".to_owned(), |i| format!("{i:.3}"));
    let allowance = format!("{:.3}", progress.allowance);
    let left = progress
        .left
        .map_or(String::new(), |left| format!("  {left:.0} s left"));
    let text = format!(
        "{:<18} {needle} {current:>8} of {allowance:>7}{left}",
        progress.phase
    );
    text.chars().take(WIDTH).collect()
}

/// The needle on a small scale.
fn scale(deflection: f64) -> String {
    let place = (deflection.clamp(0.0, 1.0) * (SCALE - 1) as f64).round() as usize;
    (0..SCALE)
        .map(|i| match i {
            i if i == place => '|',
            i if i % 4 == 0 => '+',
            _ => '.',
        })
        .collect()
}

/// The truth of a simulated run, which no analysis has seen, and whether the intervals hold it.
pub fn truth(truth: &Truth, findings: &Findings) -> String {
    let mut sheet = Sheet::titled("\nTHE TRUTH (simulated run; no analysis has seen it)");
    let mut row = |name, truth: Option<f64>, figure: &Figure, unit| {
        sheet.row(name, &compare(truth, figure, unit));
    };
    let current = truth.full_scale_current;
    row("full-scale current", current, &findings.full_scale, "A");
    row("resistance", truth.resistance, &findings.resistance, "Ω");
    let peak = truth.peak_deflection * 100.0;
    let text = format!("{peak:.2} % of scale; {} stop contacts", truth.stop_hits);
    sheet.row("highest needle", &text);
    sheet.text()
}

fn compare(truth: Option<f64>, figure: &Figure, unit: &str) -> String {
    let Some(truth) = truth else {
        return "none".to_owned();
    };
    let Ok(figure) = figure else {
        return format!("{:<14} not found", engineering(truth, unit, 6));
    };
    let (low, high) = figure.interval95();
    let verdict = if (low..=high).contains(&truth) {
        "inside the interval"
    } else {
        "outside the interval"
    };
    format!("{:<14} {verdict}", style(figure).with_unit(truth, unit))
}
