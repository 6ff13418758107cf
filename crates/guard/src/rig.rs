//! The rig as its file states it, checked: what is connected where, with the figures that the
//! guard needs. A [`Rig`] can only be made by [`Rig::parse`], so holding one means it was checked.

mod file;
mod hands;
mod pots;
mod range;
mod reader;
mod review;
mod trip;
mod validate;

pub use file::RigError;
pub use hands::{Lead, Part};
pub use pots::{Pot, PotBank};
pub use range::Range;
pub use reader::{CameraSettings, CameraSource, CameraSpec, PersonSpec, ReaderSpec};
pub use review::{Finding, Review};
pub use trip::{Trip, TripLevel};

use drivers::{Resource, Serial};
use evidence::{Element as StatedElement, MeterRange, RigStatement};
use quantity::{Amps, Ohms, Seconds, Volts, Watts};
use std::path::PathBuf;

/// A resistor that a relay puts into or out of the circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct Element {
    /// Stated resistance.
    pub ohms: Ohms,
    /// Tolerance half-width, as a fraction.
    pub tolerance: f64,
    /// Power rating.
    pub power: Watts,
    /// Largest resistance of its closed contact.
    pub contact: Ohms,
    /// Relay channel.
    pub channel: u32,
}

impl Element {
    /// Least resistance within tolerance.
    pub fn low(&self) -> Ohms {
        self.ohms * (1.0 - self.tolerance)
    }

    /// Largest resistance within tolerance.
    pub fn high(&self) -> Ohms {
        self.ohms * (1.0 + self.tolerance)
    }

    fn stated(&self) -> StatedElement {
        StatedElement {
            ohms: self.ohms,
            tolerance: self.tolerance,
        }
    }
}

/// A path: a fixed resistor that no relay can short.
#[derive(Clone, Debug, PartialEq)]
pub struct Path {
    /// Name in the rig file.
    pub name: String,
    /// The fixed resistor.
    pub fixed: Element,
    /// The most that one fault can drive: supply maximum over the least fixed resistance.
    pub fault_current: Amps,
}

/// The supply as stated.
#[derive(Clone, Debug)]
pub struct SupplySpec {
    pub(crate) resource: Resource,
    pub(crate) dialect: String,
    pub(crate) serial: Option<Serial>,
    /// Highest voltage it can be set to.
    pub max_voltage: Volts,
    /// Highest current it can deliver.
    pub max_current: Amps,
    /// Smallest step of the voltage set-point.
    pub resolution: Volts,
    /// Smallest step of the current limit.
    pub current_resolution: Amps,
    /// Gain error half-width of the set-point, as a fraction.
    pub accuracy: f64,
    /// Offset error half-width of the set-point.
    pub offset: Volts,
    /// Largest overshoot of an upward step, as a fraction of the step.
    pub overshoot: f64,
    /// Time until a step has settled.
    pub settle: Seconds,
}

/// The highest set-point of a supply with steps of `grid` that is not above `volts`. One on the grid stays
/// where it is, whatever its last bit.
pub(crate) fn on_grid(volts: Volts, grid: Volts) -> Volts {
    grid * (volts / grid + 1e-9).floor()
}

impl SupplySpec {
    /// Whether a person sets it, asked at the terminal.
    pub fn by_hand(&self) -> bool {
        self.resource == Resource::ByHand
    }

    /// What the driver may set.
    pub(crate) fn limits(&self) -> drivers::Limits {
        drivers::Limits {
            min_voltage: Volts::ZERO,
            max_voltage: self.max_voltage,
            voltage_step: self.resolution,
            max_current: self.max_current,
            current_step: self.current_resolution,
        }
    }

    /// The lowest voltage at the terminals when `set` was asked for, and reached.
    pub fn lowest(&self, set: Volts) -> Volts {
        (set * (1.0 - self.accuracy) - self.offset).max(Volts::ZERO)
    }

    /// The highest voltage at the terminals when `set` was asked for, coming from `from`.
    pub fn highest(&self, set: Volts, from: Volts) -> Volts {
        let step = (set - from).max(Volts::ZERO);
        set * (1.0 + self.accuracy) + self.offset + step * self.overshoot
    }
}

/// A voltmeter as stated.
#[derive(Clone, Debug)]
pub struct MeterSpec {
    pub(crate) resource: Resource,
    pub(crate) dialect: String,
    pub(crate) serial: Option<Serial>,
    pub(crate) mains: Seconds,
    /// Input resistance in the mode used.
    pub input: Ohms,
    /// Date of the last calibration, as written in the file.
    pub calibrated: Option<String>,
    /// Ranges, smallest first.
    pub ranges: Vec<MeterRange>,
}

impl MeterSpec {
    /// Whether a person holds it and types what it shows.
    pub fn by_hand(&self) -> bool {
        self.resource == Resource::ByHand
    }

    /// The smallest range that holds `volts`; the largest one when none does.
    pub fn range_for(&self, volts: Volts) -> &MeterRange {
        self.ranges
            .iter()
            .find(|range| range.full_scale >= volts.get().abs())
            .unwrap_or(&self.ranges[self.ranges.len() - 1])
    }
}

/// The switch unit and which channel does what.
#[derive(Clone, Debug)]
pub struct SwitchSpec {
    pub(crate) resource: Resource,
    pub(crate) dialect: String,
    pub(crate) serial: Option<Serial>,
    /// Longest operate or release time.
    pub operate: Seconds,
    /// Longest bounce.
    pub bounce: Seconds,
    /// Largest resistance of one closed contact.
    pub contact: Ohms,
    /// Largest resistance of one closed contact of source, movement, polarity or bypass.
    pub main_contact: Ohms,
    /// The least current that the contacts are rated for: below it, films on them may not break.
    pub dry_circuit: Amps,
    /// Leakage around an open movement.
    pub leakage: Amps,
    pub(crate) source: u32,
    pub(crate) short: u32,
    pub(crate) movement: u32,
    pub(crate) shunt: Option<u32>,
    pub(crate) reverse: Option<u32>,
    pub(crate) bypass: Option<u32>,
}

impl SwitchSpec {
    /// Whether a person plugs leads in place of relays.
    pub fn by_hand(&self) -> bool {
        self.resource == Resource::ByHand
    }
}

/// The limits that the guard keeps.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// The most current without any evidence.
    pub first_touch: Amps,
    /// Growth per observed second while nothing has moved, as a fraction.
    pub growth: f64,
    /// Highest deflection, as a fraction of scale.
    pub ceiling: f64,
    /// Share of a path's fault current that the full-scale current must be proven to reach.
    pub earn: f64,
    /// Highest drop across the movement.
    pub drop: Volts,
    /// Highest power in the movement.
    pub power: Watts,
    /// Drop at which growth ends unless the needle has been seen to move.
    pub unseen_drop: Volts,
    /// Longest time above 90 % of scale in one run.
    pub near_full_scale: Seconds,
    /// Longest free period to be prepared for.
    pub slowest_period: Seconds,
    /// Thermal EMF of the drop connection, half-width.
    pub thermal_emf: Volts,
    /// Ambient temperature in °C and its standard uncertainty.
    pub ambient: Option<(f64, f64)>,
}

/// What is fitted beside the guard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Protection {
    /// An emergency stop in the coil supply.
    pub emergency_stop: bool,
    /// A dead-man in the coil supply.
    pub coil_dead_man: bool,
    /// A hardware comparator that closes the short and opens the source contact.
    pub trip: Option<Trip>,
}

/// A checked rig.
#[derive(Clone, Debug)]
pub struct Rig {
    /// Name in the rig file.
    pub name: String,
    /// The file's text as it was read.
    pub text: String,
    /// Folder with dialect files of the user's own, beside the rig file.
    pub(crate) dialects: Option<PathBuf>,
    /// Whether the file says that this is a simulation.
    pub simulated: bool,
    /// The supply.
    pub supply: SupplySpec,
    /// The meter across the movement.
    pub drop_meter: MeterSpec,
    /// The meter across the sense element.
    pub loop_meter: MeterSpec,
    /// The switch unit.
    pub switch: SwitchSpec,
    /// Paths, lightest first.
    pub paths: Vec<Path>,
    /// Series bank of relays; empty where it is of potentiometers, or where there is none.
    pub series: Vec<Element>,
    /// Series bank of digital potentiometers.
    pub pots: Option<PotBank>,
    /// Sense bank.
    pub sense: Vec<Element>,
    /// Shunt bank; may be empty.
    pub shunt: Vec<Element>,
    /// Who reads the needle.
    pub reader: ReaderSpec,
    /// Limits.
    pub limits: Limits,
    /// What is fitted.
    pub protection: Protection,
}

impl Rig {
    /// Reads and checks a rig file.
    ///
    /// # Errors
    /// The first thing wrong, with line and column, and what would be right.
    pub fn parse(text: &str, file: &str) -> Result<Self, RigError> {
        validate::rig(text, file)
    }

    /// Whether a person belongs to it, who is asked at the terminal.
    pub fn asks_people(&self) -> bool {
        let bank = self.pots.as_ref().is_some_and(PotBank::by_hand);
        self.read_by_person() || self.supply.by_hand() || self.probed_by_hand() || bank
    }

    /// Whether a person holds the meters to the circuit and types what they show.
    pub fn probed_by_hand(&self) -> bool {
        self.loop_meter.by_hand()
    }

    /// Whether a person reads the needle: then the current grows step by step.
    pub fn read_by_person(&self) -> bool {
        matches!(self.reader, ReaderSpec::Person(_))
    }

    /// All relay channels that have a job.
    pub fn channels(&self) -> Vec<u32> {
        let banks = self
            .series
            .iter()
            .chain(&self.sense)
            .chain(&self.shunt)
            .map(|e| e.channel);
        let paths = self.paths.iter().map(|path| path.fixed.channel);
        let named = [self.switch.source, self.switch.short, self.switch.movement];
        let optional = [self.switch.shunt, self.switch.reverse, self.switch.bypass];
        named
            .into_iter()
            .chain(optional.into_iter().flatten())
            .chain(paths)
            .chain(banks)
            .collect()
    }

    /// Closed contacts between the shunt bank and the movement: the movement switch, and the two
    /// of a polarity contact.
    pub fn movement_contacts(&self) -> u32 {
        if self.switch.reverse.is_some() { 3 } else { 1 }
    }

    /// What an analysis may rely on.
    pub fn statement(&self) -> RigStatement {
        RigStatement {
            name: self.name.clone(),
            sense: self.sense.iter().map(Element::stated).collect(),
            shunt: self.shunt.iter().map(Element::stated).collect(),
            contact: self.switch.contact,
            movement_contacts: self.movement_contacts(),
            main_contact: Some(self.switch.main_contact),
            thermal_emf: self.limits.thermal_emf.get(),
            drop_input: self.drop_meter.input,
            loop_input: Some(self.loop_meter.input),
            drop_meter: self.drop_meter.ranges.clone(),
            loop_meter: self.loop_meter.ranges.clone(),
            ambient: self.limits.ambient,
            slowest_period: self.limits.slowest_period,
        }
    }
}
