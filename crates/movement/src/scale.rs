//! Scale laws, linearity by named definition, friction from rising and falling readings.

mod law;
mod linearity;

pub use law::{Law, LawFit, exponent};
pub use linearity::{Linearity, LinearityResult};

use quantity::Amps;
use thiserror::Error;

/// Why scale data give no figure.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum ScaleError {
    /// Too few marks.
    #[error("{found} marks are too few; at least {needed} are needed")]
    TooFew {
        /// Marks given.
        found: usize,
        /// Marks needed.
        needed: usize,
    },
    /// A law cannot hold for these data.
    #[error("mark {index} cannot lie on this law: {why}")]
    Unsuitable {
        /// Position of the mark, from 0.
        index: usize,
        /// Reason.
        why: &'static str,
    },
    /// The fit failed.
    #[error(transparent)]
    Fit(#[from] crate::fit::FitError),
}

/// One mark with the current that brings the needle to it from below and from above.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Position on the printed scale, 0 to 1.
    pub mark: f64,
    /// Current when approached from below.
    pub rising: Amps,
    /// Current when approached from above.
    pub falling: Amps,
}

/// Differences between rising and falling readings, in fractions of full scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hysteresis {
    /// Largest difference.
    pub largest: f64,
    /// The mark where it is largest.
    pub at: f64,
    /// Mean difference over the inner marks. The ends do not count: there the direction turns.
    pub mean: f64,
    /// Half of the mean: the deflection that friction can hold either side.
    pub half_width: f64,
}

/// Friction and hysteresis from a table of marks, currents related to `full_scale`.
///
/// # Errors
/// With fewer than three marks.
pub fn hysteresis(marks: &[Mark], full_scale: Amps) -> Result<Hysteresis, ScaleError> {
    let [_, inner @ .., _] = marks else {
        return Err(ScaleError::TooFew {
            found: marks.len(),
            needed: 3,
        });
    };
    if inner.is_empty() {
        return Err(ScaleError::TooFew {
            found: marks.len(),
            needed: 3,
        });
    }
    let gap = |mark: &Mark| (mark.rising - mark.falling) / full_scale;
    let mean = inner.iter().map(gap).sum::<f64>() / inner.len() as f64;
    let start = (0.0, marks[0].mark);
    let (largest, at) = marks.iter().fold(start, |found, mark| {
        if gap(mark).abs() > f64::abs(found.0) {
            (gap(mark), mark.mark)
        } else {
            found
        }
    });
    Ok(Hysteresis {
        largest,
        at,
        mean,
        half_width: mean / 2.0,
    })
}

#[cfg(test)]
mod tests;
