//! Fault files: TOML, one `[[fault]]` table for each, with errors that point at their place.

use super::{Fault, Faults, Place};
use crate::wiring::{Wiring, relay_of};
use serde::Deserialize;
use std::ops::Range;
use thiserror::Error;
use toml::Spanned;

/// What is wrong with a fault file, and where.
#[derive(Debug, Clone, Error, PartialEq, Eq)]
#[error("{file}:{line}:{column}: {message}")]
pub struct FaultFileError {
    /// File as named by the user.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong and what would be right.
    pub message: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    fault: Vec<Spanned<Fault>>,
}

impl Faults {
    /// Reads a fault file; `file` is its name for messages.
    ///
    /// # Errors
    /// The first thing that is wrong, with its place.
    pub fn parse(text: &str, file: &str) -> Result<Self, FaultFileError> {
        let located = |span: Range<usize>, message: String| at(text, file, span, message);
        let read: File = toml::from_str(text).map_err(|error| {
            let span = error.span().unwrap_or(0..0);
            located(span, error.message().to_owned())
        })?;
        for fault in &read.fault {
            fault
                .get_ref()
                .check()
                .map_err(|message| located(fault.span(), message))?;
        }
        let fault = read.fault.into_iter().map(Spanned::into_inner).collect();
        Ok(Faults { fault })
    }
}

fn at(text: &str, file: &str, span: Range<usize>, message: String) -> FaultFileError {
    let before = text.get(..span.start).unwrap_or(text);
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    FaultFileError {
        file: file.to_owned(),
        line: before.matches('\n').count() + 1,
        column: before[line_start..].chars().count() + 1,
        message,
    }
}

impl Fault {
    /// Whether such a fault is possible.
    ///
    /// # Errors
    /// Why not, and what would be right.
    pub fn check(&self) -> Result<(), String> {
        let name = self.name();
        if !self.kind.places().contains(&self.place) {
            let places: Vec<String> = self.kind.places().iter().map(told).collect();
            return Err(format!("\"{name}\" is possible at {}", places.join(", ")));
        }
        self.check_size(&name)?;
        self.check_channel(&name)?;
        let positive = |seconds: f64| (0.0..=1e6).contains(&seconds);
        if !positive(self.after_seconds) || !self.for_seconds.is_none_or(positive) {
            return Err("times must lie between 0 and 1e6 seconds".to_owned());
        }
        if self.place == Place::Movement && self.after_lines > 0 {
            return Err("a movement receives no lines; use after_seconds".to_owned());
        }
        if self.times.is_some() && !self.kind.countable() {
            return Err(format!("\"{name}\" can't be counted; use for_seconds"));
        }
        if self.for_seconds.is_some() && self.kind.once() {
            return Err(format!(
                "\"{name}\" lasts until the meter is configured anew; leave out for_seconds"
            ));
        }
        Ok(())
    }

    fn check_size(&self, name: &str) -> Result<(), String> {
        match (self.kind.size(), self.size) {
            (None, None) => Ok(()),
            (None, Some(_)) => Err(format!("\"{name}\" has no size")),
            (Some(limits), size) => match size {
                Some(size) if (limits.low..=limits.high).contains(&size) => Ok(()),
                _ => Err(format!(
                    "\"{name}\" needs a size between {} and {} ({})",
                    limits.low, limits.high, limits.unit
                )),
            },
        }
    }

    fn check_channel(&self, name: &str) -> Result<(), String> {
        let relay = match (self.kind.at_channel(), self.channel) {
            (false, None) => return Ok(()),
            (false, Some(_)) => return Err(format!("\"{name}\" has no channel")),
            (true, channel) => channel.and_then(relay_of),
        };
        match relay {
            None => Err(format!("\"{name}\" needs a relay channel of this bench")),
            Some(relay) if self.kind.of_element() && Wiring::element_of(relay).is_none() => {
                Err(format!("\"{name}\" needs the channel of an element"))
            }
            Some(_) => Ok(()),
        }
    }

    /// The kind as a fault file names it.
    pub fn name(&self) -> String {
        told(&self.kind)
    }
}

/// A name as a fault file has it.
fn told(name: &impl serde::Serialize) -> String {
    // Kinds and places are plain words, which can always be written.
    let quoted = toml::Value::try_from(name).ok();
    let word = quoted.as_ref().and_then(toml::Value::as_str);
    word.unwrap_or_default().to_owned()
}
