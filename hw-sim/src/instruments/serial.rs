//! What instruments on serial lines say. Written from the makers' sheets, apart from the drivers.

mod chain;
mod coils;
mod digits;
mod four_byte;
mod plain;
mod suffix;
mod words;

use crate::bench::Bench;
use crate::faults::Place;
use crate::wiring::{CHANNELS, Wiring};

/// Which language an instrument speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Language {
    /// A supply of plain ASCII in fixed widths, without endings.
    Plain,
    /// A supply of fixed digits, CR and OK.
    Digits,
    /// A supply of header words and units.
    Suffix,
    /// A relay board of four bytes that answers nothing.
    FourByte,
    /// Relay boards in a chain, of four bytes with answers.
    FourByteAnswered,
    /// A Modbus RTU relay board, unit 1.
    Modbus,
    /// A relay board of words that repeats them and prompts.
    Words,
    /// A bridge to digital potentiometers.
    Pots,
}

impl Language {
    /// Whether a message is over when its ending has come; else when the line falls silent.
    pub(crate) fn ends_by_ending(self) -> bool {
        matches!(self, Self::Digits | Self::Suffix | Self::Words | Self::Pots)
    }

    /// Takes the first whole message out of what was heard, where its end can be seen.
    pub(crate) fn message(self, heard: &mut Vec<u8>) -> Option<Vec<u8>> {
        if !self.ends_by_ending() {
            return None;
        }
        let end = |byte: &u8| *byte == b'\r' || *byte == b'\n';
        let at = heard.iter().position(end)?;
        Some(heard.drain(..=at).collect())
    }

    fn place(self) -> Place {
        match self {
            Self::Plain | Self::Digits | Self::Suffix => Place::Supply,
            Self::Pots => Place::Bridge,
            _ => Place::Switch,
        }
    }
}

/// One instrument.
pub(crate) struct Voice {
    language: Language,
}

impl Voice {
    pub fn new(language: Language) -> Self {
        Voice { language }
    }

    pub fn language(&self) -> Language {
        self.language
    }

    /// Carries out one message and gives the answer, which may be empty.
    pub fn hear(&mut self, message: &[u8], bench: &mut Bench) -> Vec<u8> {
        bench.received(self.language.place());
        match self.language {
            Language::Plain => plain::hear(message, bench),
            Language::Digits => digits::hear(message, bench),
            Language::Suffix => suffix::hear(message, bench),
            Language::FourByte => four_byte::hear(message, bench),
            Language::FourByteAnswered => chain::hear(message, bench),
            Language::Modbus => coils::hear(message, bench),
            Language::Words => words::hear(message, bench),
            Language::Pots => bench.ask_bridge(text(message)).into_bytes(),
        }
    }

    /// As after power-on.
    pub fn start(&mut self, bench: &mut Bench) {
        match self.language.place() {
            _ if self.language == Language::Pots => bench.start_bridge(),
            Place::Switch => {
                let all: Vec<usize> = (0..CHANNELS.len()).collect();
                bench.switch(&all, false);
            }
            _ => {
                bench.supply.switch(false);
                bench.supply_changed();
            }
        }
    }
}

/// The relay of a channel.
fn relay(channel: usize) -> Option<usize> {
    isize::try_from(channel).ok().and_then(Wiring::index)
}

/// A message as text without its ending; nothing for what is no text.
fn text(message: &[u8]) -> &str {
    std::str::from_utf8(message)
        .unwrap_or_default()
        .trim_end_matches(['\r', '\n'])
}
