//! Campaigns: many simulated runs, judged against the truth that no analysis may read.

mod farm;
pub mod guarded;
pub mod pictured;
mod summary;

pub use farm::{all, commit};
pub use summary::Summary;

use evidence::{Journal, JournalError, Observation, RigStatement};
use guard::Rig;
use hw_sim::{Bench, MovementSpec, Pool, Truth};
use movement::analysis::{Findings, analyse};
use needlerig::session::{Order, Simulated, simulated};
use procedure::{Depth, Outcome};
use quantity::Uncertain;
use serde::{Deserialize, Serialize};
use std::sync::{Arc, Mutex, PoisonError};

/// An interval judged against the truth.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub struct Judged {
    /// (value − truth) / standard uncertainty.
    pub z: f64,
    /// Half-width of the 95 % interval over the value.
    pub half_width: f64,
    /// Whether the interval holds the truth.
    pub holds: bool,
}

/// One run of a campaign.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Trial {
    /// Its seed; the movement and all errors follow from it.
    pub seed: u64,
    /// True full-scale current in A.
    pub full_scale: f64,
    /// True resistance in Ω.
    pub ohms: f64,
    /// Friction half-width of scale.
    pub friction: f64,
    /// Why there is no result, where there is none.
    pub refused: Option<String>,
    /// Full-scale current judged.
    pub current: Option<Judged>,
    /// Resistance by drop judged.
    pub by_drop: Option<Judged>,
    /// Resistance by half-shunt judged, or why it is absent.
    pub by_half_shunt: Result<Judged, String>,
    /// E_n between the methods.
    pub agreement: Option<f64>,
    /// Highest true deflection.
    pub peak: f64,
    /// Lowest true deflection.
    pub lowest: f64,
    /// Stop hits while driven.
    pub driven_hits: u32,
    /// All stop hits.
    pub hits: u32,
    /// Simulated seconds.
    pub lasted: f64,
}

/// The seed of trial `number` in a campaign, from a commit hash or any other text, so that nobody
/// tunes to it (splitmix64, a public-domain generator).
pub fn seed(campaign: &str, number: u64) -> u64 {
    let start = campaign
        .bytes()
        .fold(0xcbf2_9ce4_8422_2325u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
    let mut z = start.wrapping_add(number.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    // Kept below 2^53: it must survive JSON in any program that reads the report.
    (z ^ (z >> 31)) >> 11
}

/// Keeps observations where the campaign can read them after the run.
#[derive(Clone, Default)]
pub struct Tap(Arc<Mutex<Vec<Observation>>>);

impl Journal for Tap {
    fn append(&mut self, observation: &Observation) -> Result<(), JournalError> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(observation.clone());
        Ok(())
    }
}

impl Tap {
    /// What was kept.
    pub fn take(&self) -> Vec<Observation> {
        std::mem::take(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// The observations of one run on the simulated rig of this file, with what the file states.
///
/// # Errors
/// When the rig file or the runtime can't be had.
pub fn observed(
    rig: &str,
    movement: &MovementSpec,
    seed: u64,
    depth: Depth,
) -> Result<(RigStatement, Vec<Observation>), String> {
    let (_, statement, kept) = ran(rig, movement, seed, depth)?;
    Ok((statement, kept))
}

/// Runs and judges one random measurable movement on the simulated rig of this file.
///
/// # Errors
/// When the rig file or the runtime can't be had.
pub fn trial(rig: &str, seed: u64, depth: Depth) -> Result<Trial, String> {
    let movement = hw_sim::random(seed, Pool::Measurable);
    let (findings, refused, truth, lasted) = run(rig, &movement, seed, depth)?;
    Ok(judge(seed, &findings, refused, &truth, lasted))
}

fn run(
    rig: &str,
    movement: &MovementSpec,
    seed: u64,
    depth: Depth,
) -> Result<(Findings, Option<String>, Truth, f64), String> {
    let (done, statement, kept) = ran(rig, movement, seed, depth)?;
    let refused = match done.end {
        Err(fault) => Some(format!("fault at the start: {fault}")),
        Ok(end) => match (end.plan, end.ending) {
            (_, Err(fault)) => Some(format!("guard lost: {fault}")),
            (Some(Ok(Outcome::Complete)), Ok(_)) => None,
            (Some(Ok(Outcome::NothingMoves(why))), _) => Some(format!("nothing moves: {why}")),
            (Some(Err(stopped)), _) => Some(stopped.to_string()),
            (None, Ok(ending)) => Some(
                ending
                    .fault
                    .map_or("no reason".to_owned(), |fault| format!("fault: {fault}")),
            ),
        },
    };
    Ok((
        analyse(&statement, &kept),
        refused,
        done.truth,
        done.lasted.get(),
    ))
}

fn ran(
    rig: &str,
    movement: &MovementSpec,
    seed: u64,
    depth: Depth,
) -> Result<(Simulated, RigStatement, Vec<Observation>), String> {
    let rig = Arc::new(Rig::parse(rig, "simulated.toml").map_err(|e| e.to_string())?);
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let tap = Tap::default();
    let statement = rig.statement();
    let order = Order::new(rig, depth, stop);
    let bench = Arc::new(Mutex::new(Bench::standard(movement, seed)));
    let done = simulated(&order, &bench, true, Box::new(tap.clone()), |_| {})
        .map_err(|error| error.to_string())?;
    Ok((done, statement, tap.take()))
}

fn judge(
    seed: u64,
    findings: &Findings,
    refused: Option<String>,
    truth: &Truth,
    lasted: f64,
) -> Trial {
    let against = |figure: &Uncertain, truth: Option<f64>| {
        let truth = truth?;
        let (low, high) = figure.interval95();
        Some(Judged {
            z: (figure.value() - truth) / figure.u(),
            half_width: (high - low) / 2.0 / figure.value(),
            holds: (low..=high).contains(&truth),
        })
    };
    let drop = findings.by_drop.as_ref().ok();
    Trial {
        seed,
        full_scale: truth.full_scale_current.unwrap_or(f64::MAX),
        ohms: truth.resistance.unwrap_or(f64::MAX),
        friction: truth.friction,
        refused,
        current: findings
            .full_scale
            .as_ref()
            .ok()
            .and_then(|f| against(f, truth.full_scale_current)),
        by_drop: drop.and_then(|f| against(f, truth.resistance)),
        by_half_shunt: match &findings.by_half_shunt {
            Ok(figure) => against(figure, truth.resistance).ok_or_else(|| "no truth".to_owned()),
            Err(why) => Err(why.clone()),
        },
        agreement: findings.agreement,
        peak: truth.peak_deflection,
        lowest: truth.lowest_deflection,
        driven_hits: truth.driven_stop_hits,
        hits: truth.stop_hits,
        lasted,
    }
}
