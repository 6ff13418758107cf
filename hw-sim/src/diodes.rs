//! Diodes inside the case, behind the multiplier: across the coil, or between it and the terminals.
//!
//! Each is Shockley's law, I = Is (exp(V / (n Vt)) − 1) (W. Shockley, 1949; any textbook on
//! semiconductors). Their bulk resistance, capacitance and temperature are left out.
//!
//! With diodes the movement is no longer linear, but it still meets the rest of the bench in one
//! current: the one at the terminals. It is solved for here; everything else stays a sum.

use crate::spec::{Condition, MovementSpec};
use serde::{Deserialize, Serialize};

/// Thermal voltage at 300 K, V.
const THERMAL: f64 = 25.85e-3;
/// Stands for an open coil, Ω.
const OPEN: f64 = 1e12;
/// Steps after which a solution is as good as it gets; twenty are usual.
const STEPS: u32 = 200;

/// What the junctions are made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Junction {
    /// Small silicon signal diode: conducts visibly from 0.5 V.
    Silicon,
    /// Germanium point contact: from 0.1 to 0.2 V.
    Germanium,
    /// Small Schottky diode: from 0.1 to 0.2 V.
    Schottky,
}

impl Junction {
    /// Saturation current (A) and the voltage n Vt (V). Silicon: the usual figures of a 1N4148-like
    /// model (from memory; they give its published 0.020 and 0.206 µA at 100 and 200 mV). Schottky:
    /// set to 7.8 µA at 100 mV with a common ideality. Germanium: common practice.
    fn law(self) -> (f64, f64) {
        match self {
            Junction::Silicon => (2.52e-9, 1.752 * THERMAL),
            Junction::Germanium => (1e-6, 1.5 * THERMAL),
            Junction::Schottky => (0.194e-6, 1.04 * THERMAL),
        }
    }
}

/// Where the diodes sit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Seat {
    /// Two across the coil, one each way: they take what would overload it.
    Protection,
    /// Four between terminals and coil: the coil carries the absolute value.
    Bridge,
    /// One in series with the coil.
    HalfWave,
}

/// The diodes of one movement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Diodes {
    /// Where they sit.
    pub seat: Seat,
    /// What they are made of.
    pub junction: Junction,
}

impl Diodes {
    /// What the coil looks into for small signals without current, Ω, `outside` being the
    /// resistance on the diodes' other side: each junction is a resistor of n Vt / Is.
    pub fn looked_into(self, outside: f64) -> f64 {
        let (saturation, volts) = self.junction.law();
        let junction = volts / saturation;
        match self.seat {
            Seat::Protection => (outside.recip() + 2.0 / junction).recip(),
            Seat::HalfWave => outside + junction,
            // Two in series, twice; what is outside joins two middles of equal voltage.
            Seat::Bridge => junction,
        }
    }

    /// Terminal current that leaves `amps` for a coil (with its shunt) of `ohms`, A.
    pub fn terminal_current(self, amps: f64, ohms: f64) -> f64 {
        let (saturation, volts) = self.junction.law();
        match self.seat {
            Seat::Protection => amps + 2.0 * saturation * (amps * ohms / volts).sinh(),
            Seat::HalfWave => amps,
            Seat::Bridge => {
                // Forward pair plus and minus backward pair: the sum is the coil's current, their
                // product follows from the coil's voltage.
                let sum = amps + 2.0 * saturation;
                let product = (2.0 * saturation).powi(2) * (-amps * ohms / volts).exp();
                (sum * sum - product).max(0.0).sqrt()
            }
        }
    }
}

/// Currents at one operating point, A.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Flow {
    /// Into the movement's plus terminal.
    pub terminals: f64,
    /// Through the coil and its shunt together, counted as the leads of a movement without diodes.
    pub core: f64,
}

/// A coil with its shunt, and diodes before it.
#[derive(Debug, Clone, Copy)]
pub struct Rectified {
    seat: Seat,
    /// Saturation current, A.
    saturation: f64,
    /// n Vt, V.
    volts: f64,
    /// Coil with its shunt, Ω.
    ohms: f64,
    /// -1 with the leads swapped.
    turned: f64,
}

impl Rectified {
    /// `None` for a movement without diodes.
    pub fn new(spec: &MovementSpec, celsius: f64) -> Option<Self> {
        let connected = spec.condition != Condition::Absent;
        let diodes = spec.diodes.filter(|_| connected)?;
        let (saturation, volts) = diodes.junction.law();
        let turned = match spec.condition {
            Condition::Reversed => -1.0,
            _ => 1.0,
        };
        Some(Rectified {
            seat: diodes.seat,
            saturation,
            volts,
            ohms: spec.behind_multiplier(celsius).min(OPEN),
            turned,
        })
    }

    /// What flows from `open` volts behind `source` ohms (>= 0), with `emf` volts in the coil: the
    /// voltage behind the source is found between the largest and the smallest that drives anything,
    /// by Newton's steps, each half as long as the last, or else halfway.
    pub fn flow(&self, open: f64, source: f64, emf: f64) -> Flow {
        let (open, emf) = (open * self.turned, emf * self.turned);
        let (mut low, mut high) = (open.min(emf).min(0.0), open.max(emf).max(0.0));
        let mut across = open;
        let mut last = f64::INFINITY;
        for _ in 0..STEPS {
            let (flow, slope) = self.inside(across, emf);
            let excess = flow.terminals * source + across - open;
            match excess > 0.0 {
                true => high = across,
                false => low = across,
            }
            let rise = slope * source + 1.0;
            let newton = across - excess / rise;
            let shorter = rise.is_finite() && (newton - across).abs() < 0.5 * last;
            let next = match newton >= low && newton <= high && shorter {
                true => newton,
                false => 0.5 * (low + high),
            };
            last = (next - across).abs();
            across = next;
            if last <= f64::EPSILON * across.abs() {
                break;
            }
        }
        let (flow, _) = self.inside(across, emf);
        Flow {
            terminals: flow.terminals * self.turned,
            core: flow.core * self.turned,
        }
    }

    /// What flows with `across` volts behind the multiplier, and the terminal current's slope, A/V.
    fn inside(&self, across: f64, emf: f64) -> (Flow, f64) {
        let (saturation, volts, ohms) = (self.saturation, self.volts, self.ohms);
        let scale = (ohms * saturation / volts).ln();
        match self.seat {
            Seat::Protection => {
                let core = (across - emf) / ohms;
                let (x, leak) = (across / volts, 2.0 * saturation);
                let terminals = core + leak * x.sinh();
                (
                    Flow { terminals, core },
                    ohms.recip() + leak / volts * x.cosh(),
                )
            }
            Seat::HalfWave => {
                let y = omega(scale + (across - emf + ohms * saturation) / volts);
                let core = volts * y / ohms - saturation;
                let terminals = core;
                (Flow { terminals, core }, y / (1.0 + y) / ohms)
            }
            Seat::Bridge => {
                // Forward pair: (across − coil)/2 on each of its junctions; backward pair:
                // (−across − coil)/2. Their sum flows in the coil, their difference at the terminals.
                let x = across / (2.0 * volts);
                let ln_cosh = x.abs() + (-2.0 * x.abs()).exp().ln_1p() - std::f64::consts::LN_2;
                let y = omega(scale + ln_cosh + (2.0 * saturation * ohms - emf) / (2.0 * volts));
                let both = 2.0 * volts * y / ohms;
                let share = x.tanh();
                let flow = Flow {
                    terminals: both * share,
                    core: both - 2.0 * saturation,
                };
                let slope = share * share * y / (1.0 + y) / ohms
                    + both * (1.0 - share * share) / (2.0 * volts);
                (flow, slope)
            }
        }
    }
}

/// The y > 0 with y + ln y = z (Wright's omega function), by Newton's steps from a start that lies
/// below it, so that they rise towards it.
fn omega(z: f64) -> f64 {
    let mut y = match z > 1.0 {
        true => z - z.ln(),
        false => {
            let small = z.exp();
            small / (1.0 + small)
        }
    };
    // Less than the smallest number: a junction that blocks.
    if y == 0.0 {
        return y;
    }
    for _ in 0..8 {
        let next = y * (1.0 + z - y.ln()) / (1.0 + y);
        let change = (next - y).abs();
        y = next;
        if change <= 1e-12 * y {
            break;
        }
    }
    y
}
