//! A DC voltmeter.
//!
//! There is no function for ohms or current here, and a dialect that names one is refused: bench
//! meters drive up to 1 mA from 9 V in their ohms ranges, which bends most pointers.

use crate::dialect::{Dialect, Kind, Words};
use crate::error::DriverError;
use crate::link::{Link, LinkState};
use crate::reading::Reading;
use crate::session::Session;
use crate::words::{Command, Flag, Query, Template, time};
use quantity::Volts;
use serde::Deserialize;
use std::time::Duration;

/// What a voltmeter says: the `[meter]` table of a dialect.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeterWords {
    /// Selects DC volts with a fixed range.
    pub configure: Template,
    /// Asks for the range.
    pub range: Query,
    /// Sets the integration time in periods of the mains.
    pub set_nplc: Template,
    /// Asks for the integration time.
    pub nplc: Query,
    /// Selects the highest input resistance.
    pub high_impedance_on: Option<Command>,
    /// Asks whether the highest input resistance is selected.
    pub high_impedance: Option<Command>,
    /// Switches the automatic zero on.
    pub autozero_on: Option<Command>,
    /// Selects a trigger that does not wait.
    pub trigger: Option<Command>,
    /// Selects one reading for each trigger.
    pub one_sample: Option<Command>,
    /// Triggers and returns a fresh reading.
    pub read: Query,
    /// Upper ends of its ranges, in volts.
    pub ranges: Vec<f64>,
    /// Integration times that it has, in periods of the mains.
    pub nplcs: Vec<f64>,
    /// Frequency of the mains in hertz. The lower of the two in use gives the longer deadline.
    #[serde(default = "fifty")]
    pub mains_hz: f64,
    /// Time that it spends besides integrating: trigger delay, change of range.
    #[serde(default, deserialize_with = "time")]
    pub overhead: Duration,
}

fn fifty() -> f64 {
    50.0
}

impl MeterWords {
    /// A command that selects another function than DC volts, where there is one.
    pub(crate) fn beyond_dc_volts(&self) -> Option<&str> {
        let optional = [
            &self.high_impedance_on,
            &self.high_impedance,
            &self.autozero_on,
            &self.trigger,
            &self.one_sample,
        ];
        let plain = optional.into_iter().flatten().map(Command::text);
        let asked = [&self.range, &self.nplc, &self.read].map(|query| query.ask.text());
        let set = [&self.configure, &self.set_nplc].map(Template::text);
        plain
            .chain(asked)
            .chain(set)
            .find(|line| other_function(line))
    }
}

/// Whether a word of `line` is a function other than DC volts, in short or long form.
fn other_function(line: &str) -> bool {
    const OTHERS: [&str; 11] = [
        "RES", "FRES", "CURR", "CONT", "DIOD", "CAP", "TEMP", "FREQ", "PER", "OHM", "AC",
    ];
    let words = line.split(|c: char| !c.is_ascii_alphabetic());
    let upper = words.map(str::to_ascii_uppercase);
    upper.into_iter().any(|word| {
        let long = [
            "RESISTANCE",
            "FRESISTANCE",
            "CURRENT",
            "CONTINUITY",
            "DIODE",
            "OHMS",
        ];
        OTHERS.contains(&word.as_str()) || long.contains(&word.as_str())
    })
}

/// A DC voltmeter.
#[derive(Debug)]
pub struct Meter {
    session: Session,
    words: MeterWords,
    deadline: Option<Duration>,
}

impl Meter {
    /// Clears the status, checks the identity and empties the error queue. The function stays as
    /// it is until [`Meter::configure_dc_volts`].
    ///
    /// # Errors
    /// When the dialect is not for a meter, or the instrument does not answer as it should.
    pub async fn open(link: Link, dialect: &Dialect) -> Result<Self, DriverError> {
        let Words::Meter(words) = &dialect.words else {
            return Err(Session::wrong_kind(link.name(), dialect, Kind::Meter));
        };
        let session = Session::open(link, dialect).await?;
        Ok(Self {
            session,
            words: (**words).clone(),
            deadline: None,
        })
    }

    /// Gives the instrument back to its front panel in the words of its dialect, where it has some:
    /// the last thing said, on a link in whatever state. A failure is only logged.
    pub async fn give_back(&mut self) {
        self.session.release().await;
    }

    /// The answer to the identity question.
    pub fn identity(&self) -> &str {
        self.session.identity()
    }

    /// What it is called in messages.
    pub fn name(&self) -> &str {
        self.session.name()
    }

    /// Whether its link is in step.
    pub fn state(&self) -> LinkState {
        self.session.state()
    }

    /// Upper ends of its ranges, in volts.
    pub fn ranges(&self) -> &[f64] {
        &self.words.ranges
    }

    /// Selects DC volts with a fixed range and integration time, then the highest input
    /// resistance (selecting a function sets it back), automatic zero and one reading for each
    /// trigger; and compares the read-backs.
    ///
    /// # Errors
    /// When range or time are none of the meter's, a read-back differs, or the meter reports an
    /// error.
    pub async fn configure_dc_volts(&mut self, range: Volts, nplc: f64) -> Result<(), DriverError> {
        self.one_of("range", "V", range.get(), &self.words.ranges)?;
        self.one_of("integration time", "PLC", nplc, &self.words.nplcs)?;
        self.deadline = None;
        let words = &self.words;
        self.session.set(&words.configure, &range.get()).await?;
        for command in [&words.high_impedance_on, &words.autozero_on]
            .into_iter()
            .flatten()
        {
            self.session.tell(command.text()).await?;
        }
        self.session.set(&words.set_nplc, &nplc).await?;
        for command in [&words.trigger, &words.one_sample].into_iter().flatten() {
            self.session.tell(command.text()).await?;
        }
        let got = self.session.set_point(&words.range, "V").await?;
        compare(&self.session, words.configure.text(), range.get(), got)?;
        let got = self.session.set_point(&words.nplc, "").await?;
        compare(&self.session, words.set_nplc.text(), nplc, got)?;
        if let (Some(on), Some(ask)) = (&words.high_impedance_on, &words.high_impedance)
            && !self.session.truth(&Flag::Plain(ask.clone())).await?
        {
            let (set, got) = ("on".to_owned(), "off".to_owned());
            let (instrument, command) = (self.session.name().to_owned(), on.text().to_owned());
            return Err(DriverError::ReadBack {
                instrument,
                command,
                set,
                got,
            });
        }
        self.session.no_errors(words.configure.text()).await?;
        self.deadline = Some(self.time_for(1, nplc));
        Ok(())
    }

    /// One fresh reading, in volts.
    ///
    /// # Errors
    /// When the meter has not been configured, or the reading does not come in the time that its
    /// settings need.
    pub async fn read(&mut self) -> Result<Reading, DriverError> {
        let none = || DriverError::NoLimit {
            instrument: self.session.name().to_owned(),
            what: "a reading before a range",
        };
        let deadline = self.deadline.ok_or_else(none)?;
        self.session.number(&self.words.read, "V", deadline).await
    }

    /// Empties the error queue.
    ///
    /// # Errors
    /// When it has no end, or as the link has it.
    pub async fn errors(&mut self) -> Result<Vec<(i32, String)>, DriverError> {
        self.session.errors().await
    }

    /// Longest time that `samples` readings may take: twice what their settings need, and one
    /// second.
    fn time_for(&self, samples: u32, nplc: f64) -> Duration {
        let zeroes = if self.words.autozero_on.is_some() {
            2.0
        } else {
            1.0
        };
        let integrating = f64::from(samples) * zeroes * nplc / self.words.mains_hz;
        let integrating = Duration::try_from_secs_f64(integrating).unwrap_or(Duration::MAX / 4);
        let once = integrating.saturating_add(self.words.overhead + self.session.deadline());
        once.saturating_mul(2)
            .saturating_add(Duration::from_secs(1))
    }

    fn one_of(
        &self,
        what: &'static str,
        unit: &str,
        value: f64,
        list: &[f64],
    ) -> Result<(), DriverError> {
        if list.contains(&value) {
            return Ok(());
        }
        let each = list
            .iter()
            .map(|value| format!("{value} {unit}"))
            .collect::<Vec<_>>();
        Err(DriverError::OutOfRange {
            instrument: self.name().to_owned(),
            what,
            value: format!("{value} {unit}"),
            allowed: each.join(", "),
        })
    }
}

fn compare(session: &Session, words: &str, set: f64, got: f64) -> Result<(), DriverError> {
    if (got - set).abs() <= 1e-6 * set.abs() {
        return Ok(());
    }
    Err(DriverError::ReadBack {
        instrument: session.name().to_owned(),
        command: words.replace("{}", &set.to_string()),
        set: set.to_string(),
        got: got.to_string(),
    })
}

#[cfg(test)]
mod tests {
    use super::other_function;

    #[test]
    fn only_dc_volts_may_be_named() {
        for line in [
            ":CONF:VOLT:DC {}",
            ":INP:IMP:AUTO ON",
            ":TRIG:SOUR IMM",
            ":READ?",
        ] {
            assert!(!other_function(line), "{line}");
        }
        for line in [
            ":CONF:RES {}",
            ":conf:fres {}",
            ":CONF:CURR:DC {}",
            ":FUNC \"RES\"",
            "OHMS",
        ] {
            assert!(other_function(line), "{line}");
        }
    }
}
