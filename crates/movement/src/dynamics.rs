//! How a needle moves: the linear second-order movement in closed form.
//!
//! Equation: y″/ω₀² + 2ζ y′/ω₀ + y = x with ω₀ = 2π/T₀, y the deflection and x the deflection
//! that the current would hold. All closed forms derived here.

mod coil;
mod friction;
mod moves;
mod settling;

pub use coil::{Braking, MovingCoil};
pub use friction::{Swings, half_swings_to_rest, next_swing};
pub use moves::Move;

use quantity::Seconds;
use serde::{Deserialize, Serialize};
use std::f64::consts::{PI, TAU};

/// Free period T₀ (without damping) and damping ratio ζ (1 is critical).
///
/// Figures outside period > 0 and damping ≥ 0 give not-a-number answers, never a panic.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Damped {
    /// Free period.
    pub period: Seconds,
    /// Damping ratio.
    pub damping: f64,
}

/// e^(−ζτ)·cos and e^(−ζτ)·sin(βτ)/β with β² = 1 − ζ², for any ζ, τ = ω₀t.
fn decay(damping: f64, tau: f64) -> (f64, f64) {
    let square = (1.0 - damping * damping) * tau * tau;
    if square.abs() < 1e-4 {
        // Around critical damping both forms below divide by almost nothing.
        let cos = 1.0 - square / 2.0 + square * square / 24.0;
        let sin = 1.0 - square / 6.0 + square * square / 120.0;
        let envelope = (-damping * tau).exp();
        return (envelope * cos, envelope * tau * sin);
    }
    if square > 0.0 {
        let beta = (1.0 - damping * damping).sqrt();
        let envelope = (-damping * tau).exp();
        let (sin, cos) = (beta * tau).sin_cos();
        return (envelope * cos, envelope * sin / beta);
    }
    let beta = (damping * damping - 1.0).sqrt();
    // ζ − β without cancellation, so that a strongly damped needle keeps its slow pole.
    let slow = (-tau / (damping + beta)).exp();
    let fast = (-tau * (damping + beta)).exp();
    ((slow + fast) / 2.0, (slow - fast) / (2.0 * beta))
}

impl Damped {
    /// A movement of free period T₀ and damping ratio ζ.
    pub const fn new(period: Seconds, damping: f64) -> Self {
        Self { period, damping }
    }

    /// ω₀ in rad/s.
    pub fn omega(&self) -> f64 {
        TAU / self.period.get()
    }

    /// Displacement (from the rest it moves to) and velocity (per second) after `time` of free
    /// motion from the given displacement and velocity.
    pub fn free(&self, displacement: f64, velocity: f64, time: Seconds) -> (f64, f64) {
        let (zeta, omega) = (self.damping, self.omega());
        let (cos, sin) = decay(zeta, omega * time.get());
        let push = velocity / omega;
        let at = displacement * (cos + zeta * sin) + push * sin;
        let speed = push * (cos - zeta * sin) - displacement * sin;
        (at, speed * omega)
    }

    /// The part of a step that is left to go after `time`: 1 at the start, 0 at rest, below 0 in
    /// an overshoot. 1 before time zero.
    pub fn left(&self, time: Seconds) -> f64 {
        if time.get() <= 0.0 {
            1.0
        } else {
            self.free(1.0, 0.0, time).0
        }
    }

    /// Response to a unit step of the current after `time`.
    pub fn step(&self, time: Seconds) -> f64 {
        1.0 - self.left(time)
    }

    /// Velocity (per second) of the response to a unit step.
    pub fn rate(&self, time: Seconds) -> f64 {
        if time.get() <= 0.0 {
            0.0
        } else {
            -self.free(1.0, 0.0, time).1
        }
    }

    /// ω_d in rad/s of a movement that swings; none at or above critical damping.
    fn swing(&self) -> Option<f64> {
        let square = 1.0 - self.damping * self.damping;
        (square > 0.0).then(|| self.omega() * square.sqrt())
    }

    /// Period of the damped swing; none at or above critical damping.
    pub fn damped_period(&self) -> Option<Seconds> {
        Some(Seconds::new(TAU / self.swing()?))
    }

    /// Time from a step to the first peak; none at or above critical damping.
    pub fn peak_time(&self) -> Option<Seconds> {
        Some(Seconds::new(PI / self.swing()?))
    }

    /// Overshoot of a step as a fraction of it, exp(−πζ/√(1 − ζ²)); also the ratio of each half
    /// swing to the one before. Zero at or above critical damping.
    pub fn overshoot(&self) -> f64 {
        let square = 1.0 - self.damping * self.damping;
        if square > 0.0 {
            (-PI * self.damping / square.sqrt()).exp()
        } else {
            0.0
        }
    }

    /// Natural logarithm of the ratio of successive swings to the *same* side; none at or above
    /// critical damping.
    pub fn log_decrement(&self) -> Option<f64> {
        self.swing()?;
        Some(-2.0 * self.overshoot().ln())
    }

    /// Time constant of the slowest part of the motion: 1/(ζω₀), or that of the slow pole above
    /// critical damping.
    pub fn slowest(&self) -> Seconds {
        let zeta = self.damping;
        let pole = if zeta > 1.0 {
            1.0 / (zeta + (zeta * zeta - 1.0).sqrt())
        } else {
            zeta
        };
        Seconds::new(1.0 / (pole * self.omega()))
    }

    /// A step in two parts that ends at rest without overshoot: the fraction of the whole step to
    /// set first, and how long after it to set the rest. None at or above critical damping.
    pub fn two_part_step(&self) -> Option<(f64, Seconds)> {
        Some((1.0 / (1.0 + self.overshoot()), self.peak_time()?))
    }
}

/// Damping ratio from the overshoot of a step as a fraction of it; none outside 0…1.
pub fn damping_from_overshoot(overshoot: f64) -> Option<f64> {
    (overshoot > 0.0 && overshoot < 1.0).then(|| {
        let log = -overshoot.ln();
        log / PI.hypot(log)
    })
}

/// Damping ratio from the logarithmic decrement of swings to the *same* side; none below zero.
pub fn damping_from_log_decrement(decrement: f64) -> Option<f64> {
    (decrement >= 0.0).then(|| decrement / TAU.hypot(decrement))
}

#[cfg(test)]
mod tests;
