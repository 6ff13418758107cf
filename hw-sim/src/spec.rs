//! What a simulated movement is made of. All values are SI; deflections are fractions of the scale.

use crate::diodes::Diodes;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Resistance change of copper per kelvin at 20 °C (IEC 60028).
pub const COPPER_TEMPCO: f64 = 0.00393;

/// How the static deflection follows the coil current.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Law {
    /// Permanent-magnet moving coil: deflection proportional to current, sign included.
    Linear,
    /// Moving iron: deflection proportional to the square of the current, never negative.
    /// Its back-EMF is left out: the coil stands still, and what the moving vane induces (current
    /// times change of inductance) is microvolts against a drop of tens of millivolts.
    Square,
    /// Moving coil wound up by its spring: the scale begins at this fraction of full-scale current.
    Suppressed(f64),
}

impl Law {
    /// Static deflection (fraction of scale, zero offset not included) at coil current `ratio`
    /// times the full-scale coil current.
    pub fn deflection(self, ratio: f64) -> f64 {
        match self {
            Law::Linear => ratio,
            Law::Square => ratio * ratio,
            Law::Suppressed(start) => (ratio - start) / (1.0 - start),
        }
    }

    /// The current ratio (>= 0) that gives this static deflection.
    pub fn ratio(self, deflection: f64) -> f64 {
        match self {
            Law::Linear => deflection,
            Law::Square => deflection.max(0.0).sqrt(),
            Law::Suppressed(start) => start + deflection * (1.0 - start),
        }
    }

    /// Change of static deflection per change of current ratio where that is constant; `None` for
    /// the square law.
    pub fn slope(self) -> Option<f64> {
        match self {
            Law::Linear => Some(1.0),
            Law::Square => None,
            Law::Suppressed(start) => Some(1.0 / (1.0 - start)),
        }
    }
}

/// What is wrong with the movement, if anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// Works as specified.
    Sound,
    /// Leads swapped: positive current drives the needle down.
    Reversed,
    /// The moving coil is open; internal shunt and multiplier, if any, are still there.
    OpenCoil,
    /// The needle cannot move; the circuit is intact.
    Stuck,
    /// Nothing is connected to the berth.
    Absent,
}

/// All physical parameters of one movement.
///
/// Circuit between the terminals: `multiplier` in series with (`shunt` parallel to
/// (`copper` + `swamp` + back-EMF)), and `diodes` between the two.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MovementSpec {
    /// Name, an invented word.
    pub name: String,
    /// One line for people.
    pub description: String,
    /// Deflection law.
    pub law: Law,
    /// Coil current at which the law gives exactly full scale, A.
    pub coil_full_scale: f64,
    /// Copper part of the coil branch at 20 °C, Ω.
    pub copper: f64,
    /// Constant resistance in the coil branch (swamping, hairsprings), Ω.
    pub swamp: f64,
    /// Internal shunt across the coil branch, Ω.
    pub shunt: Option<f64>,
    /// Internal series resistance outside the shunt, Ω.
    pub multiplier: f64,
    /// Diodes between multiplier and coil, or across the coil.
    #[serde(default)]
    pub diodes: Option<Diodes>,
    /// Free (undamped) period, s.
    pub period: f64,
    /// Mechanical damping ratio: air, former and everything but the coil circuit.
    pub damping: f64,
    /// Back-EMF in the coil branch, V per (full scale per second).
    pub back_emf: f64,
    /// Coulomb friction while moving, half-width as fraction of scale.
    pub friction: f64,
    /// Breakaway friction at rest, half-width as fraction of scale, not below `friction`.
    pub breakaway: f64,
    /// Deflection without current, fraction of scale.
    pub zero: f64,
    /// Scale error: printed minus mechanical deflection = c0 d + c1 d² + c2 d³.
    pub scale_error: [f64; 3],
    /// Lower stop, fraction of scale.
    pub lower_stop: f64,
    /// Upper stop, fraction of scale.
    pub upper_stop: f64,
    /// Rebound speed over impact speed at a stop.
    pub restitution: f64,
    /// Coil to ambient, K/W.
    pub thermal_resistance: f64,
    /// Thermal time constant of the coil, s.
    pub thermal_time: f64,
    /// Condition.
    pub condition: Condition,
}

impl MovementSpec {
    /// Undamped angular frequency, rad/s.
    pub fn omega(&self) -> f64 {
        TAU / self.period
    }

    /// Coil branch at `celsius`, Ω; infinite when the coil is open.
    pub fn core(&self, celsius: f64) -> f64 {
        match self.condition {
            Condition::OpenCoil | Condition::Absent => f64::INFINITY,
            _ => self.copper * (1.0 + COPPER_TEMPCO * (celsius - 20.0)) + self.swamp,
        }
    }

    /// Resistance between the terminals at `celsius`, diodes left out, Ω; infinite when there is no
    /// path.
    pub fn terminal_resistance(&self, celsius: f64) -> f64 {
        if self.condition == Condition::Absent {
            return f64::INFINITY;
        }
        self.multiplier + self.behind_multiplier(celsius)
    }

    /// Coil branch and shunt beside each other at `celsius`, Ω.
    pub(crate) fn behind_multiplier(&self, celsius: f64) -> f64 {
        let core = self.core(celsius);
        match self.shunt {
            None => core,
            Some(shunt) if core.is_infinite() => shunt,
            Some(shunt) => core * shunt / (core + shunt),
        }
    }

    /// Printed minus mechanical deflection at mechanical deflection `d`.
    pub fn scale_error(&self, d: f64) -> f64 {
        let [c0, c1, c2] = self.scale_error;
        d * (c0 + d * (c1 + d * c2))
    }

    /// What the needle shows on the printed scale at mechanical deflection `d`.
    pub fn indicated(&self, d: f64) -> f64 {
        d + self.scale_error(d)
    }

    /// Mechanical deflection at which the needle shows `shown` (Newton; the error is small and
    /// smooth, so a few steps reach rounding).
    pub fn mechanical(&self, shown: f64) -> f64 {
        let [c0, c1, c2] = self.scale_error;
        let mut d = shown;
        for _ in 0..8 {
            let slope = 1.0 + c0 + d * (2.0 * c1 + 3.0 * d * c2);
            d -= (self.indicated(d) - shown) / slope;
        }
        d
    }

    /// Terminal current (absolute) at which the frictionless needle rests exactly on the full-scale
    /// mark, coil at `celsius`, A. `None` when no current brings it there.
    pub fn full_scale_current(&self, celsius: f64) -> Option<f64> {
        if !matches!(self.condition, Condition::Sound | Condition::Reversed) {
            return None;
        }
        let ratio = self.law.ratio(self.mechanical(1.0) - self.zero);
        let share = match self.shunt {
            Some(shunt) => (self.core(celsius) + shunt) / shunt,
            None => 1.0,
        };
        let amps = ratio * self.coil_full_scale * share;
        Some(self.diodes.map_or(amps, |diodes| {
            diodes.terminal_current(amps, self.behind_multiplier(celsius))
        }))
    }

    /// Damping ratio with `external` ohms across the terminals: mechanical part plus
    /// ω0·Gd/(2·Ifs·R), R being all that the coil branch looks into; with diodes for small swings
    /// about no current.
    pub fn damping_into(&self, external: f64, celsius: f64) -> f64 {
        let Some(slope) = self.law.slope() else {
            return self.damping;
        };
        let outside = external + self.multiplier;
        let outside = self
            .diodes
            .map_or(outside, |diodes| diodes.looked_into(outside));
        let outside = match self.shunt {
            Some(shunt) if outside.is_infinite() => shunt,
            Some(shunt) => shunt * outside / (shunt + outside),
            None => outside,
        };
        let total = self.core(celsius) + outside;
        self.damping + slope * self.omega() * self.back_emf / (2.0 * self.coil_full_scale * total)
    }
}
