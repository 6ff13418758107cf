//! The moving coil: how the circuit brakes it, and its mechanical constants.
//!
//! Equations as in Wenner, Bulletin of the Bureau of Standards 13 (1916) 211, worked out here.

use super::Damped;
use crate::fit::{FitError, straight_line};
use quantity::{Amps, Ohms, Seconds};
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Braking by the current that the moving coil itself drives: ζ = ζ₀ + strength/(R_coil + R_ext).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Braking {
    /// Damping ratio with the terminals open, ζ₀.
    pub open: f64,
    /// G²/(2√(kJ)): what the loop resistance is compared with.
    pub strength: Ohms,
}

impl Braking {
    /// Damping ratio in a loop of `total` resistance, coil included.
    pub fn damping(&self, total: Ohms) -> f64 {
        self.open + self.strength / total
    }

    /// Total loop resistance for critical damping; none when the open movement is not below it.
    pub fn critical_total(&self) -> Option<Ohms> {
        (self.open < 1.0).then(|| self.strength / (1.0 - self.open))
    }

    /// External resistance for critical damping of a coil of resistance `coil`; none when not
    /// even a short circuit reaches it, or the open movement is not below it.
    pub fn critical_external(&self, coil: Ohms) -> Option<Ohms> {
        self.critical_total()
            .map(|total| total - coil)
            .filter(|rest| rest.get() >= 0.0)
    }

    /// Braking and coil resistance from damping ratios measured with known external resistances
    /// and with the terminals open: 1/(ζ − ζ₀) is a straight line in the external resistance.
    ///
    /// # Errors
    /// With fewer than three points, or damping that does not fall with resistance.
    pub fn fit(open: f64, points: &[(Ohms, f64)]) -> Result<(Self, Ohms), FitError> {
        if points.len() < 3 {
            return Err(FitError::TooFew {
                data: points.len(),
                unknowns: 2,
            });
        }
        if let Some(index) = points
            .iter()
            .position(|point| point.1.is_nan() || point.1 <= open)
        {
            return Err(FitError::NotUsable { index });
        }
        let x: Vec<f64> = points.iter().map(|point| point.0.get()).collect();
        let y: Vec<f64> = points.iter().map(|point| 1.0 / (point.1 - open)).collect();
        // Equal relative scatter of the braking part weighs a point by the inverse of its y.
        let fit = straight_line(&x, &y, Some(&y))?;
        let (intercept, slope) = (fit.parameters[0], fit.parameters[1]);
        if slope <= 0.0 {
            return Err(FitError::Undetermined { parameter: 1 });
        }
        Ok((
            Self {
                open,
                strength: Ohms::new(1.0 / slope),
            },
            Ohms::new(intercept / slope),
        ))
    }
}

/// Mechanical constants of a moving-coil movement, in SI units.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MovingCoil {
    /// Torque per ampere, N·m/A, which is also the EMF per rad/s.
    pub torque_constant: f64,
    /// Stiffness of the springs k, N·m/rad.
    pub stiffness: f64,
    /// Moment of inertia J, kg·m².
    pub inertia: f64,
    /// Mechanical damping with open terminals D₀, N·m·s/rad.
    pub drag: f64,
    /// Resistance of the coil.
    pub resistance: Ohms,
}

impl MovingCoil {
    /// From what a bench can measure and the torque constant: `arc` is the full-scale angle in
    /// rad, `open` the motion with open terminals.
    pub fn new(
        full_scale: Amps,
        arc: f64,
        torque_constant: f64,
        open: Damped,
        resistance: Ohms,
    ) -> Self {
        let stiffness = torque_constant * full_scale.get() / arc;
        let inertia = stiffness / open.omega().powi(2);
        let drag = 2.0 * open.damping * (stiffness * inertia).sqrt();
        Self {
            torque_constant,
            stiffness,
            inertia,
            drag,
            resistance,
        }
    }

    /// How a circuit brakes it.
    pub fn braking(&self) -> Braking {
        let root = 2.0 * (self.stiffness * self.inertia).sqrt();
        let strength = Ohms::new(self.torque_constant.powi(2) / root);
        Braking {
            open: self.drag / root,
            strength,
        }
    }

    /// Its motion with an external resistance across its terminals.
    pub fn with_external(&self, external: Ohms) -> Damped {
        let period = Seconds::new(TAU * (self.inertia / self.stiffness).sqrt());
        Damped::new(period, self.braking().damping(self.resistance + external))
    }

    /// Resistance that the motion adds at its own frequency, G²/D₀.
    pub fn motional_resistance(&self) -> Ohms {
        Ohms::new(self.torque_constant.powi(2) / self.drag)
    }

    /// Magnitude of the impedance at a frequency (Hz) for small signals, without inductance.
    pub fn impedance(&self, frequency: f64) -> Ohms {
        let w = TAU * frequency;
        // Motional part jωG²/(k − ω²J + jωD₀).
        let (real, imaginary) = (self.stiffness - w * w * self.inertia, w * self.drag);
        let scale = w * self.torque_constant.powi(2) / (real * real + imaginary * imaginary);
        Ohms::new((self.resistance.get() + scale * imaginary).hypot(scale * real))
    }
}
