//! Non-linear least squares by the Levenberg–Marquardt method (Marquardt, J. SIAM 11 (1963) 431).

use super::{Fit, FitError, check, rows, solve};
use nalgebra::{DMatrix, DVector};

const MOST_STEPS: usize = 200;

/// The data with the model to fit.
struct Problem<'a, M> {
    model: M,
    y: &'a [f64],
    u: Option<&'a [f64]>,
}

impl<M: Fn(&[f64], usize) -> f64> Problem<'_, M> {
    fn weight(&self, row: usize) -> f64 {
        self.u.map_or(1.0, |u| 1.0 / u[row])
    }

    /// Weighted observed minus fitted.
    fn misfit(&self, parameters: &[f64]) -> DVector<f64> {
        DVector::from_fn(self.y.len(), |row, _| {
            (self.y[row] - (self.model)(parameters, row)) * self.weight(row)
        })
    }

    /// Weighted derivatives of the model by central differences.
    fn slopes(&self, parameters: &[f64], scales: &[f64]) -> DMatrix<f64> {
        let mut slopes = DMatrix::zeros(self.y.len(), parameters.len());
        for (k, mut column) in slopes.column_iter_mut().enumerate() {
            // The cube root of the machine precision balances truncation against rounding.
            let step = 6e-6 * scales[k].max(parameters[k].abs());
            let mut shifted = parameters.to_vec();
            shifted[k] += step;
            let above = self.misfit(&shifted);
            shifted[k] = parameters[k] - step;
            column.copy_from(&((self.misfit(&shifted) - above) / (2.0 * step)));
        }
        slopes
    }
}

/// Fits y\[row\] = model(parameters, row), from `start`.
///
/// `scales` holds a typical size of each parameter, for differences where it is near zero. Where
/// the model has no value it may answer not-a-number; such parameters are avoided. `u` as in
/// [`super::linear`].
///
/// # Errors
/// When lengths differ, a value is not usable, the data do not determine a parameter, or the
/// search does not end.
pub fn nonlinear(
    model: impl Fn(&[f64], usize) -> f64,
    y: &[f64],
    u: Option<&[f64]>,
    start: &[f64],
    scales: &[f64],
) -> Result<Fit, FitError> {
    let (data, unknowns) = (y.len(), start.len());
    if u.is_some_and(|u| u.len() != data) || scales.len() != unknowns {
        return Err(FitError::Lengths {
            x: scales.len(),
            y: data,
            u: u.map_or(data, <[f64]>::len),
        });
    }
    check(y, u)?;
    if unknowns == 0 || data < unknowns || (u.is_none() && data == unknowns) {
        return Err(FitError::TooFew { data, unknowns });
    }
    let problem = Problem { model, y, u };
    let parameters = descend(&problem, start, scales)?;
    let misfit = problem.misfit(&parameters);
    let mut solved = solve(problem.slopes(&parameters, scales), &misfit)?;
    let (chi2, dof) = (misfit.norm_squared(), data - unknowns);
    if u.is_none() {
        solved.covariance *= chi2 / dof as f64;
    }
    for (row, mut column) in solved.influence.column_iter_mut().enumerate() {
        column *= problem.weight(row);
    }
    Ok(Fit {
        parameters,
        covariance: rows(&solved.covariance, unknowns),
        residuals: (0..data)
            .map(|row| misfit[row] / problem.weight(row))
            .collect(),
        chi2,
        dof,
        stated: u.is_some(),
        influence: rows(&solved.influence, data),
    })
}

fn descend<M: Fn(&[f64], usize) -> f64>(
    problem: &Problem<'_, M>,
    start: &[f64],
    scales: &[f64],
) -> Result<Vec<f64>, FitError> {
    let mut parameters = start.to_vec();
    let mut chi2 = problem.misfit(&parameters).norm_squared();
    if !chi2.is_finite() {
        return Err(FitError::NoConvergence { iterations: 0 });
    }
    let mut caution = 1e-3;
    for _ in 0..MOST_STEPS {
        let slopes = problem.slopes(&parameters, scales);
        let square = slopes.transpose() * &slopes;
        let downhill = slopes.transpose() * problem.misfit(&parameters);
        // Raise the caution until a step goes downhill; when none does, this is the bottom.
        loop {
            let mut damped = square.clone();
            for k in 0..parameters.len() {
                damped[(k, k)] += caution * square[(k, k)].max(f64::MIN_POSITIVE);
            }
            let trial = damped.cholesky().map(|factor| {
                let step = factor.solve(&downhill);
                let trial: Vec<f64> = parameters.iter().zip(&step).map(|(p, s)| p + s).collect();
                (problem.misfit(&trial).norm_squared(), trial)
            });
            match trial {
                Some((lower, trial)) if lower < chi2 => {
                    let gained = (chi2 - lower) / chi2;
                    (chi2, parameters) = (lower, trial);
                    caution = (caution / 10.0).max(1e-12);
                    if gained < 1e-13 {
                        return Ok(parameters);
                    }
                    break;
                }
                _ if caution > 1e12 => return Ok(parameters),
                _ => caution *= 10.0,
            }
        }
    }
    Err(FitError::NoConvergence {
        iterations: MOST_STEPS,
    })
}
