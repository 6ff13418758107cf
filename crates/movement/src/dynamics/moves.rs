//! Moves of the current that are gentler than a step, and the swing that they leave.

use super::Damped;
use quantity::Seconds;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// How the current goes from one value to the next within a given time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Move {
    /// At constant speed.
    Ramp,
    /// With a raised-cosine speed, (1 − cos(2πt/T))/T: it starts and ends gently.
    Smooth,
}

impl Move {
    /// The part of the move that is done after `time` of `duration`, 0 to 1.
    pub fn done(self, duration: Seconds, time: Seconds) -> f64 {
        let part = (time / duration).clamp(0.0, 1.0);
        match self {
            Self::Ramp => part,
            Self::Smooth => part - (TAU * part).sin() / TAU,
        }
    }
}

impl Damped {
    /// Needle (0 to 1, fraction of the move) and its velocity (per second), `time` after the
    /// start of a move of the current that takes `duration`. A duration of zero is a step.
    pub fn follow(&self, how: Move, duration: Seconds, time: Seconds) -> (f64, f64) {
        if time.get() <= 0.0 {
            return (0.0, 0.0);
        }
        if duration.get() <= 0.0 {
            return (self.step(time), self.rate(time));
        }
        if time.get() > duration.get() {
            let (at, speed) = self.during(how, duration, duration);
            let (left, speed) = self.free(at - 1.0, speed, time - duration);
            return (1.0 + left, speed);
        }
        self.during(how, duration, time)
    }

    /// As [`Self::follow`], while the current still moves.
    fn during(&self, how: Move, duration: Seconds, time: Seconds) -> (f64, f64) {
        let (omega, span) = (self.omega(), duration.get());
        // A needle follows a ramp with the lag 2ζ/ω₀, reached from rest by a free motion.
        let lag = 2.0 * self.damping / omega;
        let (start, speed) = self.free(lag, -1.0, time);
        let ramp = ((time.get() - lag + start) / span, (1.0 + speed) / span);
        if how == Move::Ramp {
            return ramp;
        }
        // The sine part: steady oscillation plus the free motion that makes it start from rest.
        let w = TAU / span;
        let (real, imaginary) = (1.0 - (w / omega).powi(2), 2.0 * self.damping * w / omega);
        let size = real * real + imaginary * imaginary;
        let steady = |t: f64| {
            let (sin, cos) = (w * t).sin_cos();
            let at = (real * sin - imaginary * cos) / size;
            (at, w * (real * cos + imaginary * sin) / size)
        };
        let (at, speed) = steady(time.get());
        let (at0, speed0) = steady(0.0);
        let (start, start_speed) = self.free(-at0, -speed0, time);
        (
            ramp.0 - (at + start) / TAU,
            ramp.1 - (speed + start_speed) / TAU,
        )
    }

    /// Largest distance from the end of the move once the current has arrived, as a fraction of
    /// the move: the swing (or the lag) that is left to die away.
    pub fn residual(&self, how: Move, duration: Seconds) -> f64 {
        let (at, speed) = self.follow(how, duration, duration);
        let turning = self.first_turning(at - 1.0, speed);
        let later = turning.map_or(0.0, |time| self.free(at - 1.0, speed, time).0.abs());
        (at - 1.0).abs().max(later)
    }

    /// Furthest point beyond the end of the move, as a fraction of the move, at any time; zero
    /// when the needle never passes it.
    pub fn peak_beyond(&self, how: Move, duration: Seconds) -> f64 {
        let (at, speed) = self.follow(how, duration, duration);
        let mut peak = (at - 1.0).max(0.0);
        if let Some(first) = self.first_turning(at - 1.0, speed) {
            let there = self.free(at - 1.0, speed, first).0;
            // The next turning is on the other side and smaller by the ratio of half swings.
            peak = peak.max(there).max(-there * self.overshoot());
        }
        // A needle that swings about the ramp may pass the end shortly before the current does.
        let span = self
            .damped_period()
            .map_or(Seconds::ZERO, |period| period.min(duration));
        let moving = |k: i32| duration - span * (f64::from(k) / 256.0);
        (0..=256).fold(peak, |peak, k| {
            peak.max(self.follow(how, duration, moving(k)).0 - 1.0)
        })
    }

    /// When free motion first turns round; none when it never does.
    fn first_turning(&self, displacement: f64, velocity: f64) -> Option<Seconds> {
        let swing = self.swing()?;
        let (zeta, omega) = (self.damping, self.omega());
        let angle =
            (velocity * swing).atan2(zeta * omega * velocity + omega * omega * displacement);
        // Turnings are half a swing apart; take the first one ahead.
        let ahead = angle.rem_euclid(std::f64::consts::PI);
        Some(Seconds::new(ahead / swing))
    }
}
