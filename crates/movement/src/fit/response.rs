//! Free period and damping from the trace of a needle that was let go.

use super::{Fit, FitError, linear, nonlinear};
use crate::dynamics::Damped;
use quantity::Seconds;

/// A fitted step response or ring-down.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseFit {
    /// Free period and damping ratio.
    pub dynamics: Damped,
    /// Where the needle was before.
    pub start: f64,
    /// Where it comes to rest.
    pub end: f64,
    /// The fit; its parameters are free period (s), damping ratio, start and end.
    pub fit: Fit,
    /// Slowest time constant of the motion with its standard uncertainty. Of an over-damped
    /// movement this is known even where period and damping ratio cannot be told apart.
    pub slowest: (Seconds, Seconds),
}

/// Fits the motion of a needle that rests until time zero and then moves freely to a new rest:
/// `trace` holds times after the step (s, not below zero) and deflections, in any unit.
///
/// `u` is the standard uncertainty of one deflection; without it the scatter tells.
///
/// # Errors
/// With fewer than six points, unusable values, or a trace that shows no motion.
pub fn response(trace: &[(Seconds, f64)], u: Option<f64>) -> Result<ResponseFit, FitError> {
    if trace.len() < 6 {
        return Err(FitError::TooFew {
            data: trace.len(),
            unknowns: 4,
        });
    }
    let unusable = |(t, y): &(Seconds, f64)| !(t.get() >= 0.0 && t.is_finite() && y.is_finite());
    if let Some(index) = trace.iter().position(unusable) {
        return Err(FitError::NotUsable { index });
    }
    let y: Vec<f64> = trace.iter().map(|point| point.1).collect();
    let each = u.map(|u| vec![u; y.len()]);
    // Logarithms keep period and damping above zero and give over-damped records, in which only
    // their product shows, a straight valley to walk along.
    let model = |p: &[f64], row: usize| {
        let left = Damped::new(Seconds::new(p[0].exp()), p[1].exp()).left(trace[row].0);
        p[3] + (p[2] - p[3]) * left
    };
    let span = y
        .iter()
        .fold(0.0f64, |span, value| span.max((value - y[0]).abs()));
    let scales = [0.1, 0.1, span, span];
    let start = coarse(trace, &y)?;
    let mut fit = nonlinear(model, &y, each.as_deref(), &start, &scales)?;
    let slow = |p: &[f64]| {
        Damped::new(Seconds::new(p[0].exp()), p[1].exp())
            .slowest()
            .get()
            .ln()
    };
    let slowest = Seconds::new(slow(&fit.parameters).exp());
    let u_slowest = slowest * spread(slow, &fit);
    // From logarithms to the figures themselves.
    for k in 0..2 {
        let value = fit.parameters[k].exp();
        fit.parameters[k] = value;
        for other in 0..4 {
            fit.covariance[k][other] *= value;
            fit.covariance[other][k] *= value;
        }
        fit.influence[k]
            .iter_mut()
            .for_each(|change| *change *= value);
    }
    let p = &fit.parameters;
    Ok(ResponseFit {
        dynamics: Damped::new(Seconds::new(p[0]), p[1]),
        start: p[2],
        end: p[3],
        slowest: (slowest, u_slowest),
        fit,
    })
}

/// Standard uncertainty of a function of the first two parameters.
fn spread(function: impl Fn(&[f64]) -> f64, fit: &Fit) -> f64 {
    let slope = |k: usize| {
        let (mut low, mut high) = (fit.parameters.clone(), fit.parameters.clone());
        low[k] -= 1e-5;
        high[k] += 1e-5;
        (function(&high) - function(&low)) / 2e-5
    };
    let (a, b, c) = (slope(0), slope(1), &fit.covariance);
    (a * a * c[0][0] + 2.0 * a * b * c[0][1] + b * b * c[1][1])
        .max(0.0)
        .sqrt()
}

/// Starting point: the best of a grid of periods and damping ratios. For each the two rests
/// follow from a linear fit, so the search can't end in a wrong valley for a bad guess of them.
fn coarse(trace: &[(Seconds, f64)], y: &[f64]) -> Result<[f64; 4], FitError> {
    let last = trace
        .iter()
        .fold(0.0f64, |last, point| last.max(point.0.get()));
    let shortest = 2.0 * last / trace.len() as f64;
    let mut best: Option<(f64, [f64; 4])> = None;
    for damping in [0.03, 0.1, 0.2, 0.35, 0.6, 0.9, 1.4, 2.5, 5.0] {
        let mut period = shortest;
        while period < 6.0 * last {
            let dynamics = Damped::new(Seconds::new(period), damping);
            let row = |point: &(Seconds, f64)| {
                let left = dynamics.left(point.0);
                vec![left, 1.0 - left]
            };
            let design: Vec<_> = trace.iter().map(row).collect();
            if let Ok(fit) = linear(&design, y, None, &[]) {
                let better = best.is_none_or(|(chi2, _)| fit.chi2 < chi2);
                let at = [
                    period.ln(),
                    damping.ln(),
                    fit.parameters[0],
                    fit.parameters[1],
                ];
                if better && fit.chi2.is_finite() {
                    best = Some((fit.chi2, at));
                }
            }
            period *= 1.12;
        }
    }
    best.map(|(_, start)| start)
        .ok_or(FitError::Undetermined { parameter: 0 })
}
