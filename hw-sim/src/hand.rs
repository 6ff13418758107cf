//! A meter in the hand: one for all places, with the errors of its kind.

use crate::bench::{Bench, DROP};
use crate::draw::Draw;

/// Upper ends of its ranges, V; it takes the smallest that fits.
const RANGES: [f64; 3] = [0.06, 0.6, 6.0];
/// One count of each range, V.
const COUNTS: [f64; 3] = [1e-5, 1e-4, 1e-3];
/// Half-width of its gain error.
const GAIN: f64 = 0.003;
/// Half-width of its error at zero, in counts.
const ZERO: f64 = 2.0;
/// Its input, Ω.
pub(crate) const INPUT: f64 = 10e6;
/// What stands in for no meter, Ω.
pub(crate) const NOWHERE: f64 = 1e12;

/// The errors of one such meter, and where it is held.
#[derive(Debug, Clone)]
pub(crate) struct HandMeter {
    gains: [f64; 3],
    zeros: [f64; 3],
    pub at: Option<usize>,
}

impl HandMeter {
    fn new(draw: &mut Draw) -> Self {
        Self {
            gains: std::array::from_fn(|_| 1.0 + draw.within(GAIN)),
            zeros: std::array::from_fn(|k| COUNTS[k] * draw.within(ZERO)),
            at: None,
        }
    }

    /// What it shows of `volts`, V.
    fn shows(&self, volts: f64) -> f64 {
        let fits = |range: &f64| volts.abs() < *range;
        let k = RANGES.iter().position(fits).unwrap_or(RANGES.len() - 1);
        let read = volts * self.gains[k] + self.zeros[k];
        (read / COUNTS[k]).round() * COUNTS[k]
    }
}

impl Bench {
    /// With one meter in somebody's hand in place of the two on the bench.
    pub fn with_hand_meter(mut self, seed: u64) -> Self {
        self.hand = Some(HandMeter::new(&mut Draw::new(seed, 6)));
        self.resolve();
        self
    }

    /// What the meter in the hand shows, held to one of the meters' places; none where there is no such
    /// meter.
    pub fn hold_meter(&mut self, place: usize) -> Option<f64> {
        self.hand.as_mut()?.at = Some(place);
        self.resolve();
        let (volts, emf) = (self.volts(self.now), self.emf());
        let line = if place == DROP {
            self.drive.drop
        } else {
            self.drive.sense
        };
        let across = line.at(volts, emf);
        let shown = self.hand.as_ref().map(|hand| hand.shows(across));
        if let Some(hand) = &mut self.hand {
            hand.at = None;
        }
        self.resolve();
        shown
    }

    /// Input resistance at a meter's place, Ω.
    pub(crate) fn input(&self, place: usize) -> f64 {
        match &self.hand {
            None => self.meters[place].input(),
            Some(hand) if hand.at == Some(place) => INPUT,
            Some(_) => NOWHERE,
        }
    }
}
