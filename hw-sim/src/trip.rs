//! The hardware trip: a comparator across the sense element that takes the coil voltage from the
//! short, so that it closes, without asking anybody.

use crate::bench::Bench;
use crate::wiring::SHORT;

/// A fitted trip.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Trip {
    /// It lets go above this voltage across the sense element, V.
    level: f64,
    /// It has let go; only switching the bench off and on would set it again.
    tripped: bool,
}

impl Bench {
    /// Fits a trip that closes the short for good once the sense element carries more than `level`
    /// volts.
    pub fn fit_trip(&mut self, level: f64) {
        let tripped = false;
        self.trip = Some(Trip { level, tripped });
    }

    /// Whether the trip has let go.
    pub fn tripped(&self) -> bool {
        self.trip.is_some_and(|trip| trip.tripped)
    }

    /// The comparator looks; the bench calls this at every step while something changes.
    pub(crate) fn watch_trip(&mut self) {
        let Some(trip) = self.trip.filter(|trip| !trip.tripped) else {
            return;
        };
        let across = self.drive.sense.at(self.volts(self.now), self.emf());
        if across.abs() > trip.level {
            // First, so that the release below is not held back by it.
            self.switch(&[SHORT], false);
            let tripped = true;
            self.trip = Some(Trip { tripped, ..trip });
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::tests::{MS, SECOND, connected, set};

    /// Runs away at half of full scale; answers the truth two seconds later.
    fn run_away(trip: Option<f64>) -> crate::Truth {
        // 50 µA over 10 kΩ is half a volt; nothing but the fixed 40 kΩ holds back.
        let mut bench = connected("heron", 3, 0..10);
        if let Some(level) = trip {
            bench.fit_trip(level);
        }
        set(&mut bench, 1.3);
        bench.advance(20 * SECOND);
        assert!(!bench.tripped());
        bench.run_away();
        bench.advance(22 * SECOND);
        bench.truth()
    }

    #[test]
    fn the_trip_keeps_a_runaway_supply_from_bending_the_needle() {
        let without = run_away(None);
        assert!(without.driven_stop_hits > 0, "{}", without.peak_deflection);
        let with = run_away(Some(0.6));
        assert_eq!(with.stop_hits, 0);
        assert!(with.peak_deflection < 1.0, "{}", with.peak_deflection);
        // The short is 0.1 Ω at most beside 2 kΩ; a needle on its way back drives a little itself.
        assert!(with.current < 0.01 * 150e-6, "{}", with.current);
    }

    #[test]
    fn a_trip_that_has_let_go_stays_so() {
        let mut bench = connected("heron", 3, 0..10);
        bench.fit_trip(0.1);
        set(&mut bench, 1.3);
        bench.advance(SECOND);
        assert!(bench.tripped());
        set(&mut bench, 0.0);
        bench.switch(&[crate::wiring::SHORT], true);
        bench.advance(SECOND + 50 * MS);
        assert!(bench.wiring.relays[crate::wiring::SHORT].closed());
    }
}
