//! Values that come with a covariance matrix instead of named errors.

use super::{Shape, Term, Uncertain};
use std::collections::BTreeMap;
use std::sync::Arc;
use thiserror::Error;

/// Why a table of numbers is no covariance matrix.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum CovarianceError {
    /// Sizes do not match.
    #[error("{values} values need {values} labels and a square matrix of that size")]
    Size {
        /// Number of values given.
        values: usize,
    },
    /// A combination of the values would have a negative variance.
    #[error("the matrix is no covariance matrix: row {row} leaves a variance of {variance:e}")]
    Negative {
        /// Row at which the factorisation fails, from 0.
        row: usize,
        /// The offending variance.
        variance: f64,
    },
}

impl Uncertain {
    /// Values of given covariance, as sums of independent normal errors named by `labels`
    /// (lower triangular factor: the first value depends on the first error only).
    ///
    /// # Errors
    /// When sizes differ or the matrix is not positive semi-definite.
    pub fn correlated(
        values: &[f64],
        covariance: &[Vec<f64>],
        labels: &[&str],
    ) -> Result<Vec<Self>, CovarianceError> {
        Self::correlated_with_dof(values, covariance, f64::INFINITY, labels)
    }

    /// As [`Self::correlated`], with the degrees of freedom behind the covariance matrix.
    ///
    /// # Errors
    /// When sizes differ or the matrix is not positive semi-definite.
    pub fn correlated_with_dof(
        values: &[f64],
        covariance: &[Vec<f64>],
        dof: f64,
        labels: &[&str],
    ) -> Result<Vec<Self>, CovarianceError> {
        let n = values.len();
        if labels.len() != n || covariance.len() != n || covariance.iter().any(|r| r.len() != n) {
            return Err(CovarianceError::Size { values: n });
        }
        let shape = if dof.is_infinite() {
            Shape::Normal
        } else {
            Shape::StudentT
        };
        let labels: Vec<Arc<str>> = labels.iter().map(|label| Arc::from(*label)).collect();
        let term = |(label, contribution): (&Arc<str>, &f64)| {
            (
                Arc::clone(label),
                Term {
                    contribution: *contribution,
                    dof,
                    shape,
                },
            )
        };
        let uncertain = |(value, row): (&f64, Vec<f64>)| {
            let terms: BTreeMap<_, _> = labels
                .iter()
                .zip(&row)
                .filter(|(_, c)| **c != 0.0)
                .map(term)
                .collect();
            Self {
                value: *value,
                terms,
            }
        };
        Ok(values
            .iter()
            .zip(factor(covariance)?)
            .map(uncertain)
            .collect())
    }
}

/// Lower triangular factor of a positive semi-definite matrix (Cholesky). A variance that is zero
/// within rounding gives a zero column, so that fully correlated values are allowed.
fn factor(covariance: &[Vec<f64>]) -> Result<Vec<Vec<f64>>, CovarianceError> {
    let n = covariance.len();
    let mut lower = vec![vec![0.0; n]; n];
    for row in 0..n {
        for column in 0..=row {
            let known: f64 = (0..column).map(|k| lower[row][k] * lower[column][k]).sum();
            let rest = covariance[row][column] - known;
            let rounding = 1e-12 * covariance[row][row].abs();
            if row == column && (rest < -rounding || rest.is_nan()) {
                return Err(CovarianceError::Negative {
                    row,
                    variance: rest,
                });
            }
            lower[row][column] = match (row == column, lower[column][column]) {
                (true, _) if rest <= rounding => 0.0,
                (true, _) => rest.sqrt(),
                (false, 0.0) => 0.0,
                (false, pivot) => rest / pivot,
            };
        }
    }
    Ok(lower)
}
