//! The needle reader: frames at a steady rate, each handed over a little later, never exact.

use crate::draw::Draw;
use std::f64::consts::PI;

/// Time between two frames, ns.
pub const FRAME: u64 = 33_333_333;
/// Standard uncertainty shared by all looks of a run, fraction of scale.
pub const SHARED: f64 = 0.000_4;
const KEPT: usize = 64;
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
    shape: (f64, f64),
    frames: [(u64, f64); KEPT],
}

impl Camera {
    /// Draws the run's shared error and noise level.
    pub fn new(draw: &mut Draw) -> Self {
        Camera {
            seed: draw.seed(),
            own: draw.between(0.000_3, 0.000_8),
            shape: (draw.normal(), draw.normal()),
            frames: [(u64::MAX, 0.0); KEPT],
        }
    }

    /// Keeps what the needle showed at frame `number`.
    pub fn expose(&mut self, number: u64, shown: f64) {
        self.frames[number as usize % KEPT] = (number, shown);
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
        let (kept, shown) = self.frames[number as usize % KEPT];
        if kept != number {
            return Look::Unseen("picture lost");
        }
        let mut draw = Draw::new(self.seed, number);
        if draw.chance(REFUSED) {
            return Look::Unseen(REASONS[draw.nanos(0, REASONS.len() as u64) as usize]);
        }
        let (g1, g2) = self.shape;
        let common = SHARED * (g1 * (PI * shown).cos() + g2 * (PI * shown).sin());
        let age = now.saturating_sub(number * FRAME) as f64 * 1e-9;
        let deflection = shown + common + self.own * draw.normal();
        Look::Seen {
            deflection,
            own: self.own,
            shared: SHARED,
            age,
        }
    }

    fn delay(&self, number: u64) -> u64 {
        30_000_000 + scramble(self.seed ^ number) % 30_000_000
    }
}

/// A number spread evenly over 64 bits (the finaliser of the SplitMix64 generator).
fn scramble(seed: u64) -> u64 {
    let mut x = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}
