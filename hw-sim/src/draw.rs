//! Seeded random numbers: one independent stream per purpose, so that an extra draw in one place
//! changes nothing in another.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Draw(ChaCha8Rng);

impl Draw {
    /// Stream number `stream` of `seed`.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream);
        Draw(generator)
    }

    /// Uniform between `low` and `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Uniform in ±`half_width`.
    pub fn within(&mut self, half_width: f64) -> f64 {
        half_width * (2.0 * self.unit() - 1.0)
    }

    /// Log-uniform between two positive values.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// Standard normal.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Uniform integer in `low..high`.
    pub fn nanos(&mut self, low: u64, high: u64) -> u64 {
        self.0.random_range(low..high)
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// A seed for something else.
    pub fn seed(&mut self) -> u64 {
        self.0.next_u64()
    }

    fn unit(&mut self) -> f64 {
        self.0.random()
    }
}
