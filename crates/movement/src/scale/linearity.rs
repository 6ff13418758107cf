//! Linearity. The same data give figures that differ by half, so each carries its definition.

use super::ScaleError;
use crate::fit::{straight_line, through_origin};
use quantity::Amps;
use serde::{Deserialize, Serialize};

/// Which straight line the marks are compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Linearity {
    /// Through the first and the last mark.
    Terminal,
    /// Through zero, least squares.
    ZeroLeastSquares,
    /// Through zero, smallest largest deviation.
    ZeroMinimax,
    /// Least squares.
    LeastSquares,
    /// Smallest largest deviation ("independent" linearity).
    Independent,
}

/// A line and how far the marks lie from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LinearityResult {
    /// Scale fraction at zero current.
    pub intercept: f64,
    /// Scale fraction per ampere.
    pub slope: f64,
    /// Largest deviation of a mark from the line, fraction of full scale.
    pub largest: f64,
    /// Current at the full-scale mark on this line.
    pub full_scale: Amps,
}

impl Linearity {
    /// Judges marks given as current and scale fraction, in order along the scale.
    ///
    /// # Errors
    /// With fewer than three marks, or marks that no line can be drawn through.
    pub fn judge(self, points: &[(Amps, f64)]) -> Result<LinearityResult, ScaleError> {
        let [first, .., last] = points else {
            return Err(ScaleError::TooFew {
                found: points.len(),
                needed: 3,
            });
        };
        if points.len() < 3 {
            return Err(ScaleError::TooFew {
                found: points.len(),
                needed: 3,
            });
        }
        let (x, y): (Vec<f64>, Vec<f64>) = points.iter().map(|(i, d)| (i.get(), *d)).unzip();
        // Also refuses what is not finite and marks at one current, for all definitions.
        let line = straight_line(&x, &y, None)?;
        let (intercept, slope) = match self {
            Self::Terminal => {
                let slope = (last.1 - first.1) / (last.0 - first.0).get();
                (first.1 - slope * first.0.get(), slope)
            }
            Self::ZeroLeastSquares => (0.0, through_origin(&x, &y, None)?.parameters[0]),
            Self::ZeroMinimax => (0.0, zero_minimax(&x, &y, line.parameters[1])),
            Self::LeastSquares => (line.parameters[0], line.parameters[1]),
            Self::Independent => minimax(&x, &y, line.parameters[1]),
        };
        Ok(LinearityResult {
            intercept,
            slope,
            largest: largest(&x, &y, intercept, slope),
            full_scale: Amps::new((1.0 - intercept) / slope),
        })
    }
}

fn largest(x: &[f64], y: &[f64], intercept: f64, slope: f64) -> f64 {
    x.iter().zip(y).fold(0.0, |largest: f64, (x, y)| {
        largest.max((y - intercept - slope * x).abs())
    })
}

/// The candidate of least cost among finite ones.
fn best(candidates: impl Iterator<Item = f64>, cost: impl Fn(f64) -> f64, start: f64) -> f64 {
    let finite = candidates.filter(|slope| slope.is_finite());
    finite
        .fold((start, cost(start)), |found, slope| {
            let cost = cost(slope);
            if cost < found.1 { (slope, cost) } else { found }
        })
        .0
}

/// The spread of residuals is a convex, piecewise linear function of the slope whose corners are
/// the slopes between pairs of points, so one of these is the best.
fn minimax(x: &[f64], y: &[f64], start: f64) -> (f64, f64) {
    let ends = |slope: f64| {
        let residuals = x.iter().zip(y).map(|(x, y)| y - slope * x);
        residuals.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), r| {
            (low.min(r), high.max(r))
        })
    };
    let pairs = (0..x.len()).flat_map(|i| (0..i).map(move |j| (i, j)));
    let slopes = pairs.map(|(i, j)| (y[i] - y[j]) / (x[i] - x[j]));
    let slope = best(slopes, |slope| ends(slope).1 - ends(slope).0, start);
    ((ends(slope).0 + ends(slope).1) / 2.0, slope)
}

/// As [`minimax`] through zero: the corners are where two deviations are equal in size.
fn zero_minimax(x: &[f64], y: &[f64], start: f64) -> f64 {
    let pairs = (0..x.len()).flat_map(|i| (0..=i).map(move |j| (i, j)));
    let slopes =
        pairs.flat_map(|(i, j)| [(y[i] + y[j]) / (x[i] + x[j]), (y[i] - y[j]) / (x[i] - x[j])]);
    best(slopes, |slope| largest(x, y, 0.0, slope), start)
}
