//! What the rig file states about the measuring parts: all that an analysis may rely on.

use quantity::{Ohms, Seconds};
use serde::{Deserialize, Serialize};

/// A resistor as stated: resistance and half-width of its tolerance (rectangular).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Element {
    /// Stated resistance.
    pub ohms: Ohms,
    /// Tolerance half-width as a fraction of the stated resistance.
    pub tolerance: f64,
}

/// One range of a voltmeter with its accuracy (rectangular half-widths).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterRange {
    /// Upper end of the range, in volts.
    pub full_scale: f64,
    /// Gain error half-width, as a fraction of the reading.
    pub gain: f64,
    /// Offset error half-width, in volts.
    pub offset: f64,
    /// One count of its display, in volts; 0 where readings have more digits than matter.
    #[serde(default)]
    pub resolution: f64,
}

/// The measuring parts of a rig as its file states them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RigStatement {
    /// Name of the rig.
    pub name: String,
    /// Sense elements.
    pub sense: Vec<Element>,
    /// Shunt elements.
    pub shunt: Vec<Element>,
    /// Largest resistance of one closed contact.
    pub contact: Ohms,
    /// Closed contacts between the shunt bank and the movement, in series with the movement.
    /// Records made before this was stated count none.
    #[serde(default)]
    pub movement_contacts: u32,
    /// Largest resistance of one of these; as any other contact, where not stated.
    #[serde(default)]
    pub main_contact: Option<Ohms>,
    /// Largest thermal EMF of the drop connection, in volts.
    pub thermal_emf: f64,
    /// Input resistance of the meter that reads the drop.
    pub drop_input: Ohms,
    /// Input resistance of the meter that reads the sense element; not stated in older records.
    #[serde(default)]
    pub loop_input: Option<Ohms>,
    /// Ranges of the meter that reads the drop.
    pub drop_meter: Vec<MeterRange>,
    /// Ranges of the meter that reads the sense element.
    pub loop_meter: Vec<MeterRange>,
    /// Ambient temperature in degrees Celsius, with its standard uncertainty, where known.
    pub ambient: Option<(f64, f64)>,
    /// Longest free period that the rig file asks to be prepared for.
    pub slowest_period: Seconds,
}

impl RigStatement {
    /// Largest resistance of one contact in series with the movement.
    pub fn movement_contact(&self) -> Ohms {
        self.main_contact.unwrap_or(self.contact)
    }

    /// Largest resistance of the contacts that the half-shunt method can't tell from its shunt and
    /// its movement: one shunt element's, half of the shunt switch's, and those before the movement.
    pub fn half_shunt_contacts(&self) -> Ohms {
        self.contact * 1.5 + self.movement_contact() * f64::from(self.movement_contacts)
    }
}
