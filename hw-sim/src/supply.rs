//! The supply's output: how the voltage gets from one value to the next, and its protections.

use crate::draw::Draw;
use std::f64::consts::PI;

/// Largest voltage setting, V.
pub const MAX_VOLTS: f64 = 8.0;
/// Largest current setting, A.
pub const MAX_AMPS: f64 = 12.0;
/// Largest over-voltage protection setting, V.
pub const MAX_PROTECT: f64 = 9.0;
/// Resolution of the voltage setting, V.
pub const RESOLUTION: f64 = 1e-4;

/// Time from a new setting to the top of the overshoot, ns.
const TO_PEAK: u64 = 2_000_000;
/// Time constant downwards, s, with the output on and after switching it off.
const FALL: f64 = 0.8e-3;
const OFF_FALL: f64 = 2.5e-3;
/// Below this a switched-off output counts as off, V.
const OFF: f64 = 3e-3;

/// One passage of the output voltage.
#[derive(Debug, Clone, Copy)]
struct Passage {
    from: f64,
    to: f64,
    start: u64,
    /// Decay rate, 1/s.
    decay: f64,
    /// Angular frequency of the ripple on it, rad/s; 0 for a plain exponential.
    ring: f64,
    /// From here on the output is `to`.
    end: u64,
}

/// The supply.
#[derive(Debug, Clone)]
pub struct Supply {
    /// Voltage setting, V.
    pub set: f64,
    /// Voltage asked for last, whether taken or not, V.
    pub asked: f64,
    /// Current limit, A.
    pub limit: f64,
    /// Over-voltage protection level, V.
    pub protect: f64,
    /// The protection is active.
    pub protecting: bool,
    /// The protection has switched the output off.
    pub tripped: bool,
    /// Output switched on.
    pub on: bool,
    /// Counts passages, to recognise outdated events.
    pub generation: u32,
    /// The output is switched off once no line has come for so long, ns; none when not armed.
    pub watchdog: Option<u64>,
    /// Delay of the watchdog, ns.
    pub watchdog_delay: u64,
    /// When the last line came, ns.
    pub heard: u64,
    /// A fault: the output stage is fully on, whatever is set and whatever the protection does.
    pub runaway: bool,
    /// Clearing the trip switches the output on again.
    resume: bool,
    /// Voltage at the terminals when the output is switched on: what its capacitors hold.
    pub charge: f64,
    /// The output was on at the last look.
    lit: bool,
    gain: f64,
    offset: f64,
    overshoot: f64,
    passage: Passage,
}

impl Supply {
    /// As found at power-up: output off, 0 V, protection at its highest.
    pub fn new(draw: &mut Draw) -> Self {
        Supply {
            set: 0.0,
            asked: 0.0,
            limit: MAX_AMPS,
            protect: MAX_PROTECT,
            protecting: false,
            tripped: false,
            on: false,
            generation: 0,
            watchdog: None,
            watchdog_delay: 60_000_000_000,
            heard: 0,
            runaway: false,
            resume: false,
            gain: 1.0 + draw.within(0.000_5),
            offset: draw.within(1e-3),
            overshoot: draw.between(0.002, 0.019),
            charge: draw.between(0.0, 0.5),
            lit: false,
            passage: Passage {
                from: 0.0,
                to: 0.0,
                start: 0,
                decay: 1.0,
                ring: 0.0,
                end: 0,
            },
        }
    }

    /// Where the output is heading under the present settings, V. The stage cannot go negative.
    fn target(&self) -> f64 {
        if self.runaway {
            MAX_VOLTS
        } else if self.on {
            (self.set * self.gain + self.offset).max(0.0)
        } else {
            0.0
        }
    }

    /// Switched on or off by command.
    pub fn switch(&mut self, on: bool) {
        self.on = on;
        self.resume = false;
        self.tripped &= !on;
    }

    /// A fault: trips with nothing to trip it, and remembers whether it was on.
    pub fn trip(&mut self) {
        self.resume = self.on;
        self.on = false;
        self.tripped = true;
    }

    /// The trip is cleared.
    pub fn clear(&mut self) {
        self.on |= self.resume;
        self.resume = false;
        self.tripped = false;
    }

    /// Nothing drives the output.
    pub fn idle(&self, now: u64) -> bool {
        !self.on && !self.runaway && self.volts(now) < OFF
    }

    /// Starts the passage that the settings ask for. Gives the times (ns) at which the bench must
    /// look: the top of the overshoot and the end.
    pub fn go(&mut self, now: u64) -> Vec<u64> {
        let charge = if self.on && !self.lit {
            self.charge
        } else {
            0.0
        };
        self.lit = self.on;
        let (from, to) = (self.volts(now).max(charge), self.target());
        if from == to {
            return Vec::new();
        }
        self.generation += 1;
        let mut marks = Vec::new();
        let (decay, ring) = if to > from {
            marks.push(now + TO_PEAK);
            let ring = PI / (TO_PEAK as f64 * 1e-9);
            (-self.overshoot.ln() * ring / PI, ring)
        } else if self.on || self.runaway {
            (1.0 / FALL, 0.0)
        } else {
            // Rounded up, so that the output is below by then.
            marks.push(now + (OFF_FALL * (from / OFF).max(1.0).ln() * 1e9) as u64 + 1_000);
            (1.0 / OFF_FALL, 0.0)
        };
        let end = now + (22.0 / decay * 1e9) as u64;
        marks.push(end);
        self.passage = Passage {
            from,
            to,
            start: now,
            decay,
            ring,
            end,
        };
        marks
    }

    /// Output voltage without current limiting, V.
    pub fn volts(&self, now: u64) -> f64 {
        let Passage {
            from,
            to,
            start,
            decay,
            ring,
            end,
        } = self.passage;
        if now >= end {
            return to;
        }
        let t = (now - start) as f64 * 1e-9;
        let fade = (-decay * t).exp();
        if ring == 0.0 {
            return to + (from - to) * fade;
        }
        let (sin, cos) = (ring * t).sin_cos();
        to + (from - to) * fade * (cos + decay / ring * sin)
    }

    /// The output stands still from `now` on.
    pub fn steady(&self, now: u64) -> bool {
        now >= self.passage.end
    }

    /// Changed less than 10 ms ago.
    pub fn lively(&self, now: u64) -> bool {
        now < self.passage.end || now < self.passage.start + 10_000_000
    }

    /// The first instant of this passage at which the protection level is exceeded.
    pub fn trip_time(&self, now: u64) -> Option<u64> {
        if !self.protecting || !self.on {
            return None;
        }
        let end = self.passage.end.max(now);
        let mut at = now;
        while at < end {
            if self.volts(at) > self.protect {
                return Some(at);
            }
            at += 20_000;
        }
        (self.volts(end) > self.protect).then_some(end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overshoot_is_within_two_percent_and_at_the_announced_time() {
        for seed in 0..50 {
            let mut supply = Supply::new(&mut Draw::new(seed, 1));
            supply.on = true;
            supply.set = 5.0;
            let marks = supply.go(1_000);
            let top = (0..200)
                .map(|k| supply.volts(1_000 + k * 100_000))
                .fold(0.0, f64::max);
            let final_volts = supply.volts(1_000_000_000);
            assert!((final_volts - 5.0).abs() < 5.0 * 0.000_5 + 1e-3);
            let excess = top / final_volts - 1.0;
            assert!(excess > 0.001 && excess < 0.02, "{excess}");
            assert!((supply.volts(marks[0]) - top).abs() < 1e-6);
            assert!((supply.volts(marks[1] - 1) / final_volts - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn switching_off_falls_within_twenty_milliseconds_without_undershoot() {
        let mut supply = Supply::new(&mut Draw::new(1, 1));
        supply.on = true;
        supply.set = 8.0;
        supply.go(0);
        supply.on = false;
        supply.go(1_000_000_000);
        assert!(supply.volts(1_020_000_000) < 8.0 * 1e-3);
        assert!((0..100).all(|k| supply.volts(1_000_000_000 + k * 1_000_000) >= 0.0));
    }
}
