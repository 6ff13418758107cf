//! What instruments (and faults) do to the bench.

use crate::bench::Bench;
use crate::camera::{Exposed, Look};
use crate::faults::{Kind, Place};
use crate::queue::Event;
use crate::relay::LONGEST_MOVE;
use crate::trip::HELD;
use crate::wiring::CHANNELS;

/// Steps in which a knob is turned.
const TURNS: u32 = 200;

impl Bench {
    /// The supply's settings have changed.
    pub(crate) fn supply_changed(&mut self) {
        if self.supply.on {
            self.begin_counting(true);
        }
        for at in self.supply.go(self.now) {
            self.queue
                .enter(at, Event::SupplyMark(self.supply.generation));
        }
        self.limit_changed();
    }

    /// A limit of the supply has changed, the settings have not.
    pub(crate) fn limit_changed(&mut self) {
        if let Some(at) = self.supply.trip_time(self.now) {
            self.queue.enter(at, Event::Trip(self.supply.generation));
        }
        self.note_current();
        self.note_safety();
    }

    /// The supply's watchdog is armed, or no longer.
    pub(crate) fn watchdog_armed(&mut self, armed: bool) {
        self.supply.watchdog = armed.then_some(self.supply.watchdog_delay);
        if let Some(delay) = self.supply.watchdog {
            self.queue.enter(self.now + delay, Event::Watchdog);
        }
    }

    /// Without a line for so long, the output goes off.
    pub(crate) fn watchdog_looks(&mut self) {
        let Some(delay) = self.supply.watchdog else {
            return;
        };
        let due = self.supply.heard + delay;
        if due > self.now {
            self.queue.enter(due, Event::Watchdog);
        } else if self.supply.on {
            self.supply.switch(false);
            self.supply.tripped = true;
            self.supply_changed();
        }
    }

    /// Coil state of a relay as commanded.
    pub(crate) fn energised(&self, relay: usize) -> bool {
        self.wiring.relays[relay].energised
    }

    /// Energises (or not) relays of these indices; each moves in its own time.
    pub(crate) fn switch(&mut self, relays: &[usize], on: bool) {
        for &relay in relays {
            if on && HELD.contains(&relay) && self.tripped() {
                continue;
            }
            let course = self.wiring.relays[relay].command(on, self.now, &mut self.moves);
            let generation = self.wiring.relays[relay].generation;
            if !course.is_empty() {
                self.relays_ready = self.relays_ready.max(self.now + LONGEST_MOVE);
            }
            for (at, position) in course {
                self.queue
                    .enter(at, Event::Armature(relay, generation, position));
            }
        }
    }

    /// A meter's function, range or input has changed.
    pub(crate) fn meter_changed(&mut self, meter: usize) {
        self.meters[meter].abort();
        self.resolve();
    }

    /// Triggers a meter; gives the time at which its series is complete.
    pub(crate) fn trigger(&mut self, meter: usize) -> u64 {
        let now = self.now;
        let series = self.meters[meter].trigger(now);
        let (pace, window) = (self.meters[meter].pace(), self.meters[meter].window());
        for sample in 0..u64::from(self.meters[meter].samples) {
            let opens = now + sample * pace;
            self.queue.enter(opens, Event::WindowOpens(meter, series));
            self.queue
                .enter(opens + window, Event::WindowCloses(meter, series));
        }
        self.meters[meter].ready
    }

    /// The supply's own voltmeter and ammeter: 0.05 % and 2 mV, 0.1 % and 1 mA, both rounded to the
    /// last digit of the display.
    pub(crate) fn supply_reads(&mut self) -> (f64, f64) {
        let volts = self.volts(self.now);
        let amps = self.drive.supply.at(self.drive.point(volts, self.emf()));
        let lie = self.feel(Place::Supply, Kind::ReadBackLies).unwrap_or(0.0);
        let volts = volts * (1.0 + lie) * 1.000_3 + 2e-3 * self.noise.within(1.0);
        let amps = amps * 1.000_6 + 1e-3 * self.noise.within(1.0);
        ((volts * 1e3).round() / 1e3, (amps * 1e4).round() / 1e4)
    }

    /// The next picture after now: its number and when it is handed over, ns.
    pub(crate) fn next_picture(&self) -> (u64, u64) {
        self.camera.next(self.now)
    }

    /// What picture `number` says now.
    pub(crate) fn look(&mut self, number: u64) -> Look {
        let look = self.camera.read(number, self.now);
        if self.faults.is_empty() {
            look
        } else {
            self.spoil_look(look)
        }
    }

    /// What picture `number` shows, faults included; none when it is no longer kept.
    pub(crate) fn expose(&mut self, number: u64) -> Option<Exposed> {
        let exposed = self.camera.exposed(number, self.now)?;
        Some(if self.faults.is_empty() {
            exposed
        } else {
            self.spoil_picture(exposed)
        })
    }

    /// Voltage at the supply's terminals now, V.
    pub fn output_volts(&self) -> f64 {
        self.volts(self.now)
    }

    /// Channels whose contacts are not in their position of rest, welded ones included.
    pub fn closed_channels(&self) -> Vec<u16> {
        let away = |(relay, channel): (&crate::relay::Relay, &u16)| {
            (relay.welded || !relay.resting()).then_some(*channel)
        };
        self.wiring
            .relays
            .iter()
            .zip(&CHANNELS)
            .filter_map(away)
            .collect()
    }

    /// Fault: the contact of this relay channel can no longer open. False for unknown channels.
    pub fn weld(&mut self, channel: u16) -> bool {
        self.catch_up();
        let Some(relay) = crate::wiring::relay_of(channel) else {
            return false;
        };
        self.wiring.relays[relay].weld();
        self.resolve();
        true
    }

    /// Somebody has swapped the two leads of a meter ([`crate::bench::DROP`] or
    /// [`crate::bench::LOOP`]).
    pub fn swap_leads(&mut self, meter: usize) {
        if let Some(meter) = self.meters.get_mut(meter) {
            meter.drift = (-2.0 - meter.drift.0, -meter.drift.1);
        }
    }

    /// What the supply's output capacitors hold when it is switched on, V.
    pub fn charge_output(&mut self, volts: f64) {
        self.supply.charge = volts;
    }

    /// The bridge is switched on, or its port is opened.
    pub(crate) fn start_bridge(&mut self) {
        self.wiring.pots.start();
        self.resolve();
    }

    /// Largest current through the potentiometers so far, A; 0 where they stand beside the circuit.
    pub fn potentiometer_current(&self) -> f64 {
        self.wiring.pots.peak
    }

    /// Somebody turns the supply's knob to `volts`, evenly, over so many seconds from now.
    pub fn turn_knob(&mut self, volts: f64, seconds: f64) {
        let from = self.supply.set;
        for step in 1..=TURNS {
            let share = f64::from(step) / f64::from(TURNS);
            let at = self.now + (seconds * share * 1e9) as u64;
            let microvolts = ((from + (volts - from) * share).max(0.0) * 1e6).round() as u64;
            self.queue.enter(at, Event::Knob(microvolts));
        }
    }

    /// Somebody presses the supply's output button.
    pub fn press_output(&mut self, on: bool) {
        self.supply.switch(on);
        self.supply_changed();
    }

    /// Fault: the supply's output stage turns fully on and stays so until the end of the run.
    pub fn run_away(&mut self) {
        self.catch_up();
        self.supply.runaway = true;
        self.supply_changed();
    }
}
