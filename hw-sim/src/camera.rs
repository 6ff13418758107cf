//! The needle reader: frames at a steady rate, each handed over a little later, never exact.

use crate::draw::Draw;
use std::f64::consts::PI;

/// Time between two frames, ns.
pub const FRAME: u64 = 33_333_333;
/// Time of exposure of a picture, s.
const EXPOSURE: f64 = 0.010;
/// Standard uncertainty shared by all looks of a run, fraction of scale: smallest and largest. Like
/// those of one look, as the real reader's in pictures of the bench's own camera.
const SHARED: (f64, f64) = (0.000_05, 0.001_5);
/// Stream of its draw.
const SHARING: u64 = 50;
/// Standard uncertainty of one look.
const OWN: (f64, f64) = (0.000_01, 0.000_04);
const KEPT: usize = 64;
/// Why a picture that is no longer kept can't be looked at.
pub(crate) const LOST: &str = "picture lost";
const REFUSED: f64 = 0.005;
const REASONS: [&str; 4] = ["glare", "picture blurred", "needle hidden", "frame dropped"];

/// What a look gave.
#[derive(Debug, Clone, PartialEq)]
pub enum Look {
    /// Deflection, standard uncertainties (own, shared) as fractions of scale, age in seconds.
    Seen {
        /// Deflection read, fraction of scale.
        deflection: f64,
        /// Standard uncertainty of this look alone.
        own: f64,
        /// Standard uncertainty common to all looks.
        shared: f64,
        /// Time since the picture was taken, s.
        age: f64,
    },
    /// A refusal and its reason.
    Unseen(&'static str),
}

/// The reader's specimen errors and the frames of the last two seconds.
#[derive(Debug, Clone)]
pub struct Camera {
    seed: u64,
    own: f64,
    shared: f64,
    shape: (f64, f64),
    frames: [Kept; KEPT],
}

/// What the needle did at a frame.
#[derive(Debug, Clone, Copy)]
struct Kept {
    number: u64,
    shown: f64,
    /// Shares of scale per second.
    speed: f64,
}

/// What a picture shows, and how long ago it was taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Exposed {
    /// Which frame: the same number is the same picture, noise and all.
    pub number: u64,
    /// Where the needle stood in the middle of the exposure, fraction of scale.
    pub shown: f64,
    /// Its way during the exposure, fraction of scale.
    pub way: f64,
    /// Time since then, s.
    pub age: f64,
    /// Light on the sensor, as a share of the usual.
    pub exposure: f64,
    /// How far the camera was knocked, px.
    pub knocked: f64,
}

impl Camera {
    /// Draws the run's shared error and noise level.
    pub fn new(draw: &mut Draw) -> Self {
        let seed = draw.seed();
        Camera {
            seed,
            own: draw.between(OWN.0, OWN.1),
            shared: Draw::new(seed, SHARING).log_between(SHARED.0, SHARED.1),
            shape: (draw.normal(), draw.normal()),
            frames: [Kept {
                number: u64::MAX,
                shown: 0.0,
                speed: 0.0,
            }; KEPT],
        }
    }

    /// Seed of all that is its own.
    pub(crate) fn seed(&self) -> u64 {
        self.seed
    }

    /// Keeps what the needle showed at frame `number`, and how fast it moved.
    pub fn expose(&mut self, number: u64, shown: f64, speed: f64) {
        self.frames[number as usize % KEPT] = Kept {
            number,
            shown,
            speed,
        };
    }

    /// What picture `number` shows, looked at at `now` (ns); none when it is no longer kept.
    pub(crate) fn exposed(&self, number: u64, now: u64) -> Option<Exposed> {
        let kept = self.kept(number)?;
        Some(Exposed {
            number,
            shown: kept.shown,
            way: kept.speed * EXPOSURE,
            age: age(number, now),
            exposure: 1.0,
            knocked: 0.0,
        })
    }

    fn kept(&self, number: u64) -> Option<Kept> {
        let kept = self.frames[number as usize % KEPT];
        (kept.number == number).then_some(kept)
    }

    /// The next picture to be handed over after `now` (ns): its number and when.
    pub fn next(&self, now: u64) -> (u64, u64) {
        let first = now.saturating_sub(60_000_000) / FRAME;
        let mut best = (first, u64::MAX);
        for number in first..first + 5 {
            let at = number * FRAME + self.delay(number);
            if at > now && at < best.1 {
                best = (number, at);
            }
        }
        best
    }

    /// What picture `number` says, looked at at `now` (ns).
    pub fn read(&self, number: u64, now: u64) -> Look {
        let Some(Kept { shown, .. }) = self.kept(number) else {
            return Look::Unseen(LOST);
        };
        let mut draw = Draw::new(self.seed, number);
        if draw.chance(REFUSED) {
            return Look::Unseen(REASONS[draw.nanos(0, REASONS.len() as u64) as usize]);
        }
        let (g1, g2) = self.shape;
        let common = self.shared * (g1 * (PI * shown).cos() + g2 * (PI * shown).sin());
        let deflection = shown + common + self.own * draw.normal();
        Look::Seen {
            deflection,
            own: self.own,
            shared: self.shared,
            age: age(number, now),
        }
    }

    fn delay(&self, number: u64) -> u64 {
        30_000_000 + scramble(self.seed ^ number) % 30_000_000
    }
}

/// Time since picture `number` was taken, s.
fn age(number: u64, now: u64) -> f64 {
    now.saturating_sub(number * FRAME) as f64 * 1e-9
}

/// A number spread evenly over 64 bits (the finaliser of the SplitMix64 generator).
fn scramble(seed: u64) -> u64 {
    let mut x = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}
