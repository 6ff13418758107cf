//! Propagation of distributions through a model that may bend (JCGM 101:2008, clause 7).

use super::{Term, Uncertain};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use std::collections::BTreeMap;
use thiserror::Error;

/// What the draws of a model say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonteCarlo {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
    /// Lower end of the interval that leaves 2.5 % on each side.
    pub low95: f64,
    /// Upper end of that interval.
    pub high95: f64,
    /// The shortest interval that holds 95 %.
    pub shortest95: (f64, f64),
}

/// Why draws give no answer.
#[derive(Clone, Copy, Debug, Error, PartialEq)]
pub enum MonteCarloError {
    /// Too few to say anything of 95 %.
    #[error("{draws} draws do not give a 95 % interval; use at least 1000")]
    TooFew {
        /// Draws asked for.
        draws: usize,
    },
    /// The model failed within the uncertainty of its inputs.
    #[error("the model gave no finite number in {failed} of {draws} draws")]
    NotFinite {
        /// Draws without a finite result.
        failed: usize,
        /// Draws made.
        draws: usize,
    },
}

/// Draws every named error once per trial, so that inputs which share errors stay correlated, and
/// evaluates `model` on the inputs so drawn.
///
/// # Errors
/// With fewer than 1000 draws, or when the model's result is not finite in any of them.
pub fn monte_carlo(
    model: impl Fn(&[f64]) -> f64,
    inputs: &[&Uncertain],
    draws: usize,
    seed: u64,
) -> Result<MonteCarlo, MonteCarloError> {
    if draws < 1000 {
        return Err(MonteCarloError::TooFew { draws });
    }
    let sources: BTreeMap<&str, &Term> = inputs
        .iter()
        .flat_map(|i| i.terms.iter().map(|(label, t)| (&**label, t)))
        .collect();
    let weight = |input: &Uncertain, label: &str| input.terms.get(label).map(|t| t.contribution);
    let weights: Vec<Vec<f64>> = inputs
        .iter()
        .map(|input| {
            sources
                .keys()
                .map(|label| weight(input, label).unwrap_or(0.0))
                .collect()
        })
        .collect();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut errors, mut drawn) = (vec![0.0; sources.len()], vec![0.0; inputs.len()]);
    let mut results: Vec<f64> = (0..draws)
        .map(|_| {
            for (error, term) in errors.iter_mut().zip(sources.values()) {
                *error = term.shape.sample(term.dof, &mut rng);
            }
            for ((value, input), weights) in drawn.iter_mut().zip(inputs).zip(&weights) {
                let shift: f64 = weights.iter().zip(&errors).map(|(w, e)| w * e).sum();
                *value = input.value + shift;
            }
            model(&drawn)
        })
        .collect();
    let failed = results.iter().filter(|result| !result.is_finite()).count();
    if failed > 0 {
        return Err(MonteCarloError::NotFinite { failed, draws });
    }
    results.sort_by(f64::total_cmp);
    Ok(summary(&results))
}

/// `sorted` holds at least 1000 finite values in rising order.
fn summary(sorted: &[f64]) -> MonteCarlo {
    let n = sorted.len();
    let mean = sorted.iter().sum::<f64>() / n as f64;
    let square = sorted.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
    let held = (0.95 * n as f64).round() as usize;
    let tail = (n - held) / 2;
    let starts = (0..n - held).map(|low| (sorted[low], sorted[low + held]));
    let shortest95 = starts
        .min_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))
        .unwrap_or((sorted[0], sorted[n - 1]));
    MonteCarlo {
        mean,
        sd: (square / (n - 1) as f64).sqrt(),
        low95: sorted[tail],
        high95: sorted[tail + held],
        shortest95,
    }
}
