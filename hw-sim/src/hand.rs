//! What people have in their hands: one meter for all places, a decade box, leads to plug.

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

/// One step of each knob of the decade box, Ω.
pub const KNOBS: [f64; 6] = [1e6, 1e5, 1e4, 1e3, 100.0, 10.0];
/// Half-width of its resistors' errors.
const BOX: f64 = 0.01;
/// Largest resistance of one knob's contact, Ω.
const CONTACT: f64 = 0.02;

/// A decade box.
#[derive(Debug, Clone)]
pub struct Decades {
    steps: [f64; 6],
    contacts: [f64; 6],
    settings: [u8; 6],
}

impl Decades {
    fn new(draw: &mut Draw) -> Self {
        Self {
            steps: std::array::from_fn(|k| KNOBS[k] * (1.0 + draw.within(BOX))),
            contacts: std::array::from_fn(|_| draw.between(0.2 * CONTACT, CONTACT)),
            settings: [0; 6],
        }
    }

    /// All of it, Ω.
    pub fn ohms(&self) -> f64 {
        let one = |k: usize| self.steps[k] * f64::from(self.settings[k]) + self.contacts[k];
        (0..KNOBS.len()).map(one).sum()
    }
}

impl Bench {
    /// With a decade box as the series bank.
    pub fn with_decade_box(mut self, seed: u64) -> Self {
        self.wiring.decades = Some(Decades::new(&mut Draw::new(seed, 7)));
        self.resolve();
        self
    }

    /// Somebody turns a knob of the decade box, counted from that of the largest step; false where there
    /// is none.
    pub fn turn_decade(&mut self, knob: usize, setting: u8) -> bool {
        let decades = self.wiring.decades.as_mut();
        let Some(place) = decades.and_then(|decades| decades.settings.get_mut(knob)) else {
            return false;
        };
        *place = setting;
        self.resolve();
        true
    }

    /// What the decade box reads on its knobs, Ω; none where there is no box.
    pub fn decades_read(&self) -> Option<f64> {
        let decades = self.wiring.decades.as_ref()?;
        let each = KNOBS.iter().zip(decades.settings);
        Some(each.map(|(step, setting)| step * f64::from(setting)).sum())
    }

    /// Somebody plugs a lead, or pulls it; the clip across the movement is taken off where others are
    /// plugged. False for unknown channels.
    pub fn plug(&mut self, channel: u16, plugged: bool) -> bool {
        let Some(relay) = crate::wiring::relay_of(channel) else {
            return false;
        };
        self.switch(&[relay], plugged);
        true
    }

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
        let line = if place == DROP {
            self.drive.drop
        } else {
            self.drive.sense
        };
        let across = line.at(self.point());
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
