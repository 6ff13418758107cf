//! A voltage source with a current limit.

use crate::dialect::{Dialect, Kind, Words};
use crate::error::DriverError;
use crate::link::{Link, LinkState};
use crate::reading::Reading;
use crate::session::Session;
use crate::words::{Command, Flag, Query, Template, amps, volts};
use quantity::{Amps, Volts};
use serde::Deserialize;
use std::fmt;

mod watchdog;

pub use watchdog::WatchdogWords;

/// What a supply says: the `[supply]` table of a dialect.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SupplyWords {
    /// Sets the voltage.
    pub set_voltage: Template,
    /// Asks for the voltage set.
    pub voltage: Query,
    /// Sets the current limit.
    pub set_current: Template,
    /// Asks for the current limit set.
    pub current: Query,
    /// Sets the over-voltage protection.
    pub set_protection: Option<Template>,
    /// Asks for the over-voltage protection set.
    pub protection: Option<Query>,
    /// Arms the over-voltage protection.
    pub protection_on: Option<Command>,
    /// Asks whether the over-voltage protection has tripped.
    pub tripped: Option<Flag>,
    /// Switches the output on.
    pub output_on: Command,
    /// Switches the output off.
    pub output_off: Command,
    /// Asks whether the output is on.
    pub output: Flag,
    /// Measures the voltage at the terminals.
    pub measure_voltage: Query,
    /// Measures the current.
    pub measure_current: Query,
    /// Its own watchdog.
    pub watchdog: Option<WatchdogWords>,
    /// What the model can do. Without it the rig file must say.
    pub limits: Option<Limits>,
}

/// What a supply can be set to.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Lowest voltage that it takes. Some do not answer below one.
    #[serde(deserialize_with = "volts")]
    pub min_voltage: Volts,
    /// Highest voltage.
    #[serde(deserialize_with = "volts")]
    pub max_voltage: Volts,
    /// Resolution of the voltage.
    #[serde(deserialize_with = "volts")]
    pub voltage_step: Volts,
    /// Highest current limit.
    #[serde(deserialize_with = "amps")]
    pub max_current: Amps,
    /// Resolution of the current limit.
    #[serde(deserialize_with = "amps")]
    pub current_step: Amps,
}

/// A voltage source with a current limit.
#[derive(Debug)]
pub struct Supply {
    session: Session,
    words: SupplyWords,
    limits: Option<Limits>,
}

impl Supply {
    /// Clears the status, checks the identity and empties the error queue. Never energises.
    ///
    /// # Errors
    /// When the dialect is not for a supply, or the instrument does not answer as it should.
    pub async fn open(link: Link, dialect: &Dialect) -> Result<Self, DriverError> {
        let words = Self::words(&link, dialect)?;
        Session::heard_meanwhile(&link)?;
        let session = Session::open(link, dialect).await?;
        session.sendable(words.output_off.text())?;
        Ok(Self::over(session, words))
    }

    /// Goes on with the instrument of that `identity`, as another process has left it. Asks nothing:
    /// an emergency command can go out at once, all others only after the identity was compared.
    ///
    /// # Errors
    /// When the dialect is not for a supply, or a new connection takes no greeting.
    pub async fn resume(
        link: Link,
        dialect: &Dialect,
        identity: &str,
    ) -> Result<Self, DriverError> {
        let words = Self::words(&link, dialect)?;
        let session = Session::resume(link, dialect, identity).await?;
        Ok(Self::over(session, words))
    }

    fn words(link: &Link, dialect: &Dialect) -> Result<SupplyWords, DriverError> {
        match &dialect.words {
            Words::Supply(words) => Ok((**words).clone()),
            _ => Err(Session::wrong_kind(link.name(), dialect, Kind::Supply)),
        }
    }

    fn over(session: Session, words: SupplyWords) -> Self {
        Self {
            session,
            limits: words.limits,
            words,
        }
    }

    /// The supply held to what the rig file states, which may only be narrower than what its
    /// dialect states.
    ///
    /// # Errors
    /// When it is wider, or the wire does not take the command to its minimum whole.
    pub fn with_limits(mut self, limits: Limits) -> Result<Self, DriverError> {
        if let Some(known) = self.limits {
            let max = known.max_voltage;
            self.check("voltage", limits.max_voltage, known.min_voltage, max)?;
            self.check("voltage", limits.min_voltage, known.min_voltage, max)?;
            self.check(
                "current limit",
                limits.max_current,
                Amps::ZERO,
                known.max_current,
            )?;
        }
        self.limits = Some(limits);
        if let Some(zero) = self.lowest() {
            self.session.sendable(&zero)?;
        }
        Ok(self)
    }

    /// What it can be set to, where known.
    pub fn limits(&self) -> Option<Limits> {
        self.limits
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

    /// Sets the voltage and returns what was sent: `voltage` cut to the supply's resolution,
    /// towards zero.
    ///
    /// # Errors
    /// When it is outside the limits or none are known, or as the link has it.
    pub async fn set_voltage(&mut self, voltage: Volts) -> Result<Volts, DriverError> {
        let limits = self.known_limits("voltage")?;
        self.check("voltage", voltage, limits.min_voltage, limits.max_voltage)?;
        let sent = Fixed::cut(voltage.get(), limits.voltage_step.get());
        self.session.set(&self.words.set_voltage, &sent).await?;
        Ok(Volts::new(sent.value))
    }

    /// The voltage set, as the supply reads it back.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn voltage_set(&mut self) -> Result<Volts, DriverError> {
        Ok(Volts::new(
            self.session.set_point(&self.words.voltage, "V").await?,
        ))
    }

    /// Sets the current limit and returns what was sent, as [`Supply::set_voltage`] does. It is
    /// no protection for a movement: a supply needs up to milliseconds to take hold.
    ///
    /// # Errors
    /// When it is outside the limits or none are known, or as the link has it.
    pub async fn set_current_limit(&mut self, current: Amps) -> Result<Amps, DriverError> {
        let limits = self.known_limits("current limit")?;
        self.check("current limit", current, Amps::ZERO, limits.max_current)?;
        let sent = Fixed::cut(current.get(), limits.current_step.get());
        self.session.set(&self.words.set_current, &sent).await?;
        Ok(Amps::new(sent.value))
    }

    /// The current limit set, as the supply reads it back.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn current_limit(&mut self) -> Result<Amps, DriverError> {
        Ok(Amps::new(
            self.session.set_point(&self.words.current, "A").await?,
        ))
    }

    /// Whether it has an over-voltage protection that can be set and read back.
    pub fn has_protection(&self) -> bool {
        self.words.set_protection.is_some() && self.words.protection.is_some()
    }

    /// Sets and arms the over-voltage protection, and compares its read-back.
    ///
    /// # Errors
    /// When the supply has none, it is outside the limits, or the read-back differs.
    pub async fn set_protection(&mut self, voltage: Volts) -> Result<Volts, DriverError> {
        let limits = self.known_limits("protection voltage")?;
        if !(voltage > Volts::ZERO && voltage.is_finite()) {
            return Err(self.out_of_range("protection voltage", voltage, "values above 0 V"));
        }
        let SupplyWords {
            set_protection,
            protection,
            protection_on,
            ..
        } = &self.words;
        let (Some(set), Some(ask)) = (set_protection, protection) else {
            return Err(self.session.unsupported("supply.set_protection"));
        };
        let sent = Fixed::cut(voltage.get(), limits.voltage_step.get());
        self.session.set(set, &sent).await?;
        if let Some(on) = protection_on {
            self.session.tell(on.text()).await?;
        }
        let got = self.session.set_point(ask, "V").await?;
        if (got - sent.value).abs() > limits.voltage_step.get() * 1.001 {
            return Err(DriverError::ReadBack {
                instrument: self.name().to_owned(),
                command: set.text().replace("{}", &sent.to_string()),
                set: format!("{sent} V"),
                got: format!("{got} V"),
            });
        }
        Ok(Volts::new(got))
    }

    /// Switches the output.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn output(&mut self, on: bool) -> Result<(), DriverError> {
        let command = if on {
            &self.words.output_on
        } else {
            &self.words.output_off
        };
        self.session.tell(command.text()).await
    }

    /// Whether the output is on, as the supply says.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn output_state(&mut self) -> Result<bool, DriverError> {
        self.session.truth(&self.words.output).await
    }

    /// The voltage that the supply measures at its terminals. Some report the set-point instead
    /// when they are near it, so this proves little there.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn measure_voltage(&mut self) -> Result<Reading, DriverError> {
        self.session
            .number(&self.words.measure_voltage, "V", self.session.deadline())
            .await
    }

    /// The current that the supply measures.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn measure_current(&mut self) -> Result<Reading, DriverError> {
        self.session
            .number(&self.words.measure_current, "A", self.session.deadline())
            .await
    }

    /// Whether the over-voltage protection has tripped.
    ///
    /// # Errors
    /// When the supply cannot say, or as the link has it.
    pub async fn tripped(&mut self) -> Result<bool, DriverError> {
        match &self.words.tripped {
            Some(question) => self.session.truth(question).await,
            None => Err(self.session.unsupported("supply.tripped")),
        }
    }

    /// Empties the error queue.
    ///
    /// # Errors
    /// When it has no end, or as the link has it.
    pub async fn errors(&mut self) -> Result<Vec<(i32, String)>, DriverError> {
        self.session.errors().await
    }

    /// Switches the output off and sets the voltage to its minimum in an emergency: at once, on a
    /// link in whatever state, waiting for no answer. On USB it returns once the instrument has taken
    /// it. That it worked must be read elsewhere.
    ///
    /// # Errors
    /// When the bytes could not be handed over.
    pub async fn off_now(&mut self) -> Result<(), DriverError> {
        let off = self.words.output_off.text();
        match self.lowest() {
            Some(zero) => self.session.shout(&[off, &zero]).await,
            // What can't be written must not keep the output on.
            None => self.session.shout(&[off]).await,
        }
    }

    /// The command that sets the voltage to its minimum, where that is known and can be written.
    fn lowest(&self) -> Option<String> {
        let limits = self.limits?;
        let lowest = limits.min_voltage.max(Volts::ZERO);
        let lowest = Fixed::cut(lowest.get(), limits.voltage_step.get());
        let mut zero = String::new();
        let written = self.words.set_voltage.fill(&mut zero, &lowest);
        written.is_ok().then_some(zero)
    }

    /// Gives the instrument back to its front panel in the words of its dialect, where it has some:
    /// the last thing said, on a link in whatever state. A failure is only logged.
    pub async fn give_back(&mut self) {
        self.session.release().await;
    }

    fn known_limits(&self, what: &'static str) -> Result<Limits, DriverError> {
        let none = || DriverError::NoLimit {
            instrument: self.name().to_owned(),
            what,
        };
        self.limits.ok_or_else(none)
    }

    fn out_of_range(
        &self,
        what: &'static str,
        value: impl fmt::Display,
        allowed: &str,
    ) -> DriverError {
        let (instrument, value) = (self.name().to_owned(), value.to_string());
        DriverError::OutOfRange {
            instrument,
            what,
            value,
            allowed: allowed.to_owned(),
        }
    }

    /// Refuses what the supply would clamp or wrap without a word; not-a-number is refused, too.
    fn check<Q: PartialOrd + fmt::Display>(
        &self,
        what: &'static str,
        value: Q,
        min: Q,
        max: Q,
    ) -> Result<(), DriverError> {
        if value >= min && value <= max {
            return Ok(());
        }
        Err(self.out_of_range(what, value, &format!("{min:.7} to {max:.7}")))
    }
}

/// A number at an instrument's resolution, written without an exponent: a line that is cut off
/// on its way then never says more than was meant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fixed {
    pub(crate) value: f64,
    places: usize,
}

impl Fixed {
    /// `value` cut to a multiple of `step`, towards zero.
    pub(crate) fn cut(value: f64, step: f64) -> Self {
        let places = (0..=12).find(|places| {
            let scaled = step * 10f64.powi(*places);
            scaled >= 0.5 && (scaled - scaled.round()).abs() <= 1e-9 * scaled
        });
        let places = places.unwrap_or(12);
        let steps = value / step;
        // 0.3 / 0.1 is a little less than 3: what is a multiple but for rounding stays one.
        let near = (steps - steps.round()).abs() <= 1e-6;
        let steps = if near { steps.round() } else { steps.trunc() };
        // The very number that is written; adding zero turns "-0" into "0".
        let scale = 10f64.powi(places);
        let value = (steps * step * scale).round() / scale + 0.0;
        Self {
            value,
            places: places as usize,
        }
    }
}

impl fmt::Display for Fixed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.*}", self.places, self.value)
    }
}

#[cfg(test)]
mod tests {
    use super::Fixed;

    #[test]
    fn numbers_at_the_resolution() {
        for (value, step, text) in [
            (0.3, 0.1, "0.3"),
            (1.234567, 1e-4, "1.2345"),
            (1.99999, 0.01, "1.99"),
            (5.0, 1.0, "5"),
            (0.00002, 1e-4, "0.0000"),
            (-0.00002, 1e-4, "0.0000"),
            (3.3, 0.025, "3.300"),
            (7.9999, 1e-4, "7.9999"),
        ] {
            assert_eq!(Fixed::cut(value, step).to_string(), text);
        }
    }
}
