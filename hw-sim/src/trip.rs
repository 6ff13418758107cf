//! The hardware trip: a comparator across the sense element that takes the coil voltage from the
//! short, so that it closes, and from the source contact, so that it opens, without asking anybody.

use crate::bench::Bench;
use crate::wiring::{SHORT, SOURCE};

/// Relays whose coils it holds. The short alone diverts little from a movement of a few milliohms.
pub(crate) const HELD: [usize; 2] = [SHORT, SOURCE];

/// A fitted trip.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Trip {
    /// It lets go above this voltage across the sense element, V.
    level: f64,
    /// It has let go; only switching the bench off and on would set it again.
    tripped: bool,
}

impl Bench {
    /// Fits a trip that lets go for good once there are more than `level` volts across the sense element,
    /// or more than the switch unit's analog output is set to from then on.
    pub fn fit_trip(&mut self, level: f64) {
        let tripped = false;
        self.trip = Some(Trip { level, tripped });
    }

    /// Sets the level of a trip, V. Without one the output that would set it leads nowhere.
    pub(crate) fn set_trip_level(&mut self, level: f64) {
        self.output = level;
        if let Some(trip) = &mut self.trip {
            trip.level = level;
        }
    }

    /// What was last set, V.
    pub(crate) fn trip_level(&self) -> f64 {
        self.output
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
        let across = self.drive.sense.at(self.point());
        if across.abs() > trip.level {
            self.switch(&HELD, false);
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

    /// A bench with a trip, a second after it was driven to half of full scale.
    fn driven(level: f64) -> crate::Bench {
        let mut bench = connected("heron", 3, 0..10);
        bench.fit_trip(level);
        set(&mut bench, 1.3);
        bench.advance(SECOND);
        bench
    }

    #[test]
    fn the_trip_keeps_a_runaway_supply_from_bending_the_needle() {
        let without = run_away(None);
        assert!(without.driven_stop_hits > 0, "{}", without.peak_deflection);
        let with = run_away(Some(0.6));
        assert_eq!(with.stop_hits, 0);
        assert!(with.peak_deflection < 1.0, "{}", with.peak_deflection);
        // The source contact is open; a needle on its way back drives a little itself.
        assert!(with.current < 0.01 * 150e-6, "{}", with.current);
    }

    /// What it has let go stays so, whatever is commanded: the source contact open, the short closed.
    #[test]
    fn a_trip_lets_short_and_source_contact_go() {
        let mut bench = driven(0.6);
        bench.run_away();
        bench.advance(2 * SECOND);
        assert!(bench.tripped());
        for relay in crate::trip::HELD {
            bench.switch(&[relay], true);
        }
        bench.advance(3 * SECOND);
        assert!(!bench.wiring.relays[crate::wiring::SOURCE].closed());
        assert!(bench.wiring.relays[crate::wiring::SHORT].closed());
    }

    #[test]
    fn a_level_that_is_set_counts_from_then_on() {
        let mut bench = driven(0.6);
        let across = bench.drive.sense.at(bench.point());
        bench.set_trip_level(across * 1.05);
        bench.advance(2 * SECOND);
        assert!(!bench.tripped());
        bench.set_trip_level(across * 0.95);
        set(&mut bench, 1.299);
        bench.advance(3 * SECOND);
        assert!(bench.tripped());
    }

    #[test]
    fn a_trip_that_has_let_go_stays_so() {
        let mut bench = driven(0.1);
        assert!(bench.tripped());
        set(&mut bench, 0.0);
        bench.switch(&[crate::wiring::SHORT], true);
        bench.advance(SECOND + 50 * MS);
        assert!(bench.wiring.relays[crate::wiring::SHORT].closed());
    }
}
