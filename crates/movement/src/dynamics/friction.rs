//! Swings with dry friction in the pivots (Coulomb friction): what late swings tell.

use crate::fit::{FitError, straight_line};

/// Size of the next half swing, to the other side, after one of the given size.
///
/// `ratio` is that of half swings without friction ([`super::Damped::overshoot`]), `half_width`
/// the deflection that friction alone can hold, in the unit of `size`. Derived here: each half
/// swing is a free one about a rest point shifted by `half_width` against the motion. A negative
/// answer means that the needle stops before it reaches the middle; a needle within `half_width`
/// does not move at all.
pub fn next_swing(size: f64, ratio: f64, half_width: f64) -> f64 {
    if size <= half_width {
        -size
    } else {
        ratio * (size - half_width) - half_width
    }
}

/// Number of half swings from a start of the given size until friction alone (without damping)
/// holds the needle; none without friction.
pub fn half_swings_to_rest(size: f64, half_width: f64) -> Option<f64> {
    let excess = (size.abs() - half_width) / (2.0 * half_width);
    // Rounding must not add a swing where the last one ends exactly at the edge.
    (half_width > 0.0 && excess.is_finite()).then(|| (excess - 1e-9).ceil().max(0.0))
}

/// Damping and friction told apart by the turning points of a free swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swings {
    /// Ratio of half swings without friction, with its standard uncertainty.
    pub ratio: (f64, f64),
    /// Deflection that friction alone can hold, with its standard uncertainty.
    pub half_width: (f64, f64),
}

impl Swings {
    /// From the sizes of at least four successive half swings about the rest point, on
    /// alternating sides: each is `ratio`·previous − (1 + `ratio`)·`half_width`.
    ///
    /// # Errors
    /// With fewer than four swings, or when they do not shrink.
    pub fn fit(sizes: &[f64]) -> Result<Self, FitError> {
        if sizes.len() < 4 {
            return Err(FitError::TooFew {
                data: sizes.len(),
                unknowns: 2,
            });
        }
        let fit = straight_line(&sizes[..sizes.len() - 1], &sizes[1..], None)?;
        let (intercept, ratio) = (fit.parameters[0], fit.parameters[1]);
        if !(ratio > 0.0 && ratio <= 1.0 + 3.0 * fit.u(1) + 1e-9) {
            return Err(FitError::Undetermined { parameter: 1 });
        }
        let slopes = [-1.0 / (1.0 + ratio), intercept / (1.0 + ratio).powi(2)];
        let c = &fit.covariance;
        let variance = slopes[0] * slopes[0] * c[0][0]
            + 2.0 * slopes[0] * slopes[1] * c[0][1]
            + slopes[1] * slopes[1] * c[1][1];
        let half_width = (intercept * slopes[0], variance.max(0.0).sqrt());
        Ok(Self {
            ratio: (ratio, fit.u(1)),
            half_width,
        })
    }
}
