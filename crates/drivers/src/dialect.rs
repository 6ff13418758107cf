//! Dialects: what instruments say on the wire, as TOML files.
//!
//! Built-in dialects are part of the program; any file in the same form does as well. The head of
//! each built-in file explains its entries.

use crate::board::BoardWords;
use crate::frame::{Framing, Wire};
use crate::meter::MeterWords;
use crate::pots::PotWords;
use crate::reading::Numbers;
use crate::serial::Serial;
use crate::supply::SupplyWords;
use crate::switch::SwitchWords;
use crate::words::Command;
use serde::Deserialize;
use std::fmt;
use std::ops::Range;
use std::path::Path;
use thiserror::Error;

/// Pairs of a dialect's name and its text.
macro_rules! built_in {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("../../../rigs/dialects/", $name, ".toml")))),+]
    };
}

/// Dialects that are part of the program, by name.
const BUILT_IN: [(&str, &str); 17] = built_in![
    "scpi-supply",
    "scpi-meter",
    "scpi-switch",
    "inp-imp-meter",
    "aim-tti-supply",
    "plain-ascii-supply",
    "fixed-digit-supply",
    "four-byte-switch",
    "answered-four-byte-switch",
    "modbus-switch",
    "prompt-switch",
    "bridge-pots",
    "by-hand-supply",
    "by-hand-switch",
    "by-hand-pots",
    "simulated-supply",
    "simulated-switch",
];

/// Longest dialect file, in bytes.
const LONGEST_FILE: usize = 1 << 20;

/// What kind of instrument a dialect is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A voltage source with a current limit.
    Supply,
    /// A DC voltmeter.
    Meter,
    /// A relay unit.
    Switch,
    /// Digital potentiometers.
    Pots,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Supply => "supply",
            Self::Meter => "meter",
            Self::Switch => "switch",
            Self::Pots => "pots",
        })
    }
}

/// The words of one kind of instrument.
#[derive(Clone, Debug, PartialEq)]
pub enum Words {
    /// Of a supply.
    Supply(Box<SupplyWords>),
    /// Of a voltmeter.
    Meter(Box<MeterWords>),
    /// Of a switch unit that speaks in lines.
    Switch(Box<SwitchWords>),
    /// Of a relay board that speaks in binary frames.
    Board(Box<BoardWords>),
    /// Of digital potentiometers.
    Pots(PotWords),
}

/// What all kinds say: the `[common]` table.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Common {
    /// Sent first after connecting, such as a change to remote control.
    #[serde(default)]
    pub hello: Vec<Command>,
    /// Sent last, such as a change to local control: the front panel is not left locked.
    #[serde(default)]
    pub goodbye: Vec<Command>,
    /// Asks who is there.
    pub identify: Command,
    /// Clears the status and the error queue.
    pub clear: Option<Command>,
    /// Asks for the oldest entry of the error queue.
    pub errors: Option<Command>,
    /// Is answered by `1` when all earlier commands are done.
    pub barrier: Option<Command>,
}

/// What one model, or a family of models, says on the wire.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// The file's name without its ending.
    pub name: String,
    /// Parts of the identity by which a fitting model is known. When there are none, any identity
    /// of four fields (maker, model, serial number, firmware) is taken.
    pub models: Vec<String>,
    /// How to talk.
    pub wire: Wire,
    /// What all kinds say that speak in lines.
    pub common: Option<Common>,
    /// How numbers are written.
    pub numbers: Numbers,
    /// What this kind says.
    pub words: Words,
}

impl Dialect {
    /// Whether it is one of a switch unit that has an analog output.
    pub fn sets_levels(&self) -> bool {
        match &self.words {
            Words::Switch(words) => words.set_level.is_some() && words.level.is_some(),
            _ => false,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    models: Vec<String>,
    wire: Wire,
    common: Option<Common>,
    #[serde(default)]
    numbers: Numbers,
    supply: Option<SupplyWords>,
    meter: Option<MeterWords>,
    switch: Option<SwitchWords>,
    board: Option<BoardWords>,
    pots: Option<PotWords>,
}

/// Why a dialect cannot be used, with the place in its file.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
#[error("{file}, line {line}, column {column}: {message}")]
pub struct DialectError {
    /// The file, or the name of the built-in dialect.
    pub file: String,
    /// Line, from 1; 0 where no place can be given.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong, and what would be right.
    pub message: String,
}

/// Something wrong at a place in the text.
struct Fault {
    at: Option<Range<usize>>,
    message: String,
}

impl Dialect {
    /// Reads the text of a dialect file; `file` is its name for messages.
    ///
    /// # Errors
    /// When the text is no TOML, has unknown or missing entries, or words that cannot be sent.
    pub fn parse(file: &str, text: &str) -> Result<Self, DialectError> {
        Self::parse_inner(file, text).map_err(|fault| {
            let (line, column) = fault.at.map_or((0, 0), |span| place(text, span.start));
            DialectError {
                file: file.to_owned(),
                line,
                column,
                message: fault.message,
            }
        })
    }

    fn parse_inner(file: &str, text: &str) -> Result<Self, Fault> {
        if text.len() > LONGEST_FILE {
            let message = format!("a dialect file has at most {LONGEST_FILE} bytes");
            return Err(Fault { at: None, message });
        }
        let read: File = toml::from_str(text).map_err(|error| Fault {
            at: error.span(),
            message: error.message().to_owned(),
        })?;
        let tables = [
            read.supply.map(|words| Words::Supply(Box::new(words))),
            read.meter.map(|words| Words::Meter(Box::new(words))),
            read.switch.map(|words| Words::Switch(Box::new(words))),
            read.board.map(|words| Words::Board(Box::new(words))),
            read.pots.map(Words::Pots),
        ];
        let mut tables = tables.into_iter().flatten();
        let (Some(words), None) = (tables.next(), tables.next()) else {
            let message = "exactly one of the tables [supply], [meter], [switch], [board] and \
                           [pots] is needed";
            return Err(Fault {
                at: Some(0..0),
                message: message.to_owned(),
            });
        };
        if let Words::Meter(meter) = &words
            && let Some(line) = meter.beyond_dc_volts()
        {
            let message = format!(
                "\"{line}\" does not stay with DC volts; a meter that can reach a movement never \
                 enters another function, since its ohms ranges alone drive up to 1 mA"
            );
            return Err(Fault {
                at: text.find(line).map(|at| at..at),
                message,
            });
        }
        let frames = matches!(words, Words::Board(_));
        if frames != (read.wire.reply == Framing::Frame) {
            let message = "boards of the table [board] have reply = \"frame\", and only they";
            return Err(Fault {
                at: text.find("reply").map(|at| at..at),
                message: message.to_owned(),
            });
        }
        if read.common.is_none() && !frames {
            let message = "the table [common] is missing; it says how the instrument is identified";
            return Err(Fault {
                at: Some(0..0),
                message: message.to_owned(),
            });
        };
        let stem = Path::new(file)
            .file_stem()
            .and_then(|stem| stem.to_str())
            .unwrap_or(file);
        let File {
            models,
            wire,
            common,
            numbers,
            ..
        } = read;
        Ok(Self {
            name: stem.to_owned(),
            models,
            wire,
            common,
            numbers,
            words,
        })
    }

    /// A dialect that is part of the program.
    ///
    /// # Errors
    /// When there is none of that name; the message lists those that there are.
    pub fn built_in(name: &str) -> Result<Self, DialectError> {
        match BUILT_IN.iter().find(|(known, _)| *known == name) {
            Some((_, text)) => Self::parse(name, text),
            None => Err(DialectError {
                file: name.to_owned(),
                line: 0,
                column: 0,
                message: format!(
                    "there is no such built-in dialect; there are {}",
                    Self::built_in_names().collect::<Vec<_>>().join(", ")
                ),
            }),
        }
    }

    /// Names of the dialects that are part of the program.
    pub fn built_in_names() -> impl Iterator<Item = &'static str> {
        BUILT_IN.iter().map(|(name, _)| *name)
    }

    /// Reads a dialect file.
    ///
    /// # Errors
    /// When it cannot be read, or as [`Dialect::parse`].
    pub fn load(path: &Path) -> Result<Self, DialectError> {
        let file = path.display().to_string();
        match std::fs::read_to_string(path) {
            Ok(text) => Self::parse(&file, &text),
            Err(error) => Err(DialectError {
                file,
                line: 0,
                column: 0,
                message: error.to_string(),
            }),
        }
    }

    /// The dialect `name` from `folder`, else the built-in one.
    ///
    /// # Errors
    /// As [`Dialect::load`] and [`Dialect::built_in`].
    pub fn find(name: &str, folder: Option<&Path>) -> Result<Self, DialectError> {
        let path = folder.map(|folder| folder.join(format!("{name}.toml")));
        match path.filter(|path| path.is_file()) {
            Some(path) => Self::load(&path),
            None => Self::built_in(name),
        }
    }

    /// The dialect with a serial port set as the rig file has it, where it says anything.
    #[must_use]
    pub fn on_port(mut self, serial: Option<&Serial>) -> Self {
        if let Some(serial) = serial {
            self.wire.serial = serial.clone();
        }
        self
    }

    /// What kind of instrument it is for.
    pub fn kind(&self) -> Kind {
        match self.words {
            Words::Supply(_) => Kind::Supply,
            Words::Meter(_) => Kind::Meter,
            Words::Switch(_) | Words::Board(_) => Kind::Switch,
            Words::Pots(_) => Kind::Pots,
        }
    }

    /// Whether an instrument of this identity may be spoken to in this dialect.
    pub fn fits(&self, identity: &str) -> bool {
        if identity.trim().is_empty() {
            false
        } else if self.models.is_empty() {
            identity.split(',').count() >= 4
        } else {
            self.models
                .iter()
                .any(|model| identity.contains(model.as_str()))
        }
    }
}

/// Line and column of a byte position, both from 1.
fn place(text: &str, at: usize) -> (usize, usize) {
    let before = text.get(..at).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before
        .rsplit('\n')
        .next()
        .map_or(0, |last| last.chars().count())
        + 1;
    (line, column)
}
