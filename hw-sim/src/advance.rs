//! How the bench gets from one instant to the next.

use crate::bench::Bench;
use crate::drive::Point;
use crate::queue::Event;
use crate::spec::COPPER_TEMPCO;
use crate::swing::Pull;

/// Longest step while the supply is or was just moving, s.
const LIVELY_STEP: f64 = 1e-3;
/// Longest leap of a resting needle, s: the coil's temperature is looked at this often.
const LEAP: f64 = 0.1;
/// Change of the coil branch (relative) from which on the circuit is joined anew.
const REJOIN: f64 = 1e-6;

impl Bench {
    /// Brings the bench to bench time `to` (ns); nothing happens when that lies in the past.
    pub fn advance(&mut self, to: u64) {
        loop {
            while let Some(event) = self.queue.take(self.now) {
                self.happen(event);
            }
            if self.now >= to {
                return;
            }
            let until = self.queue.next().unwrap_or(to).min(to);
            self.integrate(until);
        }
    }

    fn happen(&mut self, event: Event) {
        match event {
            Event::Armature(relay, generation, position) => {
                let relay = &mut self.wiring.relays[relay];
                if relay.generation == generation && relay.arrive(position) {
                    self.resolve();
                }
            }
            Event::SupplyMark(generation) => {
                if generation == self.supply.generation {
                    self.note_current();
                    self.note_powers();
                    self.note_safety();
                    if self.meters.iter().any(|meter| meter.test_current() > 0.0) {
                        self.rejoin();
                    }
                }
            }
            Event::Knob(microvolts) => {
                self.supply.set = microvolts as f64 * 1e-6;
                self.supply_changed();
            }
            Event::Trip(generation) => {
                if generation == self.supply.generation && self.supply.protecting {
                    self.supply.on = false;
                    self.supply.tripped = true;
                    self.supply_changed();
                }
            }
            Event::Watchdog => self.watchdog_looks(),
            Event::WindowOpens(meter, series) => {
                let integral = self.integral(meter);
                self.meters[meter].open(series, integral);
            }
            Event::WindowCloses(meter, series) => {
                let integral = self.integral(meter);
                let seconds = self.meters[meter].window() as f64 * 1e-9;
                if self.meters[meter].close(series, integral, seconds) && !self.faults.is_empty() {
                    self.spoil_reading(meter);
                }
            }
            Event::Fault(k) => self.look_at_fault(k),
            Event::Frame(number) => {
                let shown = self.shown();
                self.camera.expose(number, shown, self.swing.v);
                self.queue.enter(
                    (number + 1) * crate::camera::FRAME,
                    Event::Frame(number + 1),
                );
            }
        }
    }

    /// Advances without events to `until` (ns).
    fn integrate(&mut self, until: u64) {
        while self.now < until {
            let left = (until - self.now) as f64 * 1e-9;
            if self.supply.steady(self.now) && self.resting() {
                self.leap(until, left);
            } else {
                self.march(until, left);
            }
            self.warm();
        }
    }

    fn resting(&self) -> bool {
        self.swing
            .stays(&self.plant, self.pull(self.volts(self.now)))
    }

    /// Nothing moves: time passes in one go, in shorter ones while the coil warms up.
    fn leap(&mut self, until: u64, left: f64) {
        let h = left.min(LEAP);
        let volts = self.volts(self.now);
        let point = self.drive.point(volts, 0.0);
        let amps = self.drive.coil.at(point);
        self.totals.terminals += point.flow.terminals * h;
        self.totals.supply += volts * h;
        self.totals.squared += amps * amps * h;
        self.now = if h < left {
            self.now + (h * 1e9) as u64
        } else {
            until
        };
    }

    /// One or more steps of the needle, up to `until`.
    fn march(&mut self, until: u64, left: f64) {
        let mut longest = self.spec.period * 0.01;
        longest = longest.min(0.25 / self.plant.drag);
        let lively = self.supply.lively(self.now);
        if lively {
            longest = longest.min(LIVELY_STEP);
        }
        let steps = (left / longest).ceil().max(1.0);
        let h = left / steps;
        let nanos = ((until - self.now) as f64 / steps).max(1.0);
        if lively {
            self.step((self.now + nanos as u64).min(until));
            self.note_powers();
            return;
        }
        let start = self.now;
        let volts = self.volts(self.now);
        let pull = Pull::constant(self.pull(volts));
        let mut peak = 0.0_f64;
        let mut before = self.drive.point(volts, self.emf());
        for k in 1..=steps as u64 {
            self.bend_drag(volts);
            let d = self.swing.d;
            self.swing.step(&self.plant, pull, h);
            let after = self.drive.point(volts, self.emf());
            self.total((before, after), (volts, d), h);
            peak = peak.max(self.drive.movement.at(after).abs());
            before = after;
            self.now = if k == steps as u64 {
                until
            } else {
                start + (k as f64 * nanos) as u64
            };
        }
        self.trace.carried(peak);
        self.totals.supply += volts * left;
    }

    /// One step while the supply moves.
    fn step(&mut self, to: u64) {
        let h = (to - self.now) as f64 * 1e-9;
        let middle = self.now + (to - self.now) / 2;
        let volts = [self.volts(self.now), self.volts(middle), self.volts(to)];
        let pull = Pull(
            self.pull(volts[0]),
            self.pull(volts[1]),
            self.pull(volts[2]),
        );
        let before = self.drive.point(volts[0], self.emf());
        self.bend_drag(volts[0]);
        let d = self.swing.d;
        self.swing.step(&self.plant, pull, h);
        let after = self.drive.point(volts[2], self.emf());
        let sum = volts[0] + 4.0 * volts[1] + volts[2];
        self.totals.supply += sum * h / 6.0;
        self.total((before, after), (sum / 6.0, d), h);
        self.now = to;
        self.note_current();
    }

    /// Adds a step between two points to the integrals of the currents: the mean supply voltage and
    /// where the needle began.
    fn total(&mut self, (before, after): (Point, Point), (volts, d): (f64, f64), h: f64) {
        let coil = [before, after].map(|point| self.drive.coil.at(point));
        self.totals.squared += 0.5 * (coil[0] * coil[0] + coil[1] * coil[1]) * h;
        if self.drive.bends() {
            // The mean of the back-EMF is exact: it is proportional to the way of the needle.
            let emf = self.emf_per_speed() * (self.swing.d - d) / h;
            self.totals.terminals += self.drive.point(volts, emf).flow.terminals * h;
        }
    }

    /// Behind diodes the coil's damping is another one at every current.
    fn bend_drag(&mut self, volts: f64) {
        if self.drive.bends() {
            self.plant.drag = self.drag(volts);
        }
    }

    /// Coil temperature after the stretch just passed: C dT/dt = i² R − (T − ambient)/Rth.
    fn warm(&mut self) {
        let seconds = (self.now - self.heat.updated) as f64 * 1e-9;
        if seconds <= 0.0 {
            return;
        }
        let spec = &self.spec;
        let power = self.totals.squared / seconds
            * spec.copper
            * (1.0 + COPPER_TEMPCO * (self.heat.celsius - 20.0));
        let end = self.heat.ambient + power * spec.thermal_resistance;
        let fade = (-seconds / spec.thermal_time).exp();
        self.heat.celsius = end + (self.heat.celsius - end) * fade;
        self.heat.peak = self.heat.peak.max(self.heat.celsius);
        self.heat.updated = self.now;
        self.totals.squared = 0.0;
        let change = COPPER_TEMPCO * (self.heat.celsius - self.heat.solved).abs();
        if change > REJOIN {
            self.rejoin();
        }
    }
}
