//! Exact settling times. The usual envelope is only an upper bound, up to 20 % too long.

use super::Damped;
use quantity::Seconds;

impl Damped {
    /// Time from a step until the needle first comes within ± `band` (a fraction of the step) of
    /// its end. Zero for a band of 1 or more; none for a band that is not above zero.
    pub fn first_entry(&self, band: f64) -> Option<Seconds> {
        self.crossing(band, 0)
    }

    /// Time from a step until the needle is within ± `band` (a fraction of the step) of its end
    /// and stays there. It jumps where an extremum leaves the band. None for a band that is not
    /// above zero or a movement without damping.
    pub fn settling(&self, band: f64) -> Option<Seconds> {
        let overshoot = self.overshoot();
        if overshoot.is_nan() || overshoot >= 1.0 {
            return None;
        }
        // The extremum number k stands overshoot^k from the end; the last one outside the band
        // decides. A band equal to an extremum counts as inside.
        let outside = if overshoot > 0.0 {
            band.ln() / overshoot.ln()
        } else {
            0.0
        };
        let last = if outside > 0.0 {
            (outside - 1e-12).ceil() - 1.0
        } else {
            0.0
        };
        self.crossing(band, last.max(0.0) as u32)
    }

    /// When the needle enters the band after extremum number `after`, before the next one.
    fn crossing(&self, band: f64, after: u32) -> Option<Seconds> {
        if !(band > 0.0 && self.period.get() > 0.0 && self.damping >= 0.0) {
            return None;
        }
        if band >= 1.0 {
            return Some(Seconds::ZERO);
        }
        let side = if after.is_multiple_of(2) { 1.0 } else { -1.0 };
        let outside = |time: f64| side * self.left(Seconds::new(time)) > band;
        let half = self.peak_time().map(Seconds::get);
        let mut low = half.map_or(0.0, |half| half * f64::from(after));
        // Grow the bracket from a scale of the motion: close to critical damping the next
        // extremum is almost infinitely far away.
        let mut high = low + 1.0 / self.omega();
        while outside(high) {
            if !high.is_finite() || high <= low {
                return None;
            }
            low = high;
            high *= 2.0;
        }
        if let Some(half) = half {
            high = high.min(half * (f64::from(after) + 1.0));
        }
        for _ in 0..200 {
            let middle = (low + high) / 2.0;
            if middle <= low || middle >= high {
                break;
            }
            if outside(middle) {
                low = middle
            } else {
                high = middle
            }
        }
        Some(Seconds::new(high))
    }
}
