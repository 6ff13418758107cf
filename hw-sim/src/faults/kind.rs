//! The kinds of faults: where each is possible, what its size means, and to which class it belongs.

use super::Place;
use serde::{Deserialize, Serialize};

/// What a fault can do in the first place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// Something is not as it is said to be.
    Information,
    /// Energy goes where nobody sent it.
    Energy,
}

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Answers come later by this many seconds. Commands don't wait for them.
    Late,
    /// Answers get lost.
    Missing,
    /// Answers come in three pieces, this many seconds apart.
    Pieces,
    /// This share of an answer's characters is replaced by others.
    Garbled,
    /// Answers come twice.
    Twice,
    /// The previous answer comes in the place of the true one.
    Stale,
    /// The link is closed at the next line, which is not carried out.
    Gone,
    /// Voltage settings, or codes, are not taken.
    SetIgnored,
    /// Voltage settings are taken up to this many volts only.
    SetClamped,
    /// The voltage setting reads back as the one asked for, the measured voltage as the true one,
    /// both off by this share; 0 hides a setting that was not taken. A code of a bridge reads back so, too.
    ReadBackLies,
    /// The output stage turns fully on, whatever is set.
    FullOutput,
    /// The output trips; it comes back on when the trip is cleared, or when the fault is over.
    Trips,
    /// The armature stays where it is.
    Dead,
    /// The armature moves this many seconds later.
    Slow,
    /// The contact closes, if it is open, and can't open again; a changeover stays on its side.
    Welded,
    /// The contact opens by itself and stays open.
    Opens,
    /// The element is broken.
    ElementOpen,
    /// The element's resistance is off by this share.
    ElementOff,
    /// The bridge starts anew by itself: every potentiometer goes to mid-scale.
    Restarts,
    /// Readings are overloads.
    Overload,
    /// Readings are off by this share.
    Gain,
    /// Readings are off by this many volts.
    Offset,
    /// The meter changes to this voltage range by itself, until it is configured anew.
    WrongRange,
    /// The meter changes to ohms by itself, to the range of this many ohms, until it is configured
    /// anew. Its test current then flows in the circuit.
    WrongFunction,
    /// The needle, once it rests, stays until it is pulled by more than this share of scale.
    Sticks,
    /// The needle is not seen.
    Blind,
    /// The same picture comes again and again.
    Frozen,
    /// It looks at another movement, which stands at this share of scale.
    OtherDial,
    /// Sightings are off by this share of scale.
    Lies,
    /// A lamp shines into the camera.
    Dazzled,
    /// The camera is knocked: its picture moves by so many pixels, and turns a little.
    Knocked,
}

/// What the size of a kind means, and between which values it lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// Unit.
    pub unit: &'static str,
    /// Smallest.
    pub low: f64,
    /// Largest.
    pub high: f64,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 31] = [
        Kind::Late,
        Kind::Missing,
        Kind::Pieces,
        Kind::Garbled,
        Kind::Twice,
        Kind::Stale,
        Kind::Gone,
        Kind::SetIgnored,
        Kind::SetClamped,
        Kind::ReadBackLies,
        Kind::FullOutput,
        Kind::Trips,
        Kind::Dead,
        Kind::Slow,
        Kind::Welded,
        Kind::Opens,
        Kind::ElementOpen,
        Kind::ElementOff,
        Kind::Restarts,
        Kind::Overload,
        Kind::Gain,
        Kind::Offset,
        Kind::WrongRange,
        Kind::WrongFunction,
        Kind::Sticks,
        Kind::Blind,
        Kind::Frozen,
        Kind::OtherDial,
        Kind::Lies,
        Kind::Dazzled,
        Kind::Knocked,
    ];

    /// Its class.
    pub fn class(self) -> Class {
        match self {
            Kind::FullOutput | Kind::Trips | Kind::Welded | Kind::Opens | Kind::WrongFunction => {
                Class::Energy
            }
            _ => Class::Information,
        }
    }

    /// Where it is possible.
    pub fn places(self) -> &'static [Place] {
        match self {
            Kind::Late
            | Kind::Missing
            | Kind::Pieces
            | Kind::Garbled
            | Kind::Twice
            | Kind::Stale
            | Kind::Gone => &Place::WITH_WIRE,
            Kind::SetIgnored | Kind::ReadBackLies => &[Place::Supply, Place::Bridge],
            Kind::Restarts => &[Place::Bridge],
            Kind::SetClamped | Kind::FullOutput | Kind::Trips => &[Place::Supply],
            Kind::Dead
            | Kind::Slow
            | Kind::Welded
            | Kind::Opens
            | Kind::ElementOpen
            | Kind::ElementOff => &[Place::Switch],
            Kind::Overload | Kind::Gain | Kind::Offset | Kind::WrongRange | Kind::WrongFunction => {
                &[Place::Drop, Place::Loop]
            }
            Kind::Sticks => &[Place::Movement],
            Kind::Blind
            | Kind::Frozen
            | Kind::OtherDial
            | Kind::Lies
            | Kind::Dazzled
            | Kind::Knocked => &[Place::Reader],
        }
    }

    /// Its size, where it has one.
    pub fn size(self) -> Option<Size> {
        let size = |unit, low, high| Some(Size { unit, low, high });
        match self {
            Kind::Late | Kind::Slow => size("s", 0.0, 60.0),
            Kind::Pieces => size("s", 0.0, 1.0),
            Kind::Garbled => size("share", 0.0, 1.0),
            Kind::SetClamped => size("V", 0.0, 8.0),
            Kind::ReadBackLies => size("share", -1.0, 1.0),
            Kind::ElementOff => size("share", -0.3, 0.3),
            Kind::Gain => size("share", -0.5, 0.5),
            Kind::Offset => size("V", -0.1, 0.1),
            Kind::WrongRange => size("V", 0.1, 10.0),
            Kind::WrongFunction => size("Ω", 100.0, 1e7),
            Kind::Sticks => size("share of scale", 0.0, 0.05),
            Kind::OtherDial => size("share of scale", -0.05, 1.1),
            Kind::Lies => size("share of scale", -0.02, 0.02),
            Kind::Knocked => size("px", 1.0, 300.0),
            _ => None,
        }
    }

    /// Unit of its size; empty for kinds without one.
    pub fn unit(self) -> &'static str {
        self.size().map_or("", |size| size.unit)
    }

    /// It sits at one relay channel.
    pub fn at_channel(self) -> bool {
        self.places() == [Place::Switch]
    }

    /// It sits at an element, not at its relay.
    pub(crate) fn of_element(self) -> bool {
        matches!(self, Kind::ElementOpen | Kind::ElementOff)
    }

    /// It affects answers, settings or looks one by one, so that they can be counted.
    pub fn countable(self) -> bool {
        matches!(
            self,
            Kind::Late
                | Kind::Missing
                | Kind::Pieces
                | Kind::Garbled
                | Kind::Twice
                | Kind::Stale
                | Kind::SetIgnored
                | Kind::SetClamped
                | Kind::ReadBackLies
                | Kind::Overload
                | Kind::Blind
                | Kind::Frozen
                | Kind::OtherDial
                | Kind::Lies
                | Kind::Dazzled
        )
    }

    /// It happens once; how long it lasts is not its own affair.
    pub fn once(self) -> bool {
        matches!(
            self,
            Kind::WrongRange | Kind::WrongFunction | Kind::Restarts
        )
    }

    /// It happens on a wire, not on the bench.
    pub fn on_wire(self) -> bool {
        self.places() == Place::WITH_WIRE
    }
}
