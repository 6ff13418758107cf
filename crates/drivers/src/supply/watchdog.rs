//! A supply's own watchdog.

use super::Supply;
use crate::error::DriverError;
use crate::words::{Command, Flag, Query, Template, time};
use serde::Deserialize;
use std::time::Duration;

/// A watchdog in the supply, which switches the output off when nothing has been said for a while.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WatchdogWords {
    /// Sets its time, in seconds.
    pub set_time: Template,
    /// Asks for it.
    pub time: Query,
    /// Arms it.
    pub arm: Command,
    /// Disarms it.
    pub disarm: Command,
    /// Asks whether it is armed.
    pub armed: Flag,
    /// The time to set, whole seconds: as short as the supply takes, but 1 s at least.
    #[serde(deserialize_with = "time")]
    pub within: Duration,
}

impl Supply {
    /// Within which time something must be said to keep the output on, where the supply has a watchdog.
    pub fn watchdog(&self) -> Option<Duration> {
        self.words.watchdog.as_ref().map(|words| words.within)
    }

    /// Arms the supply's own watchdog, where it has one, and compares what it answers.
    ///
    /// # Errors
    /// When time or state read back differ, or as the link has it.
    pub async fn arm_watchdog(&mut self) -> Result<(), DriverError> {
        let Some(words) = &self.words.watchdog else {
            return Ok(());
        };
        let seconds = words.within.as_secs();
        self.session.set(&words.set_time, &seconds).await?;
        let got = self.session.set_point(&words.time, "s").await?;
        self.session.tell(words.arm.text()).await?;
        let armed = self.session.truth(&words.armed).await?;
        if (got - seconds as f64).abs() > 0.5 || !armed {
            return Err(DriverError::ReadBack {
                instrument: self.name().to_owned(),
                command: words.arm.text().to_owned(),
                set: format!("armed, {seconds} s"),
                got: format!("{}, {got} s", if armed { "armed" } else { "not armed" }),
            });
        }
        Ok(())
    }

    /// Disarms it again: silence is no danger once the output is off.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn disarm_watchdog(&mut self) -> Result<(), DriverError> {
        match &self.words.watchdog {
            Some(words) => self.session.tell(words.disarm.text()).await,
            None => Ok(()),
        }
    }
}
