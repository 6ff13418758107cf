//! Levenberg–Marquardt least squares: Cauchy loss on data, quadratic priors.

use nalgebra::{DMatrix, DVector};

/// Residuals in units of their standard deviation.
pub(crate) struct Residuals {
    /// Of data: large ones lose weight.
    pub(crate) data: Vec<f64>,
    /// Of what is known beforehand.
    pub(crate) priors: Vec<f64>,
}

/// Where the search ended.
pub(crate) struct Solution {
    pub(crate) unknowns: Vec<f64>,
    pub(crate) covariance: DMatrix<f64>,
    pub(crate) cost: f64,
}

/// Residual, in standard deviations, at which a datum has lost half its weight.
const CAUCHY: f64 = 2.5;

/// Searches from `start`. `steps` are the sizes of a small change of each unknown.
pub(crate) fn solve(
    start: &[f64],
    steps: &[f64],
    rounds: usize,
    residuals: impl Fn(&[f64]) -> Residuals,
) -> Option<Solution> {
    let mut unknowns = start.to_vec();
    let mut current = residuals(&unknowns);
    let mut cost = cost_of(&current);
    let mut damping = 1e-3;
    let mut normal = None;
    for _ in 0..rounds {
        let (information, gradient) = linear(&unknowns, steps, &current, &residuals);
        let mut better = false;
        for _ in 0..8 {
            let mut damped = information.clone();
            for index in 0..unknowns.len() {
                damped[(index, index)] *= 1.0 + damping;
            }
            let step = damped.cholesky()?.solve(&gradient);
            let next: Vec<f64> = unknowns
                .iter()
                .zip(step.iter())
                .map(|(x, dx)| x - dx)
                .collect();
            let there = residuals(&next);
            let new_cost = cost_of(&there);
            if new_cost.is_finite() && new_cost <= cost {
                better = cost - new_cost > 1e-9 * cost;
                (unknowns, current, cost) = (next, there, new_cost);
                damping = (damping * 0.2f64).max(1e-12);
                break;
            }
            damping *= 6.0;
        }
        normal = Some(information);
        if !better {
            break;
        }
    }
    if !cost.is_finite() {
        return None;
    }
    let covariance = normal?.try_inverse()?;
    Some(Solution {
        unknowns,
        covariance,
        cost,
    })
}

fn cost_of(residuals: &Residuals) -> f64 {
    let data = residuals
        .data
        .iter()
        .map(|r| CAUCHY * CAUCHY * (r * r / (CAUCHY * CAUCHY)).ln_1p());
    data.chain(residuals.priors.iter().map(|r| r * r)).sum()
}

/// Normal equations about the present place, data weighted by their loss.
fn linear(
    unknowns: &[f64],
    steps: &[f64],
    here: &Residuals,
    residuals: &impl Fn(&[f64]) -> Residuals,
) -> (DMatrix<f64>, DVector<f64>) {
    let rows = here.data.len() + here.priors.len();
    let mut jacobian = DMatrix::zeros(rows, unknowns.len());
    let mut shifted = unknowns.to_vec();
    for (column, step) in steps.iter().enumerate() {
        shifted[column] = unknowns[column] + step;
        let up = residuals(&shifted);
        shifted[column] = unknowns[column] - step;
        let down = residuals(&shifted);
        shifted[column] = unknowns[column];
        let pairs = (up.data.iter().zip(&down.data)).chain(up.priors.iter().zip(&down.priors));
        for (row, (up, down)) in pairs.enumerate() {
            jacobian[(row, column)] = (up - down) / (2.0 * step);
        }
    }
    let mut right = DVector::zeros(rows);
    for (row, residual) in here.data.iter().chain(&here.priors).enumerate() {
        let weight = match row < here.data.len() {
            true => 1.0 / (1.0 + residual * residual / (CAUCHY * CAUCHY)),
            false => 1.0,
        };
        right[row] = residual * weight.sqrt();
        jacobian.row_mut(row).scale_mut(weight.sqrt());
    }
    (jacobian.tr_mul(&jacobian), jacobian.tr_mul(&right))
}
