//! How deflection follows current.

use super::ScaleError;
use crate::fit::{Fit, straight_line, through_origin};
use quantity::Amps;
use serde::{Deserialize, Serialize};

/// A law between current and deflection (fraction of the printed scale).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Law {
    /// d = I/I_fs.
    Linear {
        /// Current at the full-scale mark.
        full_scale: Amps,
    },
    /// d = (I − I₀)/(I_fs − I₀).
    Offset {
        /// Current at the zero mark.
        start: Amps,
        /// Current at the full-scale mark.
        full_scale: Amps,
    },
    /// d = (I/I_fs)ⁿ; 1 for a moving coil, 2 for iron and heat.
    Power {
        /// Current at the full-scale mark.
        full_scale: Amps,
        /// n.
        exponent: f64,
    },
}

impl Law {
    /// Deflection at a current. A power law mirrors for negative currents.
    pub fn deflection(&self, current: Amps) -> f64 {
        match *self {
            Self::Linear { full_scale } => current / full_scale,
            Self::Offset { start, full_scale } => (current - start) / (full_scale - start),
            Self::Power {
                full_scale,
                exponent,
            } => {
                let ratio = current / full_scale;
                ratio.abs().powf(exponent).copysign(ratio)
            }
        }
    }

    /// Current at a deflection.
    pub fn current(&self, deflection: f64) -> Amps {
        match *self {
            Self::Linear { full_scale } => full_scale * deflection,
            Self::Offset { start, full_scale } => start + (full_scale - start) * deflection,
            Self::Power {
                full_scale,
                exponent,
            } => full_scale * deflection.abs().powf(1.0 / exponent).copysign(deflection),
        }
    }
}

/// A fitted law.
#[derive(Clone, Debug, PartialEq)]
pub struct LawFit {
    /// The law.
    pub law: Law,
    /// The fit behind it. Parameters: slope (1/A) of the linear law; intercept and slope of the
    /// offset law; ln of deflection at 1 A and exponent of the power law.
    pub fit: Fit,
    /// Deflection observed minus that of the law, at each mark.
    pub residuals: Vec<f64>,
}

impl LawFit {
    fn new(law: Law, fit: Fit, points: &[(Amps, f64)]) -> Self {
        let residuals = points.iter().map(|(i, d)| d - law.deflection(*i)).collect();
        Self {
            law,
            fit,
            residuals,
        }
    }

    /// Root mean square of the residuals, fraction of full scale.
    pub fn rms(&self) -> f64 {
        let sum: f64 = self.residuals.iter().map(|r| r * r).sum();
        (sum / self.residuals.len() as f64).sqrt()
    }

    /// Largest residual, fraction of full scale.
    pub fn largest(&self) -> f64 {
        self.residuals
            .iter()
            .fold(0.0, |largest: f64, r| largest.max(r.abs()))
    }

    /// Least squares for d = I/I_fs.
    ///
    /// # Errors
    /// With too few or unusable points.
    pub fn linear(points: &[(Amps, f64)]) -> Result<Self, ScaleError> {
        let (x, y) = columns(points);
        let fit = through_origin(&x, &y, None)?;
        let law = Law::Linear {
            full_scale: Amps::new(1.0 / fit.parameters[0]),
        };
        Ok(Self::new(law, fit, points))
    }

    /// Least squares for d = (I − I₀)/(I_fs − I₀).
    ///
    /// # Errors
    /// With too few or unusable points.
    pub fn offset(points: &[(Amps, f64)]) -> Result<Self, ScaleError> {
        let (x, y) = columns(points);
        let fit = straight_line(&x, &y, None)?;
        let (intercept, slope) = (fit.parameters[0], fit.parameters[1]);
        let (start, full_scale) = (
            Amps::new(-intercept / slope),
            Amps::new((1.0 - intercept) / slope),
        );
        Ok(Self::new(Law::Offset { start, full_scale }, fit, points))
    }

    /// Least squares of ln d against ln I, every point alike.
    ///
    /// # Errors
    /// With too few points, or where current or deflection is not above zero.
    pub fn power(points: &[(Amps, f64)]) -> Result<Self, ScaleError> {
        let below = |point: &(Amps, f64)| !(point.0.get() > 0.0 && point.1 > 0.0);
        if let Some(index) = points.iter().position(below) {
            let why = "a power law is fitted above zero current and deflection only";
            return Err(ScaleError::Unsuitable { index, why });
        }
        let logs = points.iter().map(|(i, d)| (i.get().ln(), d.ln()));
        let (x, y): (Vec<_>, Vec<_>) = logs.unzip();
        let fit = straight_line(&x, &y, None)?;
        let (at_one, exponent) = (fit.parameters[0], fit.parameters[1]);
        let full_scale = Amps::new((-at_one / exponent).exp());
        Ok(Self::new(
            Law::Power {
                full_scale,
                exponent,
            },
            fit,
            points,
        ))
    }
}

fn columns(points: &[(Amps, f64)]) -> (Vec<f64>, Vec<f64>) {
    points
        .iter()
        .map(|(current, deflection)| (current.get(), *deflection))
        .unzip()
}

/// Local exponent d(ln d)/d(ln I) between two sightings, each current with a deflection and its
/// standard uncertainty, and the exponent's standard uncertainty. None unless all currents and
/// deflections are above zero and the currents differ.
pub fn exponent(first: (Amps, f64, f64), second: (Amps, f64, f64)) -> Option<(f64, f64)> {
    let span = (second.0 / first.0).ln();
    let usable = first.1 > 0.0 && second.1 > 0.0 && first.0.get() > 0.0 && span.is_finite();
    (usable && span != 0.0).then(|| {
        let u = (first.2 / first.1).hypot(second.2 / second.1) / span.abs();
        ((second.1 / first.1).ln() / span, u)
    })
}
