//! The rig file's shape, and errors that point at line and column.

use drivers::{Resource, Serial};
use quantity::{QuantityError, parse_percent};
use serde::Deserialize;
use std::ops::Range;
use std::str::FromStr;
use thiserror::Error;
use toml::Spanned;

/// What is wrong with a rig file, and where.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("{file}:{line}:{column}: {message}")]
pub struct RigError {
    /// File as named by the user.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong and what would be right.
    pub message: String,
    /// The line itself.
    pub source_line: String,
}

/// A text with its place in the file.
pub(super) type Text = Spanned<String>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RigFile {
    pub name: Text,
    #[serde(default)]
    pub simulated: bool,
    pub supply: SupplyFile,
    pub meters: MetersFile,
    pub switch: SwitchFile,
    pub path: Vec<PathFile>,
    pub series: SeriesFile,
    pub sense: Spanned<BankFile>,
    #[serde(default)]
    pub shunt: BankFile,
    pub reader: ReaderFile,
    pub limits: LimitsFile,
    #[serde(default)]
    pub protection: ProtectionFile,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SupplyFile {
    pub resource: Text,
    pub dialect: Text,
    pub serial: Option<Spanned<Serial>>,
    pub max_voltage: Text,
    pub max_current: Text,
    pub resolution: Text,
    pub current_resolution: Text,
    pub accuracy: Text,
    pub offset: Text,
    pub overshoot: Text,
    pub settle: Text,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct MetersFile {
    pub drop: MeterFile,
    pub r#loop: MeterFile,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct MeterFile {
    pub resource: Text,
    pub dialect: Option<Text>,
    pub serial: Option<Spanned<Serial>>,
    pub mains: Option<Text>,
    pub input: Text,
    pub calibrated: Option<String>,
    pub ranges: Spanned<Vec<RangeFile>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RangeFile {
    pub upper: Text,
    pub gain: Text,
    pub offset: Text,
    pub resolution: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SwitchFile {
    pub resource: Text,
    pub dialect: Text,
    pub serial: Option<Spanned<Serial>>,
    pub operate: Option<Text>,
    pub bounce: Option<Text>,
    pub contact: Text,
    pub main_contact: Option<Text>,
    pub dry_circuit: Text,
    pub leakage: Text,
    pub source: Spanned<u32>,
    pub short: Spanned<u32>,
    pub movement: Spanned<u32>,
    pub shunt: Option<Spanned<u32>>,
    pub reverse: Option<Spanned<u32>>,
    pub bypass: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PathFile {
    pub name: Text,
    pub fixed: Text,
    pub tolerance: Text,
    pub power: Text,
    pub contact: Option<Text>,
    pub channel: Spanned<u32>,
}

impl PathFile {
    /// The fixed resistor, as an element of a bank would be stated.
    pub fn fixed(&self) -> ElementFile {
        ElementFile {
            ohms: self.fixed.clone(),
            tolerance: self.tolerance.clone(),
            power: self.power.clone(),
            contact: self.contact.clone(),
            channel: self.channel.clone(),
        }
    }
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct BankFile {
    pub elements: Vec<ElementFile>,
}

/// The series bank: relays that short resistors, potentiometers, or a decade box.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SeriesFile {
    #[serde(default)]
    pub elements: Vec<ElementFile>,
    pub pots: Option<Spanned<PotsFile>>,
    pub r#box: Option<Spanned<BoxFile>>,
}

/// A decade box that a person sets.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct BoxFile {
    pub knobs: Spanned<Vec<Text>>,
    pub tolerance: Text,
    pub power: Text,
    pub contact: Text,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PotsFile {
    pub resource: Text,
    pub dialect: Text,
    pub serial: Option<Spanned<Serial>>,
    pub steps: Spanned<u16>,
    pub linearity: Spanned<f64>,
    pub power_up: Spanned<u16>,
    pub voltage: Text,
    pub current: Text,
    pub each: Spanned<Vec<PotFile>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PotFile {
    pub number: Spanned<u8>,
    pub ohms: Text,
    pub tolerance: Text,
    pub wiper: Text,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ElementFile {
    pub ohms: Text,
    pub tolerance: Text,
    pub power: Text,
    pub contact: Option<Text>,
    pub channel: Spanned<u32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ReaderFile {
    pub kind: Text,
    pub resource: Option<Text>,
    pub source: Option<Text>,
    pub dial: Option<Text>,
    pub recording: Option<Text>,
    pub exposure: Option<Text>,
    pub gain: Option<Spanned<i32>>,
    pub focus: Option<Spanned<i32>>,
    pub white_balance: Option<Spanned<i32>>,
    pub mains: Option<Text>,
    pub full_scale: Option<Text>,
    pub division: Option<Text>,
    pub shared: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LimitsFile {
    pub first_touch: Text,
    pub growth: Text,
    pub ceiling: Text,
    pub earn: Text,
    pub drop: Text,
    pub power: Text,
    pub unseen_drop: Option<Text>,
    pub near_full_scale: Text,
    pub slowest_period: Text,
    pub thermal_emf: Text,
    pub ambient: Option<Text>,
    pub ambient_u: Option<Text>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ProtectionFile {
    #[serde(default)]
    pub emergency_stop: bool,
    #[serde(default)]
    pub coil_dead_man: bool,
    pub trip: Option<Text>,
    pub trip_level: Option<Spanned<TripLevelFile>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TripLevelFile {
    pub channel: u32,
    pub lowest: Text,
    pub resolution: Text,
    pub accuracy: Text,
}

/// Turns places in the file into errors, and texts into checked values.
pub(super) struct Reader<'a> {
    pub file: &'a str,
    pub text: &'a str,
}

impl Reader<'_> {
    pub fn read(&self) -> Result<RigFile, RigError> {
        toml::from_str(self.text).map_err(|error| {
            let span = error.span().unwrap_or(0..0);
            self.error(span, error.message().trim().to_owned())
        })
    }

    pub fn error(&self, span: Range<usize>, message: impl Into<String>) -> RigError {
        let start = span.start.min(self.text.len());
        let before = &self.text[..self.text.floor_char_boundary(start)];
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        RigError {
            file: self.file.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            message: message.into(),
            source_line: self.text[line_start..]
                .lines()
                .next()
                .unwrap_or("")
                .to_owned(),
        }
    }

    /// A text read as `T`; its own error text tells what would be right.
    pub fn parse<T: FromStr<Err: std::fmt::Display>>(&self, text: &Text) -> Result<T, RigError> {
        text.as_ref()
            .parse()
            .map_err(|error: T::Err| self.error(text.span(), error.to_string()))
    }

    /// How a serial port is set, where the file says it; only serial ports have such settings.
    pub fn serial(
        &self,
        resource: &Text,
        serial: Option<&Spanned<Serial>>,
    ) -> Result<Option<Serial>, RigError> {
        let Some(serial) = serial else {
            return Ok(None);
        };
        match self.parse(resource)? {
            Resource::Serial { .. } => Ok(Some(serial.get_ref().clone())),
            other => {
                let message = format!("{other} is no serial port; leave \"serial\" out");
                Err(self.error(serial.span(), message))
            }
        }
    }

    /// A quantity that must be above zero.
    pub fn positive<T>(&self, text: &Text) -> Result<T, RigError>
    where
        T: FromStr<Err = QuantityError> + Default + PartialOrd,
    {
        let value: T = self.parse(text)?;
        if value > T::default() {
            return Ok(value);
        }
        Err(self.error(
            text.span(),
            format!("\"{}\" must be above zero", text.as_ref()),
        ))
    }

    /// A quantity that may be zero but not negative.
    pub fn not_negative<T>(&self, text: &Text) -> Result<T, RigError>
    where
        T: FromStr<Err = QuantityError> + Default + PartialOrd,
    {
        let value: T = self.parse(text)?;
        if value >= T::default() {
            return Ok(value);
        }
        Err(self.error(
            text.span(),
            format!("\"{}\" must not be negative", text.as_ref()),
        ))
    }

    /// A share between `low` and `high`, both included.
    pub fn share(&self, text: &Text, low: f64, high: f64) -> Result<f64, RigError> {
        let value = parse_percent(text.as_ref())
            .map_err(|error| self.error(text.span(), error.to_string()))?;
        if (low..=high).contains(&value) {
            return Ok(value);
        }
        let (low, high) = (low * 100.0, high * 100.0);
        let message = format!(
            "\"{}\" must lie between {low} % and {high} %",
            text.as_ref()
        );
        Err(self.error(text.span(), message))
    }

    /// A plain number.
    pub fn number(&self, text: &Text) -> Result<f64, RigError> {
        let value: f64 = self.parse(text)?;
        if value.is_finite() {
            return Ok(value);
        }
        Err(self.error(
            text.span(),
            format!("\"{}\" is not a finite number", text.as_ref()),
        ))
    }
}
