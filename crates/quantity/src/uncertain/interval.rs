//! 95 % intervals: Student's t where it holds, drawn distributions where limits dominate.

use super::{BudgetRow, Shape, Uncertain};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Draws for one interval; see the tests for the error that is left.
const DRAWS: usize = 20_000;
/// Fixed, so that equal budgets give equal intervals.
const SEED: u64 = 0x95;
/// Excess kurtosis of the sum below which its 95 % points are those of a bell within 0.4 %
/// (Cornish–Fisher: the relative change is 0.035 times the excess kurtosis; derived here).
const STILL_A_BELL: f64 = 0.1;
/// Errors of a smaller share of the variance can be drawn as one normal error together: alone
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
    /// the interval that holds 95 % of draws of the linear model (JCGM 101), with a fixed seed.
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
        let kurtosis: f64 = rows
            .iter()
            .map(|row| row.share.powi(2) * row.source.shape.excess_kurtosis())
            .sum();
        if kurtosis.abs() < STILL_A_BELL || !u.is_finite() {
            return student_t95(self.dof()) * u;
        }
        u * drawn95(&rows)
    }
}

/// Half-width that holds 95 % of the draws, in units of the combined standard uncertainty.
fn drawn95(rows: &[BudgetRow]) -> f64 {
    let (mut bell, mut drawn) = (0.0, Vec::new());
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
            _ => drawn.push((row.share.sqrt(), shape, dof)),
        }
    }
    drawn.push((bell.sqrt(), Shape::Normal, f64::INFINITY));
    // The largest error with limits is not drawn at random but in even steps, which removes most
    // of the scatter of the result.
    let largest = drawn.iter().position(|(_, shape, _)| !shape.is_bell());
    let even = largest.map(|at| drawn.remove(at));
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut sizes: Vec<f64> = (0..DRAWS)
        .map(|k| {
            let p = (k as f64 + 0.5) / DRAWS as f64;
            let step = even.and_then(|(size, shape, _)| Some(size * shape.quantile(p)?));
            let rest = drawn
                .iter()
                .map(|(size, shape, dof)| size * shape.sample(*dof, &mut rng));
            (step.unwrap_or(0.0) + rest.sum::<f64>()).abs()
        })
        .collect();
    let rank = DRAWS * 95 / 100;
    let (_, half, _) = sizes.select_nth_unstable_by(rank, f64::total_cmp);
    *half
}
