//! What a campaign against faults shows.

use super::Guarded;
use std::collections::BTreeMap;
use std::fmt;

/// A campaign against faults, summed up.
pub struct Report<'a>(pub &'a [Guarded]);

impl Report<'_> {
    /// The runs that broke the promise.
    pub fn broken(&self) -> impl Iterator<Item = &Guarded> {
        self.0.iter().filter(|run| !run.broken.is_empty())
    }

    fn worst(&self, value: impl Fn(&Guarded) -> f64) -> Option<(&Guarded, f64)> {
        let runs = self.0.iter().map(|run| (run, value(run)));
        runs.max_by(|a, b| a.1.total_cmp(&b.1))
    }
}

impl fmt::Display for Report<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let runs = self.0;
        let struck = runs.iter().filter(|run| run.onset.is_some()).count();
        writeln!(f, "{} runs, in {struck} of them a fault struck", runs.len())?;
        endings(f, runs)?;
        let jumps: u32 = runs
            .iter()
            .filter(|run| run.jumps())
            .map(|run| run.hits.0)
            .sum();
        let driven: u32 = runs.iter().map(|run| run.hits.0).sum::<u32>() - jumps;
        let others: u32 = runs.iter().map(|run| run.hits.1).sum();
        writeln!(
            f,
            "stop contacts: {driven} driven; apart from these {others} of free falls and of needles \
             that rest on a stop, and {jumps} of needles that hung reversed by more than their lower \
             stop is away, and let go"
        )?;
        if runs.iter().any(|run| run.trip) {
            let below = runs.iter().filter(|run| !run.tripped);
            let below: u32 = below.map(|run| run.hits.0).sum();
            writeln!(
                f,
                "of the driven ones {below} where the current stayed below the trip's level"
            )?;
        }
        let beside = runs.iter().filter(|run| run.drives_beside()).count();
        if beside > 0 {
            writeln!(
                f,
                "{beside} runs with a meter that went to ohms: a second source, which no path limits \
                 and no contact stops; judged by their ending, and by being safe at the end, only"
            )?;
        }
        let mut times: Vec<f64> = runs.iter().filter_map(|run| run.safe_after).collect();
        times.sort_by(f64::total_cmp);
        if let (Some(middle), Some(longest)) = (times.get(times.len() / 2), times.last()) {
            writeln!(
                f,
                "from the first fault to safe for good: median {middle:.2} s, longest {longest:.1} s \
                 (faults that change no reading last until the run is over)"
            )?;
        }
        let own = runs.iter().filter(|run| !run.drives_beside());
        let mut making: Vec<(f64, f64)> = own.filter_map(|run| run.making_safe).collect();
        making.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let (Some(middle), Some((longest, computed))) =
            (making.get(making.len() / 2), making.last())
        {
            writeln!(
                f,
                "from the guard's decision to safe: median {:.3} s, longest {longest:.3} s; the rig's \
                 review computes {computed:.3} s",
                middle.0
            )?;
        }
        let needle = self.worst(|run| run.needle.0);
        let rigs_own = |run: &Guarded, value: f64| if run.drives_beside() { 0.0 } else { value };
        let bound = self.worst(|run| rigs_own(run, run.over_bound / run.ruler()));
        let fault = self.worst(|run| rigs_own(run, run.over_fault));
        let rating = self.worst(|run| run.over_rating.0);
        for (what, worst) in [
            ("highest needle, of scale", needle),
            (
                "current over the guard's bound, the ruler's own error taken off",
                bound,
            ),
            ("current over the fault current that the rig states", fault),
            ("power of an element over its rating", rating),
        ] {
            if let Some((run, value)) = worst {
                writeln!(f, "worst {what}: {value:.4}, --seed {}", run.seed)?;
            }
        }
        Ok(())
    }
}

/// How runs ended, by the kinds of their faults.
fn endings(f: &mut fmt::Formatter<'_>, runs: &[Guarded]) -> fmt::Result {
    let mut table: BTreeMap<String, BTreeMap<&str, u32>> = BTreeMap::new();
    for run in runs {
        for fault in &run.plan.fault {
            let row = table.entry(fault.name()).or_default();
            *row.entry(&run.ending).or_default() += 1;
            if run.onset.is_none() {
                *row.entry("not struck").or_default() += 1;
            }
            if !run.broken.is_empty() {
                *row.entry("broken").or_default() += 1;
            }
        }
    }
    let columns = ["result", "refusal", "fault", "not struck", "broken"];
    write!(f, "{:<16}", "kind of fault")?;
    for column in columns {
        write!(f, "{column:>12}")?;
    }
    writeln!(f)?;
    for (kind, row) in table {
        write!(f, "{kind:<16}")?;
        for column in columns {
            write!(f, "{:>12}", row.get(column).copied().unwrap_or(0))?;
        }
        writeln!(f)?;
    }
    Ok(())
}
