//! What faults do to the bench.

use super::{Fault, Kind, Place};
use crate::bench::{Bench, DROP, LOOP};
use crate::camera::{Exposed, Look};
use crate::meter::{Function, Meter, OVERLOAD};
use crate::wiring::{Wiring, relay_of};

/// Light of a dazzling lamp, as a multiple of the usual.
const DAZZLING: f64 = 30.0;
/// What is left of a broken element, Ω.
const BROKEN: f64 = 1e11;

impl Bench {
    /// The fault begins. Kinds that are felt by each answer, setting or look do nothing here.
    pub(crate) fn strike(&mut self, fault: &Fault) {
        let size = fault.size.unwrap_or(0.0);
        match fault.kind {
            Kind::FullOutput => self.supply.runaway = true,
            Kind::Trips => self.supply.trip(),
            Kind::WrongRange | Kind::WrongFunction => self.misconfigure(fault, size),
            Kind::Gain => self.meters[meter(fault.place)].drift.0 = size,
            Kind::Offset => self.meters[meter(fault.place)].drift.1 = size,
            Kind::Restarts => self.wiring.pots.restart(),
            Kind::Sticks => self.plant.breakaway = self.plant.breakaway.max(size),
            kind if kind.at_channel() => self.harm_channel(fault, size),
            _ => return,
        }
        self.solve_anew(fault);
    }

    fn solve_anew(&mut self, fault: &Fault) {
        if fault.place == Place::Supply {
            self.supply_changed();
        } else {
            self.resolve();
        }
    }

    /// The fault is over.
    pub(crate) fn lift(&mut self, fault: &Fault) {
        match fault.kind {
            Kind::FullOutput => self.supply.runaway = false,
            Kind::Trips => self.supply.clear(),
            Kind::Gain => self.meters[meter(fault.place)].drift.0 = 0.0,
            Kind::Offset => self.meters[meter(fault.place)].drift.1 = 0.0,
            Kind::Sticks => {
                self.plant.breakaway = self.spec.breakaway.max(self.spec.friction);
            }
            kind if kind.at_channel() => self.heal_channel(fault),
            _ => return,
        }
        self.solve_anew(fault);
    }

    fn misconfigure(&mut self, fault: &Fault, size: f64) {
        let meter = &mut self.meters[meter(fault.place)];
        let (function, range) = match fault.kind {
            Kind::WrongFunction => (Function::Ohms, Meter::ohm_range(size)),
            _ => (Function::Volts, Meter::volt_range(size)),
        };
        // A size beyond the largest range does not pass the check of a plan.
        meter.range = range.unwrap_or(meter.range);
        meter.function = function;
    }

    fn harm_channel(&mut self, fault: &Fault, size: f64) {
        let Some(relay) = fault.channel.and_then(relay_of) else {
            return;
        };
        let armature = &mut self.wiring.relays[relay];
        match fault.kind {
            Kind::Dead => armature.dead = true,
            Kind::Slow => armature.slow = (size * 1e9) as u64,
            Kind::Welded => armature.weld(),
            Kind::Opens => armature.broken = true,
            _ => {}
        }
        if let Some(element) = Wiring::element_of(relay) {
            let ohms = &mut self.wiring.ohms[element];
            match fault.kind {
                Kind::ElementOpen => *ohms = BROKEN,
                Kind::ElementOff => *ohms *= 1.0 + size,
                _ => {}
            }
        }
    }

    fn heal_channel(&mut self, fault: &Fault) {
        let Some(relay) = fault.channel.and_then(relay_of) else {
            return;
        };
        if let Some(element) = Wiring::element_of(relay).filter(|_| fault.kind.of_element()) {
            self.wiring.ohms[element] = self.wiring.sound[element];
        }
        let armature = &mut self.wiring.relays[relay];
        match fault.kind {
            Kind::Slow => armature.slow = 0,
            Kind::Opens => armature.broken = false,
            Kind::Dead | Kind::Welded => {
                armature.welded = false;
                if std::mem::take(&mut armature.dead) {
                    // The coil is as commanded; the armature now follows it.
                    let on = armature.energised;
                    armature.energised = !on;
                    self.switch(&[relay], on);
                }
            }
            _ => {}
        }
    }

    /// A voltage setting arrives at the supply.
    pub(crate) fn set_voltage(&mut self, volts: f64) {
        self.supply.asked = volts;
        if self.feel(Place::Supply, Kind::SetIgnored).is_some() {
            return;
        }
        let most = self.feel(Place::Supply, Kind::SetClamped);
        self.supply.set = volts.min(most.unwrap_or(volts));
        self.supply_changed();
    }

    /// A line for the bridge to the potentiometers, and its answer.
    pub(crate) fn ask_bridge(&mut self, command: &str) -> String {
        let deaf = command.starts_with('W') && self.feel(Place::Bridge, Kind::SetIgnored).is_some();
        let reply = self.wiring.pots.hear(command, !deaf);
        self.resolve();
        if !command.starts_with('R') {
            return reply;
        }
        match self.feel(Place::Bridge, Kind::ReadBackLies) {
            Some(share) => misread(&reply, share),
            None => reply,
        }
    }

    /// What the supply says its voltage setting is.
    pub(crate) fn told_voltage(&mut self) -> f64 {
        match self.feel(Place::Supply, Kind::ReadBackLies) {
            Some(share) => self.supply.asked * (1.0 + share),
            None => self.supply.set,
        }
    }

    /// The last reading of a meter, once it is in its memory.
    pub(crate) fn spoil_reading(&mut self, at: usize) {
        let place = if at == DROP { Place::Drop } else { Place::Loop };
        if self.feel(place, Kind::Overload).is_some()
            && let Some(reading) = self.meters[at].memory.last_mut()
        {
            *reading = OVERLOAD.copysign(*reading);
        }
    }

    /// What the reader makes of picture `number`.
    pub(crate) fn spoil_look(&mut self, look: Look) -> Look {
        if self.feel(Place::Reader, Kind::Blind).is_some() {
            return Look::Unseen("lens covered");
        }
        if self.feel(Place::Reader, Kind::Dazzled).is_some() {
            return Look::Unseen("too much light");
        }
        if self.feel(Place::Reader, Kind::Knocked).is_some() {
            return Look::Unseen("picture moved");
        }
        if let Some(course) = self.felt(Place::Reader, Kind::Frozen) {
            return course.look.get_or_insert(look).clone();
        }
        let other = self.feel(Place::Reader, Kind::OtherDial);
        let lie = self.feel(Place::Reader, Kind::Lies);
        let noise = self.noise.normal();
        match look {
            Look::Seen {
                deflection,
                own,
                shared,
                age,
            } => Look::Seen {
                deflection: other.map_or(deflection, |stands| stands + own * noise)
                    + lie.unwrap_or(0.0),
                own,
                shared,
                age,
            },
            unseen => unseen,
        }
    }
}

/// A bridge's answer with a code that is off by `share`; any other answer as it is.
fn misread(reply: &str, share: f64) -> String {
    let read = reply.trim_end().rsplit_once(' ');
    let code = read.and_then(|(before, code)| Some((before, code.parse::<f64>().ok()?)));
    match code {
        Some((before, code)) => format!("{before} {}\n", (code * (1.0 + share)).round() as u8),
        None => reply.to_owned(),
    }
}

/// The same faults, in the picture itself.
impl Bench {
    /// What a spoilt camera shows in place of this.
    pub(crate) fn spoil_picture(&mut self, mut exposed: Exposed) -> Exposed {
        if self.feel(Place::Reader, Kind::Blind).is_some() {
            exposed.exposure = 0.0;
        }
        if self.feel(Place::Reader, Kind::Dazzled).is_some() {
            exposed.exposure *= DAZZLING;
        }
        exposed.knocked = self.feel(Place::Reader, Kind::Knocked).unwrap_or(0.0);
        if let Some(other) = self.feel(Place::Reader, Kind::OtherDial) {
            (exposed.shown, exposed.way) = (other, 0.0);
        }
        exposed.shown += self.feel(Place::Reader, Kind::Lies).unwrap_or(0.0);
        let age = exposed.age;
        if let Some(course) = self.felt(Place::Reader, Kind::Frozen) {
            // A frozen camera goes on sending: its picture is old, the time of sending is not.
            exposed = *course.exposed.get_or_insert(exposed);
            exposed.age = age;
        }
        exposed
    }
}

/// Index of the meter at this place.
fn meter(place: Place) -> usize {
    if place == Place::Drop { DROP } else { LOOP }
}
