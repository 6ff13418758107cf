//! Faults that strike while the bench is in use: which instrument, what, how much, when and for how
//! long. What a fault does to currents and voltages is solved, not looked up; what it does to a
//! wire happens on the wire, in-process and over TCP alike.
//!
//! Two faults of the design have no place here. A clock that jumps belongs to the program's own
//! clock, which the bench never reads. A link that comes back under another name belongs to links
//! that have names given by the operating system, and to the checks of those links.

mod course;
mod effect;
mod file;
mod kind;
mod random;
pub(crate) mod wire;

pub(crate) use course::Course;
pub use file::FaultFileError;
pub use kind::{Class, Kind};

use serde::{Deserialize, Serialize};

/// Where a fault sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// The supply.
    Supply,
    /// The meter across the movement.
    Drop,
    /// The meter across the sense element.
    Loop,
    /// The relay unit, its relays and the elements behind them.
    Switch,
    /// Who reads the needle.
    Reader,
    /// The bridge to digital potentiometers, on a bench that has one.
    Bridge,
    /// The movement under test, which has no wire.
    Movement,
}

impl Place {
    pub(crate) const WITH_WIRE: [Place; 6] = [
        Place::Supply,
        Place::Drop,
        Place::Loop,
        Place::Switch,
        Place::Reader,
        Place::Bridge,
    ];
}

/// One fault. It strikes once all that `after_lines`, `after_seconds` and `when_on` ask for has
/// happened, and lasts for ever unless `times` or `for_seconds` says otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// Where.
    pub place: Place,
    /// What.
    pub kind: Kind,
    /// Relay channel, for faults of relays and elements.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channel: Option<u16>,
    /// How much, in the unit that [`Kind::unit`] states; none for kinds that have no size.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size: Option<f64>,
    /// Lines that the instrument receives before the first one that is affected.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub after_lines: u64,
    /// Simulated seconds before it strikes.
    #[serde(default, skip_serializing_if = "is_none_f64")]
    pub after_seconds: f64,
    /// Lines and seconds count from the moment at which the supply's output is switched on.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub when_on: bool,
    /// So many answers, settings or looks are affected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub times: Option<u32>,
    /// Over after so many simulated seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub for_seconds: Option<f64>,
}

fn is_zero(lines: &u64) -> bool {
    *lines == 0
}

fn is_none_f64(seconds: &f64) -> bool {
    *seconds == 0.0
}

impl Fault {
    /// A fault of this kind that is there from the start and stays.
    pub fn new(place: Place, kind: Kind) -> Self {
        Fault {
            place,
            kind,
            channel: None,
            size: None,
            after_lines: 0,
            after_seconds: 0.0,
            when_on: false,
            times: None,
            for_seconds: None,
        }
    }

    /// Of this size.
    pub fn sized(self, size: f64) -> Self {
        let size = Some(size);
        Fault { size, ..self }
    }

    /// At this relay channel.
    pub fn at(self, channel: u16) -> Self {
        let channel = Some(channel);
        Fault { channel, ..self }
    }
}

/// A plan of faults.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Faults {
    /// The faults.
    #[serde(default)]
    pub fault: Vec<Fault>,
}

impl Faults {
    /// The plan as a file that [`Faults::parse`] reads back.
    ///
    /// # Errors
    /// When a size or time can't be written, which none that was read or drawn is.
    pub fn to_toml(&self) -> Result<String, String> {
        toml::to_string(self).map_err(|error| error.to_string())
    }
}

impl From<Fault> for Faults {
    fn from(fault: Fault) -> Self {
        Faults { fault: vec![fault] }
    }
}
