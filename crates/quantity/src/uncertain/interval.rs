//! 95 % intervals: Student's t where it holds, propagated distributions where limits dominate.

use super::{BudgetRow, Shape, Uncertain};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Cells of the grid per combined standard uncertainty. Each error is widened by the variance of
/// one cell, 1/12 of its width squared: together less than 0.1 % of the result.
const PER_U: f64 = 20.0;
/// Cells from zero outwards: enough for a t of one degree of freedom.
const CELLS: usize = 320;
/// Excess kurtosis of the sum below which its 95 % points are those of a bell within 0.4 %
/// (Cornish–Fisher: the relative change is 0.035 times the excess kurtosis; derived here).
const STILL_A_BELL: f64 = 0.1;
/// Errors of a smaller share of the variance are taken together as one normal error: alone
/// they change the kurtosis by less than 0.004.
const MINOR_SHARE: f64 = 0.05;

/// Two-sided coverage factor of Student's t for a coverage probability, for example 0.95.
///
/// Infinite when there are no degrees of freedom; the normal factor when they are infinite; not a
/// number when the probability is outside 0…1.
pub fn coverage_factor(probability: f64, dof: f64) -> f64 {
    if !(0.0..1.0).contains(&probability) {
        return f64::NAN;
    }
    // Above this the inverse of the incomplete beta function loses digits, while the first term
    // of the expansion in 1/dof is exact to 1e-11.
    if dof > 1e5 {
        let z = std::f64::consts::SQRT_2 * statrs::function::erf::erf_inv(probability);
        return z + (z.powi(3) + z) / (4.0 * dof);
    }
    let upper = 0.5 + probability / 2.0;
    StudentsT::new(0.0, 1.0, dof).map_or(f64::INFINITY, |t| t.inverse_cdf(upper))
}

/// Two-sided 95 % coverage factor of Student's t (JCGM 100, table G.2).
pub fn student_t95(dof: f64) -> f64 {
    coverage_factor(0.95, dof)
}

impl Uncertain {
    /// The symmetric 95 % interval about the value.
    ///
    /// When the sum of all errors is bell-shaped: the t-interval with the effective degrees of
    /// freedom (JCGM 100, G.3). When an error with limits (rectangular and the like) dominates:
    /// the interval that holds 95 % of the propagated distribution of the linear model (JCGM 101,
    /// 5.2), which for a sum of independent errors needs no draws.
    pub fn interval95(&self) -> (f64, f64) {
        let half = self.expanded95();
        (self.value - half, self.value + half)
    }

    /// Half-width of [`Self::interval95`]: the expanded uncertainty for 95 %.
    pub fn expanded95(&self) -> f64 {
        let (u, rows) = (self.u(), self.budget());
        if u == 0.0 {
            return 0.0;
        }
        if rows
            .iter()
            .any(|row| row.source.dof.is_nan() || row.source.dof <= 0.0)
        {
            return f64::INFINITY;
        }
        let kurtosis: f64 = rows
            .iter()
            .map(|row| row.share.powi(2) * row.source.shape.excess_kurtosis())
            .sum();
        if kurtosis.abs() < STILL_A_BELL || !u.is_finite() {
            return student_t95(self.dof()) * u;
        }
        u * convolved95(&rows)
    }
}

/// Half-width that holds 95 % of the sum of all errors, in units of the combined standard
/// uncertainty: their distributions are convolved on an even grid.
fn convolved95(rows: &[BudgetRow]) -> f64 {
    let (mut bell, mut parts) = (0.0, Vec::new());
    for row in rows {
        let (shape, dof) = (row.source.shape, row.source.dof);
        let minor = row.share < MINOR_SHARE && (shape != Shape::StudentT || dof > 4.0);
        // A t of many degrees of freedom is a slightly wider normal.
        let widened = if shape == Shape::StudentT {
            dof / (dof - 2.0)
        } else {
            1.0
        };
        match shape {
            Shape::Normal => bell += row.share,
            Shape::StudentT if minor || dof > 50.0 => bell += row.share * widened,
            _ if minor => bell += row.share,
            _ => parts.push((row.share.sqrt(), shape, dof)),
        }
    }
    if bell > 0.0 {
        parts.push((f64::sqrt(bell), Shape::Normal, f64::INFINITY));
    }
    // Half of a symmetric distribution: the share within the cell around zero, then outwards.
    let mut sum = vec![0.0; CELLS];
    sum[0] = 1.0;
    for (size, shape, dof) in parts {
        sum = convolve(&sum, &cells(|x| shape.distribution(x / size, dof)));
    }
    // Counts up to the cell in which 95 % is reached, and goes into it by its share.
    let mut held = 0.0;
    for (k, cell) in sum.iter().enumerate() {
        let share = if k == 0 { *cell } else { 2.0 * cell };
        if held + share >= 0.95 {
            let part = (0.95 - held) / share;
            return if k == 0 {
                part / 2.0
            } else {
                k as f64 - 0.5 + part
            } / PER_U;
        }
        held += share;
    }
    f64::INFINITY
}

/// Shares of a symmetric distribution in the cells from zero outwards, without the empty ones.
fn cells(distribution: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut below = 1.0 - distribution(0.5 / PER_U);
    let mut cells = vec![];
    for k in 0..CELLS {
        let above = distribution((k as f64 + 0.5) / PER_U);
        cells.push(above - below);
        below = above;
        if above >= 1.0 {
            break;
        }
    }
    cells
}

/// Convolution of two symmetric distributions, each given from zero outwards. What leaves the
/// grid is lost there, and so counts as outside.
fn convolve(wide: &[f64], kernel: &[f64]) -> Vec<f64> {
    let reach = kernel.len() as isize - 1;
    let mirrored: Vec<f64> = wide[1..].iter().rev().chain(wide).copied().collect();
    let both: Vec<f64> = kernel[1..].iter().rev().chain(kernel).copied().collect();
    let last = mirrored.len() as isize - 1;
    let at = |k: isize| {
        let centre = last / 2 + k;
        let (from, to) = ((centre - reach).max(0), (centre + reach).min(last));
        let skip = (from - (centre - reach)) as usize;
        let part = &mirrored[from as usize..=to as usize];
        part.iter().zip(&both[skip..]).map(|(a, b)| a * b).sum()
    };
    (0..wide.len() as isize).map(at).collect()
}
