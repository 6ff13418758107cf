//! The distributions of errors.

use rand::{Rng, RngExt};
use rand_distr::{Distribution, StandardNormal, StudentT};
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf::erfc;
use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// The distribution of an error about zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// Gaussian.
    Normal,
    /// Student's t with the degrees of freedom of its source, scaled by its standard uncertainty.
    StudentT,
    /// Anywhere between two limits alike.
    Rectangular,
    /// Between two limits, with a peak midway.
    Triangular,
    /// The values of a sinusoid (arcsine distribution).
    UShaped,
}

impl Shape {
    /// Excess kurtosis of the shapes with limits; zero for the bells.
    pub(super) fn excess_kurtosis(self) -> f64 {
        match self {
            Self::Normal | Self::StudentT => 0.0,
            Self::Rectangular => -1.2,
            Self::Triangular => -0.6,
            Self::UShaped => -1.5,
        }
    }

    /// The value at probability `p` of a shape with limits, for a standard uncertainty of 1.
    /// Bells have no closed form here and answer `None`.
    pub(super) fn quantile(self, p: f64) -> Option<f64> {
        match self {
            Self::Normal | Self::StudentT => None,
            Self::Rectangular => Some(3f64.sqrt() * (2.0 * p - 1.0)),
            Self::Triangular if p < 0.5 => Some(6f64.sqrt() * ((2.0 * p).sqrt() - 1.0)),
            Self::Triangular => Some(6f64.sqrt() * (1.0 - (2.0 * (1.0 - p)).sqrt())),
            Self::UShaped => Some(-2f64.sqrt() * (PI * p).cos()),
        }
    }

    /// Distribution function for a standard uncertainty of 1.
    pub(super) fn distribution(self, x: f64, dof: f64) -> f64 {
        let t = StudentsT::new(0.0, 1.0, dof)
            .ok()
            .filter(|_| self == Self::StudentT);
        match self {
            Self::Normal | Self::StudentT => {
                t.map_or_else(|| 0.5 * erfc(-x * FRAC_1_SQRT_2), |t| t.cdf(x))
            }
            Self::Rectangular => 0.5 + (x / 12f64.sqrt()).clamp(-0.5, 0.5),
            Self::Triangular => {
                let edge = 1.0 - (x.abs() / 6f64.sqrt()).min(1.0);
                0.5 + (0.5 - 0.5 * edge * edge).copysign(x)
            }
            Self::UShaped => 0.5 + (x * FRAC_1_SQRT_2).clamp(-1.0, 1.0).asin() / PI,
        }
    }

    /// One draw for a standard uncertainty of 1.
    pub(super) fn sample(self, dof: f64, rng: &mut impl Rng) -> f64 {
        if let Some(value) = self.quantile(rng.random()) {
            return value;
        }
        match StudentT::new(dof) {
            Ok(t) if self == Self::StudentT && dof.is_finite() => t.sample(rng),
            _ => StandardNormal.sample(rng),
        }
    }
}

/// Numbers of which infinity is one, in formats that have none: written as "no value".
pub(super) mod or_infinity {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
        value.is_finite().then_some(*value).serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
        Ok(Option::deserialize(deserializer)?.unwrap_or(f64::INFINITY))
    }
}
