//! Least squares: linear with weights and prior knowledge, non-linear, and the response of a
//! needle.

mod line;
mod nonlinear;
mod response;

pub use line::{linear, polynomial, straight_line, through_origin};
pub use nonlinear::nonlinear;
pub use response::{ResponseFit, response};

use nalgebra::{DMatrix, DVector};
use quantity::{CovarianceError, Uncertain};
use thiserror::Error;

/// Why data gave no fit. Each message says what was wrong with the data.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum FitError {
    /// Fewer data than unknowns.
    #[error("{data} values do not determine {unknowns} parameters; more readings are needed")]
    TooFew {
        /// Values and priors given.
        data: usize,
        /// Parameters asked for.
        unknowns: usize,
    },
    /// Lists of different lengths.
    #[error("the data lists differ in length ({x} positions, {y} values, {u} uncertainties)")]
    Lengths {
        /// Rows of the model.
        x: usize,
        /// Values.
        y: usize,
        /// Standard uncertainties.
        u: usize,
    },
    /// A value is not a number or infinite, or an uncertainty is not above zero.
    #[error("value {index} is not finite, or its uncertainty is not above zero")]
    NotUsable {
        /// Position of the value, from 0.
        index: usize,
    },
    /// The data say nothing of a parameter.
    #[error("the data do not determine parameter {parameter}; vary what it acts on")]
    Undetermined {
        /// Position of the parameter, from 0.
        parameter: usize,
    },
    /// The search for the best parameters did not end.
    #[error("no best fit was found in {iterations} steps")]
    NoConvergence {
        /// Steps tried.
        iterations: usize,
    },
}

/// Prior knowledge of one parameter, taken as one more (Gaussian) observation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Position of the parameter, from 0.
    pub parameter: usize,
    /// What it is believed to be.
    pub value: f64,
    /// Standard uncertainty of that belief, above zero.
    pub u: f64,
}

/// A least-squares fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Best parameters.
    pub parameters: Vec<f64>,
    /// Their covariance matrix. It follows from the stated uncertainties of the data, or, where
    /// none were stated, from the scatter of the residuals.
    pub covariance: Vec<Vec<f64>>,
    /// Observed minus fitted, in the unit of the data.
    pub residuals: Vec<f64>,
    /// Sum of the squared residuals in units of their uncertainty (of 1 where none was stated),
    /// priors included.
    pub chi2: f64,
    /// Data and priors minus parameters.
    pub dof: usize,
    /// Whether uncertainties of the data were stated.
    pub stated: bool,
    /// Change of each parameter (row) with each datum (column).
    pub influence: Vec<Vec<f64>>,
}

impl Fit {
    /// Standard uncertainty of a parameter. Infinite for a parameter that does not exist.
    pub fn u(&self, parameter: usize) -> f64 {
        let variance = self
            .covariance
            .get(parameter)
            .and_then(|row| row.get(parameter));
        variance.map_or(f64::INFINITY, |variance| variance.sqrt())
    }

    /// Scatter of the data about the fit, √(χ²/ν); infinite without degrees of freedom.
    pub fn residual_sd(&self) -> f64 {
        if self.dof == 0 {
            f64::INFINITY
        } else {
            (self.chi2 / self.dof as f64).sqrt()
        }
    }

    /// The parameters as correlated uncertain values whose errors are named by `labels`.
    ///
    /// # Errors
    /// When the number of labels is not the number of parameters.
    pub fn uncertain(&self, labels: &[&str]) -> Result<Vec<Uncertain>, CovarianceError> {
        let dof = if self.stated {
            f64::INFINITY
        } else {
            self.dof as f64
        };
        Uncertain::correlated_with_dof(&self.parameters, &self.covariance, dof, labels)
    }

    /// The parameters with the errors that the data themselves carry by name, so that an error
    /// which all data share is not averaged away. The values of `data` are those that were
    /// fitted; priors count as exact. To first order for non-linear fits.
    ///
    /// Data are taken in order; missing ones count as exact.
    pub fn propagate(&self, data: &[Uncertain]) -> Vec<Uncertain> {
        let parameter = |(value, row): (&f64, &Vec<f64>)| {
            let inputs: Vec<_> = row.iter().copied().zip(data).collect();
            Uncertain::combine(*value, &inputs)
        };
        self.parameters
            .iter()
            .zip(&self.influence)
            .map(parameter)
            .collect()
    }
}

/// Solution of a linear least-squares problem of unit weights by QR decomposition.
struct Solved {
    parameters: DVector<f64>,
    covariance: DMatrix<f64>,
    /// Change of each parameter with each row's right-hand side.
    influence: DMatrix<f64>,
}

fn solve(design: DMatrix<f64>, right: &DVector<f64>) -> Result<Solved, FitError> {
    let unknowns = design.ncols();
    // Columns of unit length: the test for an undetermined parameter must not depend on units.
    let lengths: Vec<f64> = design.column_iter().map(|column| column.norm()).collect();
    if let Some(parameter) = lengths
        .iter()
        .position(|length| length.is_nan() || *length <= 0.0)
    {
        return Err(FitError::Undetermined { parameter });
    }
    let mut scaled = design;
    for (mut column, length) in scaled.column_iter_mut().zip(&lengths) {
        column /= *length;
    }
    let qr = scaled.qr();
    let (q, r) = (qr.q(), qr.r());
    let lost = |k: &usize| r[(*k, *k)].is_nan() || r[(*k, *k)].abs() < 1e-12;
    if let Some(parameter) = (0..unknowns).find(lost) {
        return Err(FitError::Undetermined { parameter });
    }
    let mut inverse = DMatrix::identity(unknowns, unknowns);
    if !r.solve_upper_triangular_mut(&mut inverse) {
        return Err(FitError::Undetermined { parameter: 0 });
    }
    for (mut row, length) in inverse.row_iter_mut().zip(&lengths) {
        row /= *length;
    }
    let influence = &inverse * q.transpose();
    Ok(Solved {
        parameters: &influence * right,
        covariance: &inverse * inverse.transpose(),
        influence,
    })
}

fn rows(matrix: &DMatrix<f64>, columns: usize) -> Vec<Vec<f64>> {
    matrix
        .row_iter()
        .map(|row| row.iter().take(columns).copied().collect())
        .collect()
}

/// The first value that cannot be used, if any.
fn check(y: &[f64], u: Option<&[f64]>) -> Result<(), FitError> {
    let usable = |k: usize| y[k].is_finite() && u.is_none_or(|u| u[k] > 0.0 && u[k].is_finite());
    match (0..y.len()).find(|k| !usable(*k)) {
        Some(index) => Err(FitError::NotUsable { index }),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests;
