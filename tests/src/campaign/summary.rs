//! What a campaign shows, and whether it keeps the promise.

use super::{Judged, Trial};
use statrs::distribution::{Binomial, DiscreteCDF};
use std::collections::BTreeMap;
use std::fmt;

/// A campaign summed up.
pub struct Summary<'a> {
    trials: &'a [Trial],
}

impl<'a> Summary<'a> {
    /// Of these trials.
    pub fn new(trials: &'a [Trial]) -> Self {
        Self { trials }
    }

    /// Share of trials with a full-scale current and a resistance.
    pub fn results(&self) -> f64 {
        let good = self
            .trials
            .iter()
            .filter(|t| t.current.is_some() && t.by_drop.is_some());
        good.count() as f64 / self.trials.len() as f64
    }

    /// Whether 93 % to 97 % of the full-scale intervals hold the truth, and of the resistance
    /// intervals; with few of them, whether as many do as chance makes of 95 %.
    pub fn covers(&self) -> bool {
        [self.currents(), self.drops()].iter().all(|judged| {
            let share = share(judged);
            (0.93..=0.97).contains(&share) || (judged.len() < FEW && by_chance(judged))
        })
    }

    /// Trials in which the needle passed `ceiling` or was driven into a stop.
    pub fn broken(&self, ceiling: f64) -> Vec<&'a Trial> {
        self.trials
            .iter()
            .filter(|t| t.peak > ceiling || t.driven_hits > 0)
            .collect()
    }

    fn currents(&self) -> Vec<Judged> {
        self.trials.iter().filter_map(|t| t.current).collect()
    }

    fn drops(&self) -> Vec<Judged> {
        self.trials.iter().filter_map(|t| t.by_drop).collect()
    }

    fn half_shunts(&self) -> Vec<Judged> {
        self.trials
            .iter()
            .filter_map(|t| t.by_half_shunt.as_ref().ok().copied())
            .collect()
    }
}

/// So few intervals don't tell 93 % from 97 %.
const FEW: usize = 400;
/// Chance below which a number of intervals that hold the truth is none.
const SELDOM: f64 = 0.005;

/// Whether so many of these intervals hold the truth as 95 % may by chance.
fn by_chance(judged: &[Judged]) -> bool {
    let missed = judged.iter().filter(|j| !j.holds).count() as u64;
    let chance = Binomial::new(0.05, judged.len() as u64);
    chance.is_ok_and(|chance| {
        let at_least = missed
            .checked_sub(1)
            .map_or(1.0, |less| 1.0 - chance.cdf(less));
        at_least > SELDOM && chance.cdf(missed) > SELDOM
    })
}

fn share(judged: &[Judged]) -> f64 {
    judged.iter().filter(|j| j.holds).count() as f64 / judged.len() as f64
}

fn percentile(sorted: &[f64], p: f64) -> f64 {
    let index = (p * (sorted.len() as f64 - 1.0)).round() as usize;
    sorted.get(index).copied().unwrap_or(f64::NAN)
}

fn widths(f: &mut fmt::Formatter<'_>, name: &str, judged: &[Judged]) -> fmt::Result {
    if judged.is_empty() {
        return writeln!(f, "{name:<22} none");
    }
    let mut half: Vec<f64> = judged.iter().map(|j| j.half_width * 100.0).collect();
    half.sort_by(f64::total_cmp);
    let z2 = judged.iter().map(|j| j.z * j.z).sum::<f64>() / judged.len() as f64;
    writeln!(
        f,
        "{name:<22} {:5} intervals, {:5.2} % hold the truth, rms z {:.2}; half-width p5 {:.3} %, p50 {:.3} %, p95 {:.3} %, largest {:.3} %",
        judged.len(),
        share(judged) * 100.0,
        z2.sqrt(),
        percentile(&half, 0.05),
        percentile(&half, 0.5),
        percentile(&half, 0.95),
        percentile(&half, 1.0),
    )
}

impl fmt::Display for Summary<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let trials = self.trials;
        writeln!(
            f,
            "{} movements, {:.2} % with a result",
            trials.len(),
            self.results() * 100.0
        )?;
        widths(f, "full-scale current", &self.currents())?;
        widths(f, "resistance by drop", &self.drops())?;
        widths(f, "resistance, half-shunt", &self.half_shunts())?;
        let agree: Vec<f64> = trials.iter().filter_map(|t| t.agreement).collect();
        let apart = agree.iter().filter(|e_n| **e_n > 1.0).count();
        writeln!(
            f,
            "both methods: {} movements, E_n above 1 in {apart} ({:.2} %)",
            agree.len(),
            apart as f64 / agree.len() as f64 * 100.0
        )?;
        let top = trials.iter().max_by(|a, b| a.peak.total_cmp(&b.peak));
        let low = trials.iter().min_by(|a, b| a.lowest.total_cmp(&b.lowest));
        if let (Some(top), Some(low)) = (top, low) {
            writeln!(
                f,
                "highest needle {:.2} % of scale (seed {}), lowest {:.2} % (seed {})",
                top.peak * 100.0,
                top.seed,
                low.lowest * 100.0,
                low.seed
            )?;
        }
        let driven: u32 = trials.iter().map(|t| t.driven_hits).sum();
        let hits: u32 = trials.iter().map(|t| t.hits).sum();
        writeln!(f, "stop contacts: {driven} driven, {hits} in all")?;
        let mut lasted: Vec<f64> = trials.iter().map(|t| t.lasted).collect();
        lasted.sort_by(f64::total_cmp);
        writeln!(
            f,
            "simulated time p50 {:.0} s, p95 {:.0} s",
            percentile(&lasted, 0.5),
            percentile(&lasted, 0.95)
        )?;
        let mut reasons: BTreeMap<String, Vec<u64>> = BTreeMap::new();
        for t in trials {
            if let Some(why) = &t.refused {
                reasons
                    .entry(format!("no result: {}", kind(why)))
                    .or_default()
                    .push(t.seed);
            }
            if let Err(why) = &t.by_half_shunt {
                reasons
                    .entry(format!("no half-shunt: {}", kind(why)))
                    .or_default()
                    .push(t.seed);
            }
        }
        for (why, seeds) in reasons {
            writeln!(
                f,
                "{:5} × {why}; for example seed {}",
                seeds.len(),
                seeds[0]
            )?;
        }
        Ok(())
    }
}

/// A reason without its figures, so that equal ones can be counted.
fn kind(why: &str) -> String {
    why.split_whitespace()
        .filter(|word| !word.contains(|c: char| c.is_ascii_digit()))
        .collect::<Vec<_>>()
        .join(" ")
}
