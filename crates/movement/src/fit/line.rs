//! Linear models: any design matrix, straight lines, polynomials.

use super::{Fit, FitError, Prior, check, rows, solve};
use nalgebra::{DMatrix, DVector};

/// Fits y = Σ design\[row\]\[k\] · parameter\[k\].
///
/// `u` holds the standard uncertainty of each value; without it all values are taken as equally
/// good and the covariance follows from the scatter of the residuals.
///
/// # Errors
/// When lengths differ, a value is not usable, or the data do not determine every parameter.
pub fn linear(
    design: &[Vec<f64>],
    y: &[f64],
    u: Option<&[f64]>,
    priors: &[Prior],
) -> Result<Fit, FitError> {
    let (data, unknowns) = (y.len(), design.first().map_or(0, Vec::len));
    let same = u.is_none_or(|u| u.len() == data) && design.iter().all(|r| r.len() == unknowns);
    if design.len() != data || !same {
        let u = u.map_or(data, <[f64]>::len);
        return Err(FitError::Lengths {
            x: design.len(),
            y: data,
            u,
        });
    }
    check(y, u)?;
    if let Some(prior) = priors
        .iter()
        .find(|p| p.parameter >= unknowns || p.u.is_nan() || p.u <= 0.0)
    {
        return Err(FitError::Undetermined {
            parameter: prior.parameter,
        });
    }
    let total = data + priors.len();
    if unknowns == 0 || total < unknowns || (u.is_none() && total == unknowns) {
        return Err(FitError::TooFew {
            data: total,
            unknowns,
        });
    }
    let weight = |row: usize| u.map_or(1.0, |u| 1.0 / u[row]);
    let matrix = DMatrix::from_fn(total, unknowns, |row, column| {
        match priors.get(row - data.min(row)) {
            _ if row < data => weight(row) * design[row][column],
            Some(prior) if prior.parameter == column => 1.0 / prior.u,
            _ => 0.0,
        }
    });
    let right = DVector::from_fn(total, |row, _| {
        if row < data {
            weight(row) * y[row]
        } else {
            priors[row - data].value / priors[row - data].u
        }
    });
    if let Some(index) = matrix
        .row_iter()
        .position(|row| row.iter().any(|v| !v.is_finite()))
    {
        return Err(FitError::NotUsable { index });
    }
    let misfit = |parameters: &DVector<f64>| &right - &matrix * parameters;
    let mut solved = solve(matrix.clone(), &right)?;
    // One step of refinement recovers the digits that an offset far from zero costs.
    solved.parameters += &solved.influence * misfit(&solved.parameters);
    let misfit = misfit(&solved.parameters);
    let (chi2, dof) = (misfit.norm_squared(), total - unknowns);
    if u.is_none() {
        solved.covariance *= chi2 / dof as f64;
    }
    for (row, mut column) in solved.influence.column_iter_mut().enumerate().take(data) {
        column *= weight(row);
    }
    Ok(Fit {
        parameters: solved.parameters.iter().copied().collect(),
        covariance: rows(&solved.covariance, unknowns),
        residuals: (0..data).map(|row| misfit[row] / weight(row)).collect(),
        chi2,
        dof,
        stated: u.is_some(),
        influence: rows(&solved.influence, data),
    })
}

/// Fits y = p₀ + p₁ x + … of the given degree. Errors as [`linear`].
///
/// # Errors
/// As [`linear`].
pub fn polynomial(x: &[f64], y: &[f64], u: Option<&[f64]>, degree: usize) -> Result<Fit, FitError> {
    let row = |x: &f64| (0..=degree).map(|power| x.powi(power as i32)).collect();
    linear(&x.iter().map(row).collect::<Vec<_>>(), y, u, &[])
}

/// Fits y = p₀ + p₁ x.
///
/// # Errors
/// As [`linear`].
pub fn straight_line(x: &[f64], y: &[f64], u: Option<&[f64]>) -> Result<Fit, FitError> {
    polynomial(x, y, u, 1)
}

/// Fits y = p₀ x.
///
/// # Errors
/// As [`linear`].
pub fn through_origin(x: &[f64], y: &[f64], u: Option<&[f64]>) -> Result<Fit, FitError> {
    linear(&x.iter().map(|x| vec![*x]).collect::<Vec<_>>(), y, u, &[])
}
