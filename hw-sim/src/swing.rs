//! The needle: a damped spring pendulum with friction and stops.
//!
//! d'' = ω0² (x − d) − Γ d' − friction, where x is the static deflection that the present current
//! (without the needle's own back-EMF) and the zero offset ask for, and Γ holds mechanical and
//! electromagnetic damping together. Integrated by the classical fourth-order Runge-Kutta formula;
//! turning points and stops are located inside the step.

/// Constants of the motion between two changes of the circuit.
#[derive(Debug, Clone, Copy)]
pub struct Plant {
    /// ω0², 1/s².
    pub stiffness: f64,
    /// Γ = 2 ζ ω0, 1/s.
    pub drag: f64,
    /// Coulomb friction half-width, fraction of scale.
    pub friction: f64,
    /// Breakaway half-width, fraction of scale.
    pub breakaway: f64,
    /// Stops, fraction of scale.
    pub stops: (f64, f64),
    /// Rebound speed over impact speed.
    pub restitution: f64,
}

/// The static deflection over one step: at its start, middle and end.
#[derive(Debug, Clone, Copy)]
pub struct Pull(pub f64, pub f64, pub f64);

impl Pull {
    /// Constant pull.
    pub fn constant(x: f64) -> Self {
        Pull(x, x, x)
    }

    /// Parabola through the three values at `s` in 0..1.
    fn at(self, s: f64) -> f64 {
        let Pull(a, b, c) = self;
        a + s * ((4.0 * b - 3.0 * a - c) + s * 2.0 * (a + c - 2.0 * b))
    }
}

/// What holds the needle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hold {
    /// Nothing: it moves.
    Free,
    /// Friction.
    Friction,
    /// The upper (true) or lower stop.
    Stop(bool),
    /// It is stuck for good.
    Stuck,
}

/// One contact with a stop after having been clear of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hit {
    /// Upper stop.
    pub upper: bool,
    /// The static pull was beyond the stop.
    pub driven: bool,
    /// Impact speed, full scales per second.
    pub speed: f64,
    /// Largest deflection reached before.
    pub highest: f64,
}

/// The needle's state.
#[derive(Debug, Clone)]
pub struct Swing {
    /// Mechanical deflection, fraction of scale.
    pub d: f64,
    /// Its rate, full scales per second.
    pub v: f64,
    /// What holds it.
    pub hold: Hold,
    /// Largest deflection reached.
    pub highest: f64,
    /// Smallest deflection reached.
    pub lowest: f64,
    /// Contacts with the stops, oldest first; those that begin less than 0.5 % of scale away from
    /// the last contact are one contact (the needle rattles).
    pub hits: Vec<Hit>,
    clear: bool,
}

/// Below this much pull (fraction of scale) a needle without friction counts as at rest.
const AT_REST: f64 = 1e-9;

impl Swing {
    /// At rest at `d`; on a stop when `d` lies beyond it.
    pub fn at_rest(d: f64, plant: &Plant) -> Self {
        let (low, high) = plant.stops;
        let hold = if d >= high {
            Hold::Stop(true)
        } else if d <= low {
            Hold::Stop(false)
        } else {
            Hold::Friction
        };
        let d = d.clamp(low, high);
        let clear = hold == Hold::Friction;
        Swing {
            d,
            v: 0.0,
            hold,
            highest: d,
            lowest: d,
            hits: Vec::new(),
            clear,
        }
    }

    /// Would stay where it is under this constant pull.
    pub fn stays(&self, plant: &Plant, pull: f64) -> bool {
        let excess = pull - self.d;
        match self.hold {
            Hold::Free => false,
            Hold::Friction => excess.abs() <= plant.breakaway.max(AT_REST),
            Hold::Stop(true) => excess >= -plant.breakaway,
            Hold::Stop(false) => excess <= plant.breakaway,
            Hold::Stuck => true,
        }
    }

    /// Advances by `h` seconds.
    pub fn step(&mut self, plant: &Plant, pull: Pull, h: f64) {
        let mut done = 0.0;
        // A step holds few events; what is left after this many is a fraction of a microsecond.
        for _ in 0..16 {
            if self.stays(plant, pull.at(done)) {
                match self.release(plant, pull, done) {
                    Some(at) => done = at,
                    None => return,
                }
            }
            if self.hold != Hold::Free {
                self.hold = Hold::Free;
                self.v = 0.0;
            }
            done = self.glide(plant, pull, h, done);
            self.highest = self.highest.max(self.d);
            self.lowest = self.lowest.min(self.d);
            if done >= 1.0 {
                return;
            }
        }
    }

    /// Where in the rest of the step a held needle comes loose, by bisection; `None` if it holds.
    fn release(&self, plant: &Plant, pull: Pull, from: f64) -> Option<f64> {
        let middle = 0.5 * (from + 1.0);
        let loose = [middle, 1.0]
            .into_iter()
            .find(|s| !self.stays(plant, pull.at(*s)))?;
        let (mut held, mut loose) = (from, loose);
        while loose - held > 1e-4 {
            let s = 0.5 * (held + loose);
            if self.stays(plant, pull.at(s)) {
                held = s;
            } else {
                loose = s;
            }
        }
        Some(loose)
    }

    /// Moves from `from` (fraction of the step) to the step's end or the first event; gives the
    /// fraction reached.
    fn glide(&mut self, plant: &Plant, pull: Pull, h: f64, from: f64) -> f64 {
        let ahead = if self.v != 0.0 {
            self.v
        } else {
            pull.at(from) - self.d
        };
        let way = ahead.signum();
        let start = (self.d, self.v);
        let reach = |to: f64| runge_kutta(plant, pull, h, start, way, (from, to));
        let mut end = 1.0;
        let mut state = reach(end);
        let turned = state.1 * way < 0.0;
        if turned {
            end = locate(from, 1.0, |s| reach(s).1 * way);
            state = (reach(end).0, 0.0);
        }
        let (low, high) = plant.stops;
        if state.0 > high || state.0 < low {
            let stop = if state.0 > high { high } else { low };
            end = locate(from, end, |s| (stop - reach(s).0) * way);
            let speed = reach(end).1;
            self.strike(plant, state.0 > high, pull.at(end), speed);
            return end;
        }
        (self.d, self.v) = state;
        if turned {
            self.turn(plant, pull.at(end));
        } else if self.v.abs() < AT_REST * plant.stiffness.sqrt()
            && (pull.at(end) - self.d).abs() < AT_REST
        {
            // An overdamped needle creeps for ever; past this it is at rest.
            self.v = 0.0;
            self.hold = Hold::Friction;
        }
        self.clear |= self.d < high - 0.005 && self.d > low + 0.005;
        end
    }

    /// At a turning point: friction keeps the needle, or it swings back.
    fn turn(&mut self, plant: &Plant, pull: f64) {
        if (pull - self.d).abs() <= plant.breakaway.max(AT_REST) {
            self.hold = Hold::Friction;
        }
    }

    fn strike(&mut self, plant: &Plant, upper: bool, pull: f64, speed: f64) {
        let stop = if upper { plant.stops.1 } else { plant.stops.0 };
        let driven = if upper { pull > stop } else { pull < stop };
        if self.clear {
            self.hits.push(Hit {
                upper,
                driven,
                speed: speed.abs(),
                highest: self.highest,
            });
            self.clear = false;
        }
        self.d = stop;
        self.v = -plant.restitution * speed;
        if self.v.abs() < 1e-3 * plant.stiffness.sqrt() && driven {
            self.v = 0.0;
            self.hold = Hold::Stop(upper);
        }
    }
}

/// One classical Runge-Kutta step from fraction `from` to fraction `to` of a step of `h` seconds,
/// friction acting against `way`.
fn runge_kutta(
    plant: &Plant,
    pull: Pull,
    h: f64,
    (d, v): (f64, f64),
    way: f64,
    (from, to): (f64, f64),
) -> (f64, f64) {
    let k = (to - from) * h;
    let friction = way * plant.friction;
    let rate = |x: f64, d: f64, v: f64| plant.stiffness * (x - friction - d) - plant.drag * v;
    let (x0, x1, x2) = (pull.at(from), pull.at(0.5 * (from + to)), pull.at(to));
    let a1 = rate(x0, d, v);
    let (v2, d2) = (v + 0.5 * k * a1, d + 0.5 * k * v);
    let a2 = rate(x1, d2, v2);
    let (v3, d3) = (v + 0.5 * k * a2, d + 0.5 * k * v2);
    let a3 = rate(x1, d3, v3);
    let (v4, d4) = (v + k * a3, d + k * v3);
    let a4 = rate(x2, d4, v4);
    (
        d + k / 6.0 * (v + 2.0 * v2 + 2.0 * v3 + v4),
        v + k / 6.0 * (a1 + 2.0 * a2 + 2.0 * a3 + a4),
    )
}

/// Where a function that is positive at `low` and negative at `high` crosses zero (regula falsi
/// with halving of the idle end); the side just before the crossing.
fn locate(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let mut f_high = f(high);
    let mut f_low = f(low).max(f64::MIN_POSITIVE);
    let mut last = 0;
    for _ in 0..40 {
        if high - low < 1e-9 {
            break;
        }
        let middle = (low * f_high - high * f_low) / (f_high - f_low);
        let middle = middle.clamp(low, high);
        let value = f(middle);
        if value == 0.0 {
            return middle;
        }
        if value > 0.0 {
            (low, f_low) = (middle, value);
            if last == 1 {
                f_high *= 0.5;
            }
            last = 1;
        } else {
            (high, f_high) = (middle, value);
            if last == -1 {
                f_low *= 0.5;
            }
            last = -1;
        }
    }
    high
}

#[cfg(test)]
#[path = "swing_tests.rs"]
mod tests;
