//! The hardware trip: a comparator across the sense element that closes the short and opens the source
//! contact within milliseconds.

use super::file::{ProtectionFile, Reader, RigFile, TripLevelFile};
use super::range::SENSE_TOP;
use super::review::Finding;
use super::{Element, Rig, RigError};
use drivers::Dialect;
use quantity::{Amps, Ohms, Volts};
use std::path::Path;

/// Steps that the lowest level must have, so that cutting to a step moves it little.
const STEPS: f64 = 10.0;
/// How far above what may flow a level is set, so that noise and the needle's own EMF don't reach it.
const ABOVE: f64 = 1.03;
/// How far above it must stand not to be set anew.
const KEPT: f64 = 1.015;

/// A fitted trip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trip {
    /// Voltage across the sense element above which it lets go, V; where it can be set, the highest.
    pub level: Volts,
    /// How its level is set; none where it is fixed.
    pub settable: Option<TripLevel>,
}

/// A level that an analog output of the switch unit sets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TripLevel {
    /// The output.
    pub channel: u32,
    /// The lowest level at which noise and offset don't let it go, V.
    pub lowest: Volts,
    /// Steps in which it can be set, V.
    pub resolution: Volts,
    /// How far comparator and output may be off, as a fraction of the level.
    pub accuracy: f64,
}

impl Trip {
    /// The trip that the rig file states.
    pub(super) fn read(
        reader: &Reader<'_>,
        file: &RigFile,
        folder: Option<&Path>,
    ) -> Result<Option<Self>, RigError> {
        let ProtectionFile {
            trip, trip_level, ..
        } = &file.protection;
        let Some(trip) = trip else {
            return match trip_level {
                Some(level) => Err(reader.error(
                    level.span(),
                    "give [protection] trip as well: the highest level that can be set",
                )),
                None => Ok(None),
            };
        };
        let level: Volts = reader.positive(trip)?;
        let settable = trip_level.as_ref().map(|settable| {
            let span = settable.span();
            let dialect = Dialect::find(file.switch.dialect.as_ref(), folder).ok();
            // One that can't be read is left to the opening, which says so.
            if dialect.is_some_and(|dialect| !dialect.sets_levels()) {
                let text = format!(
                    "the switch unit's dialect \"{}\" has no set_level and level in its [switch] table, so \
                     it can't set a level; leave trip_level out where the trip's level is fixed",
                    file.switch.dialect.as_ref()
                );
                return Err(reader.error(span, text));
            }
            let found = settable.get_ref().read(reader)?;
            let (lowest, resolution) = (found.lowest, found.resolution);
            if lowest >= level || resolution * STEPS > lowest {
                let text = format!(
                    "the lowest level, {lowest}, must lie below the highest, {level}, and have {STEPS} steps of \
                     {resolution}"
                );
                return Err(reader.error(span, text));
            }
            Ok(found)
        });
        Ok(Some(Self {
            level,
            settable: settable.transpose()?,
        }))
    }

    /// Whether it surely lets so much across the sense element pass, at its highest level.
    pub(crate) fn holds(&self, most: Volts) -> bool {
        let least = self.settable.map_or(self.level, |settable| {
            self.level * (1.0 - settable.accuracy) - settable.resolution
        });
        most * KEPT <= least
    }

    /// The level at which so much across the sense element does not let it go, and little more does.
    pub(crate) fn above(&self, settable: &TripLevel, most: Volts) -> Volts {
        let level = most * ((1.0 + settable.accuracy) * ABOVE);
        (level.max(settable.lowest) + settable.resolution).min(self.level)
    }

    /// Whether a level that stands does for so much, without being needlessly high.
    pub(crate) fn does(&self, settable: &TripLevel, stands: Volts, most: Volts) -> bool {
        let holds = stands >= most * ((1.0 + settable.accuracy) * KEPT) || stands >= self.level;
        holds && stands <= self.above(settable, most * ABOVE)
    }

    /// A trip must leave every range alone; there is current below its lowest level.
    pub(super) fn finding(&self, rig: &Rig) -> Finding {
        let level = self.level;
        let largest = rig.sense.iter().map(|sense: &Element| sense.ohms);
        let largest = largest.fold(Ohms::ZERO, Ohms::max);
        let ranges = format!("ranges use up to {SENSE_TOP}");
        match self.settable {
            None => Finding {
                passed: self.holds(SENSE_TOP),
                text: format!(
                    "the trip lets go above {level} across the sense element, {} in the {largest} one at \
                     the least, and {ranges}; nothing but the paths' fixed resistors holds a smaller \
                     current",
                    level / largest
                ),
            },
            Some(TripLevel { lowest, .. }) => {
                let (least, touch): (Amps, Amps) = (lowest / largest, rig.limits.first_touch);
                Finding {
                    passed: self.holds(SENSE_TOP) && least <= touch,
                    text: format!(
                        "the trip follows what may flow, from {lowest} to {level} across the sense element: \
                         {least} in the {largest} one at the least, beside a first touch of {touch}; \
                         {ranges}"
                    ),
                }
            }
        }
    }
}

impl TripLevelFile {
    fn read(&self, reader: &Reader<'_>) -> Result<TripLevel, RigError> {
        Ok(TripLevel {
            channel: self.channel,
            lowest: reader.positive(&self.lowest)?,
            resolution: reader.positive(&self.resolution)?,
            accuracy: reader.share(&self.accuracy, 0.0, 0.2)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTABLE: TripLevel = TripLevel {
        channel: 301,
        lowest: Volts::new(1e-3),
        resolution: Volts::new(1e-4),
        accuracy: 0.01,
    };
    const TRIP: Trip = Trip {
        level: Volts::new(0.27),
        settable: Some(SETTABLE),
    };

    /// A comparator that is off by its accuracy either way must hold at what may flow and let go 10 %
    /// above it, wherever steps and lowest level leave room.
    #[test]
    fn the_level_lies_between_what_may_flow_and_a_tenth_more() {
        for most in [0.004, 0.02, 0.1, 0.24] {
            let most = Volts::new(most);
            let level = TRIP.above(&SETTABLE, most);
            assert!(level * 0.99 > most, "{most} {level}");
            assert!(
                level * 1.01 < most * 1.1 || most < Volts::new(0.005),
                "{most} {level}"
            );
            assert!(TRIP.does(&SETTABLE, level, most));
            assert!(!TRIP.does(&SETTABLE, level, most * 1.1));
            assert!(!TRIP.does(&SETTABLE, level, most * 0.8));
        }
    }

    #[test]
    fn the_level_stays_within_what_can_be_set() {
        let (least, most) = (Volts::ZERO, Volts::new(0.3));
        let lowest = SETTABLE.lowest + SETTABLE.resolution;
        assert_eq!(TRIP.above(&SETTABLE, least), lowest);
        assert_eq!(TRIP.above(&SETTABLE, most), TRIP.level);
        assert!(TRIP.does(&SETTABLE, TRIP.level, most));
        assert!(TRIP.does(&SETTABLE, lowest, least));
        // 0.27 V, off by 1 % and a step of 0.1 mV, and 1.5 % for noise: 0.2632 V.
        assert!(TRIP.holds(Volts::new(0.263)) && !TRIP.holds(Volts::new(0.264)));
    }
}
