//! The movement joined to the circuit: what every reading and the needle get, as sums of the supply
//! voltage and the coil's back-EMF.
//!
//! Outside, the solved network is a source with an inner resistance (Thevenin); inside, so is the
//! movement. Joining the two is exact, and cheap enough to repeat at every change of the coil's
//! temperature. Diodes inside the movement bend it: what flows then has to be solved for at each
//! operating point, and everything else is a sum of that, too.

use crate::diodes::{Flow, Rectified};
use crate::spec::{Condition, MovementSpec};
use crate::wiring::{Outer, Response};

/// Back-EMF that decides the damping of a needle that hardly moves, V.
const LEAST_EMF: f64 = 1e-6;

/// Where the circuit works.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Supply voltage, V.
    pub volts: f64,
    /// Back-EMF in the coil branch, V.
    pub emf: f64,
    /// What flows in a movement with diodes; zero without.
    pub flow: Flow,
}

/// A quantity that is linear in supply voltage, back-EMF and, with diodes, the movement's currents.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Line {
    /// Per volt of the supply.
    pub volts: f64,
    /// Per volt of back-EMF in the coil branch, counted from terminal plus to minus.
    pub emf: f64,
    /// What the meters' test currents add.
    pub rest: f64,
    /// Per ampere of each current in a movement with diodes.
    pub flow: Flow,
}

impl Line {
    /// Its value.
    pub fn at(self, point: Point) -> f64 {
        let flow = self.flow.terminals * point.flow.terminals + self.flow.core * point.flow.core;
        self.volts * point.volts + self.emf * point.emf + self.rest + flow
    }

    fn scaled(self, factor: f64) -> Self {
        Line {
            volts: self.volts * factor,
            emf: self.emf * factor,
            rest: self.rest * factor,
            flow: Flow {
                terminals: self.flow.terminals * factor,
                core: self.flow.core * factor,
            },
        }
    }

    fn plus(self, other: Self) -> Self {
        Line {
            volts: self.volts + other.volts,
            emf: self.emf + other.emf,
            rest: self.rest + other.rest,
            flow: Flow {
                terminals: self.flow.terminals + other.flow.terminals,
                core: self.flow.core + other.flow.core,
            },
        }
    }
}

/// Everything that follows from the present contacts, coil temperature and test currents.
#[derive(Debug, Clone, Default)]
pub struct Drive {
    /// Current into the movement's plus terminal.
    pub movement: Line,
    /// Current in the coil.
    pub coil: Line,
    /// Voltage across the movement.
    pub drop: Line,
    /// Voltage across the sense element.
    pub sense: Line,
    /// Current out of the supply.
    pub supply: Line,
    /// Voltage across each element in use.
    pub elements: Vec<(usize, Line)>,
    /// What bends it, if anything does.
    bend: Option<Bend>,
}

/// Diodes, and what they see of the rest.
#[derive(Debug, Clone, Copy)]
struct Bend {
    rectified: Rectified,
    /// Voltage at the movement's place with no movement there.
    open: Line,
    /// Resistance up to the diodes, Ω.
    source: f64,
    /// Share of the coil's back-EMF seen at the diodes.
    emf: f64,
}

/// The movement as a two-terminal source.
#[derive(Debug, Clone, Copy)]
struct Inner {
    /// Terminal resistance, Ω.
    ohms: f64,
    /// Share of the coil's back-EMF seen at the open terminals.
    emf: f64,
    /// Share of the terminal current that flows in the coil.
    share: f64,
    /// Coil current per volt of back-EMF with open terminals, A/V.
    own: f64,
}

impl Inner {
    fn new(spec: &MovementSpec, celsius: f64) -> Self {
        let ohms = spec.terminal_resistance(celsius);
        let core = spec.core(celsius);
        if spec.condition == Condition::Absent || core.is_infinite() {
            return Inner {
                ohms,
                emf: 0.0,
                share: 0.0,
                own: 0.0,
            };
        }
        match spec.shunt {
            None => Inner {
                ohms,
                emf: 1.0,
                share: 1.0,
                own: 0.0,
            },
            Some(shunt) => {
                let loop_ohms = core + shunt;
                let share = shunt / loop_ohms;
                Inner {
                    ohms,
                    emf: share,
                    share,
                    own: -loop_ohms.recip(),
                }
            }
        }
    }
}

impl Drive {
    /// Where the circuit works at this supply voltage and back-EMF.
    pub fn point(&self, volts: f64, emf: f64) -> Point {
        let flow = self.bend.as_ref().map_or_else(Flow::default, |bend| {
            let open = bend.open.volts * volts + bend.open.rest;
            bend.rectified.flow(open, bend.source, bend.emf * emf)
        });
        Point { volts, emf, flow }
    }

    /// The most that the supply can give there, A: with diodes as if the movement took all that a short
    /// behind its multiplier takes, and its back-EMF besides.
    pub fn most(&self, volts: f64, emf: f64) -> f64 {
        let flow = self.bend.as_ref().map_or(0.0, |bend| {
            let open = bend.open.volts * volts + bend.open.rest;
            (open.abs() + (bend.emf * emf).abs()) / bend.source
        });
        let flow = flow * self.supply.flow.terminals.abs();
        self.supply.volts * volts + self.supply.emf * emf + self.supply.rest + flow
    }

    /// Whether diodes are in the way.
    pub fn bends(&self) -> bool {
        self.bend.is_some()
    }

    /// Change of the coil current per volt of back-EMF, between none and `emf`, A/V.
    pub fn coil_per_emf(&self, volts: f64, emf: f64) -> f64 {
        if !self.bends() {
            return self.coil.emf;
        }
        let emf = if emf.abs() > LEAST_EMF {
            emf
        } else {
            LEAST_EMF
        };
        let with = self.coil.at(self.point(volts, emf));
        (with - self.coil.at(self.point(volts, 0.0))) / emf
    }

    /// Joins the movement at coil temperature `celsius` to the circuit; `test` holds the meters'
    /// test currents at the movement and at the sense element, A.
    pub fn join(&mut self, outer: &Outer, spec: &MovementSpec, celsius: f64, test: (f64, f64)) {
        let inner = Inner::new(spec, celsius);
        let fold = |response: &Response| Line {
            volts: response[0],
            rest: response[1] * test.0 + response[2] * test.1,
            ..Line::default()
        };
        let source = outer.open[1];
        let siemens = (source + inner.ohms).recip();
        let mut open = fold(&outer.open);
        open.emf = -inner.emf;
        self.movement = open.scaled(siemens);
        self.coil = self.movement.scaled(inner.share);
        self.bend = Rectified::new(spec, celsius).map(|rectified| Bend {
            rectified,
            open: fold(&outer.open),
            source: source + spec.multiplier,
            emf: inner.emf,
        });
        if self.bends() {
            self.movement = Line::default();
            self.movement.flow.terminals = 1.0;
            self.coil = Line::default();
            self.coil.flow.core = inner.share;
        }
        self.coil.emf += inner.own;
        self.drop = if self.bends() {
            fold(&outer.open).plus(self.movement.scaled(-source))
        } else if inner.ohms.is_finite() {
            let mut drop = self.movement.scaled(inner.ohms);
            drop.emf += inner.emf;
            drop
        } else {
            fold(&outer.open)
        };
        let movement = self.movement;
        let joined = |response: &Response| fold(response).plus(movement.scaled(-response[1]));
        self.sense = joined(&outer.sense);
        self.supply = joined(&outer.supply);
        self.elements.clear();
        self.elements.extend(
            outer
                .elements
                .iter()
                .map(|(k, response)| (*k, joined(response))),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::library;

    #[test]
    fn a_shorted_shunted_movement_is_the_closed_form() {
        // 10 V behind 1 kΩ, no meters: every quantity by hand.
        let spec = library::find("bramble").unwrap();
        let outer = Outer {
            open: [1.0, 1e3, 0.0],
            sense: [0.0; 3],
            supply: [1e-3, 1.0, 0.0],
            elements: Vec::new(),
        };
        let mut drive = Drive::default();
        drive.join(&outer, &spec, 20.0, (0.0, 0.0));
        let (core, shunt) = (spec.copper + spec.swamp, spec.shunt.unwrap());
        let parallel = core * shunt / (core + shunt);
        let amps = 10.0 / (1e3 + parallel);
        assert!((drive.movement.at(drive.point(10.0, 0.0)) / amps - 1.0).abs() < 1e-12);
        assert!((drive.drop.at(drive.point(10.0, 0.0)) / (amps * parallel) - 1.0).abs() < 1e-12);
        // Back-EMF alone drives the coil branch, the shunt parallel to the 1 kΩ outside.
        let outside = shunt * 1e3 / (shunt + 1e3);
        let coil = -0.01 / (core + outside);
        assert!((drive.coil.at(drive.point(0.0, 0.01)) / coil - 1.0).abs() < 1e-12);
        assert!((drive.drop.at(drive.point(0.0, 0.01)) / (-coil * outside) - 1.0).abs() < 1e-12);
    }
}
