//! The bench: one movement in its circuit with every instrument connected, and the passage of time.
//!
//! Time is counted in nanoseconds since the first access. Nothing happens between accesses; an
//! access first brings the bench up to its own instant, through every event on the way.

use crate::camera::Camera;
use crate::diodes::Rectified;
use crate::draw::Draw;
use crate::drive::{Drive, Point};
use crate::faults::{Course, Faults, Place};
use crate::hand::HandMeter;
use crate::meter::{COMPLIANCE, Meter};
use crate::pots::Pots;
use crate::queue::{Event, Queue};
use crate::spec::{Condition, Law, MovementSpec};
use crate::supply::Supply;
use crate::swing::{Hold, Plant, Swing};
use crate::trace::Trace;
use crate::trip::Trip;
use crate::wiring::{ELEMENTS, Outer, Wiring};
use std::sync::{Arc, Mutex};
use tokio::time::{Duration, Instant};

/// A bench shared by its instruments.
pub type SharedBench = Arc<Mutex<Bench>>;

/// Index of the meter across the movement.
pub const DROP: usize = 0;
/// Index of the meter across the sense element.
pub const LOOP: usize = 1;

/// The simulated bench.
#[derive(Debug, Clone)]
pub struct Bench {
    pub(crate) spec: MovementSpec,
    pub(crate) supply: Supply,
    pub(crate) meters: [Meter; 2],
    /// A meter in somebody's hand, in their place.
    pub(crate) hand: Option<HandMeter>,
    pub(crate) camera: Camera,
    pub(crate) wiring: Wiring,
    pub(crate) swing: Swing,
    pub(crate) plant: Plant,
    pub(crate) drive: Drive,
    pub(crate) queue: Queue,
    pub(crate) totals: Totals,
    pub(crate) heat: Heat,
    pub(crate) now: u64,
    outer: Outer,
    pub(crate) moves: Draw,
    pub(crate) noise: Draw,
    epoch: Option<Instant>,
    /// When the last commanded relay has certainly settled, ns.
    pub(crate) relays_ready: u64,
    zero_position: f64,
    pub(crate) trace: Trace,
    pub(crate) faults: Vec<Course>,
    pub(crate) trip: Option<Trip>,
    /// Setting of the switch unit's analog output, V.
    pub(crate) output: f64,
    pub(crate) peak_power: [f64; ELEMENTS],
    /// Resistances of the elements in the present solution.
    pub(crate) solved: Vec<f64>,
    /// Lines of text received by all instruments together.
    pub(crate) lines: u64,
}

/// Running time integrals; the voltages' are brought up only when their coefficients change.
#[derive(Debug, Clone, Default)]
pub(crate) struct Totals {
    /// ∫ supply volts dt.
    pub(crate) supply: f64,
    /// ∫ (coil current)² dt since the last look at the coil's temperature.
    pub(crate) squared: f64,
    /// ∫ terminal current dt of a movement with diodes.
    pub(crate) terminals: f64,
    since: (f64, f64, f64, u64),
    meters: [f64; 2],
}

/// The coil's temperature.
#[derive(Debug, Clone)]
pub(crate) struct Heat {
    pub(crate) ambient: f64,
    pub(crate) celsius: f64,
    pub(crate) solved: f64,
    pub(crate) peak: f64,
    pub(crate) updated: u64,
}

impl Bench {
    /// The standard bench with this movement in its berth. Everything that varies from bench to
    /// bench and from run to run is drawn from `seed`.
    pub fn standard(spec: &MovementSpec, seed: u64) -> Self {
        let mut draw = Draw::new(seed, 0);
        let mut wiring = Wiring::standard(&mut draw);
        let supply = Supply::new(&mut draw);
        let meters = [
            Meter::new(&mut draw, 3e-6, Draw::new(seed, 1)),
            Meter::new(&mut draw, 0.0, Draw::new(seed, 2)),
        ];
        let camera = Camera::new(&mut draw);
        let ambient = 23.0 + draw.within(2.0);
        let plant = plant(spec);
        // Where in its friction band the needle was left is anybody's guess.
        let left = spec.law.deflection(0.0) + spec.zero + draw.within(spec.friction);
        let mut swing = Swing::at_rest(left, &plant);
        if spec.condition == Condition::Stuck {
            swing.hold = Hold::Stuck;
        }
        let outer = wiring.solve();
        let solved = wiring.ohms.clone();
        let mut bench = Bench {
            spec: spec.clone(),
            supply,
            meters,
            hand: None,
            camera,
            wiring,
            zero_position: swing.d,
            swing,
            plant,
            drive: Drive::default(),
            queue: Queue::default(),
            totals: Totals::default(),
            heat: Heat {
                ambient,
                celsius: ambient,
                solved: ambient,
                peak: ambient,
                updated: 0,
            },
            now: 0,
            outer,
            moves: Draw::new(seed, 3),
            noise: Draw::new(seed, 4),
            epoch: None,
            relays_ready: 0,
            trace: Trace::default(),
            faults: Vec::new(),
            trip: None,
            output: 0.0,
            peak_power: [0.0; ELEMENTS],
            solved,
            lines: 0,
        };
        bench.rejoin();
        bench.queue.enter(0, Event::Frame(0));
        bench
    }

    /// The standard bench, on which the faults of this plan will strike.
    pub fn faulty(spec: &MovementSpec, seed: u64, faults: &Faults) -> Self {
        let mut bench = Bench::standard(spec, seed);
        bench.plan(&faults.fault);
        bench
    }

    /// With the bridge's digital potentiometers as series bank, in place of relays and resistors.
    pub fn on_digipots(mut self, seed: u64) -> Self {
        self.wiring.pots = Pots::in_circuit(&mut Draw::new(seed, 5));
        self.resolve();
        self
    }

    /// Whether faults of this plan happen on the wire of this instrument.
    pub(crate) fn spoils_wire(&self, place: Place) -> bool {
        let here = |course: &Course| course.fault.place == place && course.fault.kind.on_wire();
        self.faults.iter().any(here)
    }

    /// Brings the bench up to this instant of tokio's clock and gives its time, ns.
    pub fn catch_up(&mut self) -> u64 {
        let instant = Instant::now();
        let epoch = *self.epoch.get_or_insert(instant);
        let elapsed = instant.saturating_duration_since(epoch).as_nanos();
        self.advance(u64::try_from(elapsed).unwrap_or(u64::MAX));
        self.now
    }

    /// The instant of tokio's clock at which the bench's time will be `at` (ns).
    pub fn instant(&self, at: u64) -> Instant {
        self.epoch.unwrap_or_else(Instant::now) + Duration::from_nanos(at)
    }

    /// What the needle shows now.
    pub fn shown(&self) -> f64 {
        self.spec.indicated(self.swing.d)
    }

    /// Back-EMF in the coil branch, counted from terminal plus to minus, V.
    pub(crate) fn emf(&self) -> f64 {
        self.emf_per_speed() * self.swing.v
    }

    /// Back-EMF per full scale per second, with the sign that the leads give it.
    pub(crate) fn emf_per_speed(&self) -> f64 {
        match (self.spec.law, self.spec.condition) {
            (Law::Square, _) | (_, Condition::OpenCoil | Condition::Absent) => 0.0,
            (_, Condition::Reversed) => -self.spec.back_emf,
            _ => self.spec.back_emf,
        }
    }

    /// Where the circuit works now.
    pub(crate) fn point(&self) -> Point {
        self.drive.point(self.volts(self.now), self.emf())
    }

    /// Supply voltage at `at` (ns), current limit included, V.
    pub(crate) fn volts(&self, at: u64) -> f64 {
        let volts = self.supply.volts(at);
        let line = self.drive.supply;
        let emf = self.emf();
        let drawn = |volts| line.at(self.drive.point(volts, emf));
        let within = |amps| amps <= self.supply.limit;
        if within(self.drive.most(volts, emf)) || within(drawn(volts)) || line.volts <= 0.0 {
            return volts;
        }
        // Constant current: the voltage sinks to where the limit flows.
        if self.drive.bends() {
            let (mut low, mut high) = (0.0, volts);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                match drawn(middle) > self.supply.limit {
                    true => high = middle,
                    false => low = middle,
                }
            }
            return low;
        }
        ((self.supply.limit - drawn(0.0)) / line.volts).clamp(0.0, volts)
    }

    /// Static deflection that the supply voltage `volts` asks for.
    pub(crate) fn pull(&self, volts: f64) -> f64 {
        let sign = if self.spec.condition == Condition::Reversed {
            -1.0
        } else {
            1.0
        };
        let ratio =
            sign * self.drive.coil.at(self.drive.point(volts, 0.0)) / self.spec.coil_full_scale;
        self.spec.law.deflection(ratio) + self.spec.zero
    }

    /// A contact has changed: solves the circuit anew.
    pub(crate) fn resolve(&mut self) {
        self.settle_totals();
        self.note_powers();
        self.wiring.drop_input = self.input(DROP);
        self.wiring.loop_input = self.input(LOOP);
        self.outer = self.wiring.solve();
        self.solved.clone_from(&self.wiring.ohms);
        self.rejoin();
    }

    /// Joins movement and circuit anew: contacts, coil temperature or test currents have changed.
    pub(crate) fn rejoin(&mut self) {
        self.settle_totals();
        self.heat.solved = self.heat.celsius;
        let test = self.test_currents();
        self.drive
            .join(&self.outer, &self.spec, self.heat.celsius, test);
        self.plant.drag = self.drag(self.volts(self.now));
        self.note_current();
        self.note_powers();
        self.note_safety();
    }

    /// Mechanical and electromagnetic drag at this supply voltage, 1/s.
    pub(crate) fn drag(&self, volts: f64) -> f64 {
        let magnetic = match self.spec.law.slope() {
            Some(slope) => {
                let coil = self.drive.coil_per_emf(volts, self.emf());
                -self.plant.stiffness * slope * coil * self.emf_per_speed().abs()
                    / self.spec.coil_full_scale
            }
            None => 0.0,
        };
        2.0 * self.spec.damping * self.spec.omega() + magnetic
    }

    /// The meters' test currents, each held back where it would need more than its compliance.
    fn test_currents(&self) -> (f64, f64) {
        let volts = self.supply.volts(self.now);
        let inner = self.spec.terminal_resistance(self.heat.celsius);
        let source = self.outer.open[1];
        let at_movement = if inner.is_finite() {
            source * inner / (source + inner)
        } else {
            source
        };
        let share = at_movement / source;
        let held = |wanted: f64, standing: f64, ohms: f64| {
            wanted.min(((COMPLIANCE - standing) / ohms).max(0.0))
        };
        let wanted = self.meters[DROP].test_current();
        let drop = match Rectified::new(&self.spec, self.heat.celsius) {
            None => held(wanted, self.outer.open[0] * volts * share, at_movement),
            // What movement and bench take at that voltage.
            Some(diodes) => {
                let flow = diodes.flow(COMPLIANCE, self.spec.multiplier, 0.0);
                let beside = (COMPLIANCE - self.outer.open[0] * volts) / source;
                wanted.min((flow.terminals + beside).max(0.0))
            }
        };
        let sense = held(
            self.meters[LOOP].test_current(),
            self.outer.sense[0] * volts,
            self.outer.sense[2],
        );
        (drop, sense)
    }

    /// Brings the integrals of both meters' voltages up to now.
    pub(crate) fn settle_totals(&mut self) {
        let (supply, terminals, d, at) = self.totals.since;
        let volts = self.totals.supply - supply;
        let amps = self.totals.terminals - terminals;
        // The integral of the back-EMF is exact: it is proportional to the way of the needle.
        let emf = self.emf_per_speed() * (self.swing.d - d);
        let seconds = (self.now - at) as f64 * 1e-9;
        for (total, line) in self
            .totals
            .meters
            .iter_mut()
            .zip([self.drive.drop, self.drive.sense])
        {
            *total += line.volts * volts
                + line.emf * emf
                + line.rest * seconds
                + line.flow.terminals * amps;
        }
        self.totals.since = (
            self.totals.supply,
            self.totals.terminals,
            self.swing.d,
            self.now,
        );
    }

    /// Time integral of the true voltage at a meter, V s.
    pub(crate) fn integral(&mut self, meter: usize) -> f64 {
        self.settle_totals();
        self.totals.meters[meter]
    }

    /// Remembers the power in every element that is in use, and the potentiometers' current.
    pub(crate) fn note_powers(&mut self) {
        let point = self.point();
        if self.wiring.pots.in_circuit {
            let amps = self.drive.supply.at(point) * self.wiring.through_bank();
            self.wiring.pots.peak = self.wiring.pots.peak.max(amps.abs());
        }
        for (element, line) in &self.drive.elements {
            let across = line.at(point);
            // The element's own as of that solution: a fault may have changed it since.
            let watts = across * across / self.solved[*element];
            let peak = &mut self.peak_power[*element];
            *peak = peak.max(watts);
        }
    }

    /// Indicated deflection before anything was switched on.
    pub fn rest_shown(&self) -> f64 {
        self.spec.indicated(self.zero_position)
    }
}

/// The needle's constants without the electromagnetic part, which the circuit decides.
fn plant(spec: &MovementSpec) -> Plant {
    Plant {
        stiffness: spec.omega() * spec.omega(),
        drag: 2.0 * spec.damping * spec.omega(),
        friction: spec.friction,
        breakaway: spec.breakaway.max(spec.friction),
        stops: (spec.lower_stop, spec.upper_stop),
        restitution: spec.restitution,
    }
}
