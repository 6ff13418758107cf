//! Seeded random numbers.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A stream of random numbers.
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    /// Stream number `stream` of `seed`: an extra draw in one stream changes nothing in another.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream);
        Dice(generator)
    }

    pub fn unit(&mut self) -> f64 {
        self.0.random()
    }

    pub fn between(&mut self, (low, high): (f64, f64)) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn either_sign(&mut self, magnitude: f64) -> f64 {
        self.between((-magnitude, magnitude))
    }

    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    pub fn below(&mut self, count: usize) -> usize {
        self.0.random_range(0..count)
    }

    /// One of `all`, which must not be empty.
    pub fn pick<T: Clone>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())].clone()
    }
}
