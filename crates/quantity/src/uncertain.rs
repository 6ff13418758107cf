//! Uncertain values that carry their budget (JCGM 100:2008, JCGM 101:2008).
//!
//! Every error has a name. Values whose errors bear the same name share that error, so results
//! computed from common inputs are correlated as they should be, and common errors cancel in
//! differences, without anybody keeping a list of covariances.

mod comparison;
mod correlated;
mod interval;
mod monte_carlo;
mod operators;
mod shape;

pub use comparison::{e_n, e_n_expanded};
pub use correlated::CovarianceError;
pub use interval::{coverage_factor, student_t95};
pub use monte_carlo::{MonteCarlo, MonteCarloError, monte_carlo};
pub use shape::Shape;

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What is known of one error source.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// Name of the error; the same name is the same error everywhere.
    pub label: Arc<str>,
    /// Degrees of freedom of its standard uncertainty; infinite for a stated limit.
    pub dof: f64,
    /// Its distribution.
    pub shape: Shape,
}

/// One error as it acts on a value.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Term {
    /// Sensitivity times standard uncertainty, signed, in the unit of the value.
    #[serde(with = "shape::or_infinity")]
    contribution: f64,
    #[serde(with = "shape::or_infinity")]
    dof: f64,
    shape: Shape,
}

/// One row of an uncertainty budget.
#[derive(Clone, Debug, PartialEq)]
pub struct BudgetRow {
    /// The error.
    pub source: Source,
    /// Sensitivity times standard uncertainty, signed, in the unit of the value.
    pub contribution: f64,
    /// Share of the variance, 0 to 1.
    pub share: f64,
}

/// A value with its standard uncertainty, kept as one signed contribution per named error.
///
/// The unit is that of the value, by convention the SI unit. A value computed from others takes
/// over their errors to first order (JCGM 100, 5.1 and 5.2); use [`monte_carlo`] where a model
/// bends within its uncertainty.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Uncertain {
    value: f64,
    terms: BTreeMap<Arc<str>, Term>,
}

impl Uncertain {
    /// A value without uncertainty.
    pub fn exact(value: f64) -> Self {
        Self {
            value,
            terms: BTreeMap::new(),
        }
    }

    fn single(value: f64, contribution: f64, dof: f64, shape: Shape, label: &str) -> Self {
        let mut terms = BTreeMap::new();
        if contribution != 0.0 {
            terms.insert(
                Arc::from(label),
                Term {
                    contribution,
                    dof,
                    shape,
                },
            );
        }
        Self { value, terms }
    }

    /// A normal error of standard uncertainty `u` that is itself exactly known.
    pub fn normal(value: f64, u: f64, label: &str) -> Self {
        Self::single(value, u, f64::INFINITY, Shape::Normal, label)
    }

    /// An error anywhere within ± `half_width` alike: u = half-width/√3 (JCGM 100, 4.3.7).
    pub fn rectangular(value: f64, half_width: f64, label: &str) -> Self {
        let u = half_width / 3f64.sqrt();
        Self::single(value, u, f64::INFINITY, Shape::Rectangular, label)
    }

    /// An error within ± `half_width`, more likely near its middle: u = half-width/√6
    /// (JCGM 100, 4.3.9).
    pub fn triangular(value: f64, half_width: f64, label: &str) -> Self {
        let u = half_width / 6f64.sqrt();
        Self::single(value, u, f64::INFINITY, Shape::Triangular, label)
    }

    /// A sinusoidal error of amplitude `half_width`: u = half-width/√2 (JCGM 101, 6.4.6).
    pub fn u_shaped(value: f64, half_width: f64, label: &str) -> Self {
        let u = half_width / 2f64.sqrt();
        Self::single(value, u, f64::INFINITY, Shape::UShaped, label)
    }

    /// Rounding to steps of `step`: rectangular within half a step (JCGM 100, F.2.2.1).
    pub fn resolution(value: f64, step: f64, label: &str) -> Self {
        Self::rectangular(value, step / 2.0, label)
    }

    /// The mean of `n` observations of sample standard deviation `s`: u = s/√n with n − 1
    /// degrees of freedom (JCGM 100, 4.2).
    ///
    /// One observation tells nothing of its spread, so with `n` < 2 the uncertainty is infinite;
    /// use [`Self::normal`] or [`Self::with_dof`] with a spread known from elsewhere.
    pub fn type_a(mean: f64, s: f64, n: usize, label: &str) -> Self {
        if n < 2 {
            return Self::single(mean, f64::INFINITY, 0.0, Shape::StudentT, label);
        }
        Self::with_dof(mean, s / (n as f64).sqrt(), (n - 1) as f64, label)
    }

    /// A standard uncertainty that is known with `dof` degrees of freedom only.
    pub fn with_dof(value: f64, u: f64, dof: f64, label: &str) -> Self {
        let shape = if dof.is_infinite() {
            Shape::Normal
        } else {
            Shape::StudentT
        };
        Self::single(value, u, dof, shape, label)
    }

    /// The value.
    pub fn value(&self) -> f64 {
        self.value
    }

    fn variance(&self) -> f64 {
        self.terms
            .values()
            .map(|term| term.contribution.powi(2))
            .sum()
    }

    /// Combined standard uncertainty (JCGM 100, 5.1.2), in the unit of the value.
    pub fn u(&self) -> f64 {
        self.variance().sqrt()
    }

    /// Effective degrees of freedom (Welch–Satterthwaite, JCGM 100, G.4.1). Errors of one name
    /// are summed first, so the formula sees independent errors only.
    pub fn dof(&self) -> f64 {
        let variance = self.variance();
        let sum: f64 = self
            .terms
            .values()
            .filter(|term| term.dof.is_finite())
            .map(|term| (term.contribution.powi(2) / variance).powi(2) / term.dof)
            .sum();
        // An infinite term makes the ratio above not a number: nothing is known then.
        // (The sum of nothing is −0, hence the magnitude.)
        if sum.is_nan() { 0.0 } else { 1.0 / sum.abs() }
    }

    /// Covariance through the errors that both share.
    pub fn covariance(&self, other: &Self) -> f64 {
        let shared = |(label, term): (&Arc<str>, &Term)| {
            Some(term.contribution * other.terms.get(label)?.contribution)
        };
        self.terms.iter().filter_map(shared).sum()
    }

    /// Correlation coefficient, −1 to 1; zero when either value is exact.
    pub fn correlation(&self, other: &Self) -> f64 {
        let scale = self.u() * other.u();
        if scale == 0.0 {
            0.0
        } else {
            self.covariance(other) / scale
        }
    }

    /// A result `value` computed from inputs with the given partial derivatives. An input may
    /// occur several times; errors of one name add with their sign.
    pub fn combine(value: f64, inputs: &[(f64, &Self)]) -> Self {
        let mut terms: BTreeMap<Arc<str>, Term> = BTreeMap::new();
        for (partial, input) in inputs.iter().filter(|(partial, _)| *partial != 0.0) {
            for (label, term) in &input.terms {
                let contribution = partial * term.contribution;
                terms
                    .entry(Arc::clone(label))
                    .and_modify(|sum| sum.contribution += contribution)
                    .or_insert(Term {
                        contribution,
                        ..*term
                    });
            }
        }
        terms.retain(|_, term| term.contribution != 0.0);
        Self { value, terms }
    }

    /// A function of this value alone, given its value and its derivative there.
    pub fn map1(&self, function: impl Fn(f64) -> f64, derivative: impl Fn(f64) -> f64) -> Self {
        Self::combine(function(self.value), &[(derivative(self.value), self)])
    }

    /// The budget, largest contribution first; equal ones in order of their names.
    pub fn budget(&self) -> Vec<BudgetRow> {
        let variance = self.variance();
        let row = |(label, term): (&Arc<str>, &Term)| BudgetRow {
            source: Source {
                label: Arc::clone(label),
                dof: term.dof,
                shape: term.shape,
            },
            contribution: term.contribution,
            share: term.contribution.powi(2) / variance,
        };
        let mut rows: Vec<_> = self.terms.iter().map(row).collect();
        rows.sort_by(|a, b| b.contribution.abs().total_cmp(&a.contribution.abs()));
        rows
    }
}

#[cfg(test)]
mod tests;
