//! The supply, behind two tokens: a raising call consumes an [`Armed`], which only a passed check
//! can make, and only while somebody else could make the rig safe ([`Watched`]).

use crate::fault::Fault;
use crate::rig::{SupplySpec, on_grid};
use crate::watcher::Watched;
use drivers::{LinkState, Supply};
use quantity::{Amps, Seconds, Volts};
use tokio::time::{Duration, Instant};

/// A set-point that reads back within this share of the supply's step was taken.
pub(crate) const TAKEN: f64 = 0.6;
/// So many times within its own time the supply's watchdog hears something.
const KEPT_ALIVE: u32 = 3;
/// How long a checked step stays good.
const GOOD_FOR: Duration = Duration::from_secs(2);

/// Permission for one raising call: up to this set-point, for this rig state, for a short while.
/// It can't be cloned, and `raise` consumes it.
pub(crate) struct Armed {
    up_to: Volts,
    epoch: u64,
    expires: Instant,
}

impl Armed {
    /// Made from a checked drive, for the rig state of that `epoch`; not on an unwatched rig.
    pub fn new(
        checked: &crate::check::Drive,
        from: Volts,
        epoch: u64,
        watched: &Watched,
    ) -> Result<Self, Fault> {
        watched.still()?;
        Ok(Self {
            up_to: checked.volts.max(from),
            epoch,
            expires: Instant::now() + GOOD_FOR,
        })
    }

    /// Whether it is good for this set-point in the rig state of that `epoch`, at that moment.
    fn permits(&self, volts: Volts, epoch: u64, now: Instant) -> bool {
        volts <= self.up_to && epoch == self.epoch && now <= self.expires
    }
}

pub(crate) struct Output {
    supply: Supply,
    resolution: Volts,
    /// Counts rig states; a token of an older state is worthless.
    epoch: u64,
    volts: Volts,
    current_limit: Option<Amps>,
    /// When the set-point was last read back.
    heard: Instant,
}

impl Output {
    pub fn new(supply: Supply, spec: &SupplySpec) -> Self {
        let resolution = spec.resolution;
        Self {
            supply,
            resolution,
            epoch: 0,
            volts: Volts::ZERO,
            current_limit: None,
            heard: Instant::now(),
        }
    }

    pub fn identity(&self) -> &str {
        self.supply.identity()
    }

    pub async fn give_back(&mut self) {
        self.supply.give_back().await;
    }

    pub fn volts(&self) -> Volts {
        self.volts
    }

    pub fn epoch(&self) -> u64 {
        self.epoch
    }

    /// Declares the rig state changed; tokens made before are worthless from here on.
    pub fn new_state(&mut self) {
        self.epoch += 1;
    }

    /// Raises (or lowers) the set-point within what was checked, and reads it back.
    pub async fn raise(&mut self, armed: Armed, volts: Volts) -> Result<(), Fault> {
        if !armed.permits(volts, self.epoch, Instant::now()) {
            let what = format!("{volts} was asked for with a token for {}", armed.up_to);
            return Err(Fault::Panic(what));
        }
        self.set(volts).await
    }

    /// Lowers the set-point; needs no token.
    pub async fn lower(&mut self, volts: Volts) -> Result<(), Fault> {
        let lower = on_grid(volts, self.resolution).min(self.volts);
        self.set(lower).await
    }

    async fn set(&mut self, volts: Volts) -> Result<(), Fault> {
        self.supply.set_voltage(volts).await?;
        // Counted as set even before the read-back: the worse of the two assumptions.
        self.volts = volts;
        self.confirm().await
    }

    /// The set-point as the supply reads it back.
    async fn confirm(&mut self) -> Result<(), Fault> {
        let volts = self.volts;
        self.heard = Instant::now();
        let found = self.supply.voltage_set().await?;
        if (found - volts).abs() > self.resolution * TAKEN {
            let (wanted, found) = (volts.to_string(), found.to_string());
            return Err(Fault::ReadBack {
                what: "supply voltage",
                wanted,
                found,
            });
        }
        Ok(())
    }

    /// Says something before the supply's own watchdog takes silence for the end of this program.
    pub async fn keep_alive(&mut self) -> Result<(), Fault> {
        match self.supply.watchdog() {
            Some(within) if self.heard.elapsed() * KEPT_ALIVE > within => self.confirm().await,
            _ => Ok(()),
        }
    }

    /// Does `work` with other instruments, which may take as long as a person needs to turn a knob.
    pub async fn alive_during<T>(
        &mut self,
        work: impl Future<Output = Result<T, Fault>>,
    ) -> Result<T, Fault> {
        let Some(within) = self.supply.watchdog() else {
            return work.await;
        };
        let mut work = std::pin::pin!(work);
        loop {
            // Many short works after one another are silence as well.
            self.keep_alive().await?;
            tokio::select! {
                biased;
                done = &mut work => return done,
                () = tokio::time::sleep(within / KEPT_ALIVE) => {}
            }
        }
    }

    /// Keeps the supply's own limits just above what the next step may need.
    pub async fn limit(&mut self, current: Amps) -> Result<(), Fault> {
        if self
            .current_limit
            .is_some_and(|limit| (limit / current - 1.0).abs() < 0.01)
        {
            return Ok(());
        }
        self.supply.set_current_limit(current).await?;
        let found = self.supply.current_limit().await?;
        if (found - current).abs() > current * 0.01 + Amps::milli(1.0) {
            let (wanted, found) = (current.to_string(), found.to_string());
            return Err(Fault::ReadBack {
                what: "supply current limit",
                wanted,
                found,
            });
        }
        self.current_limit = Some(current);
        Ok(())
    }

    /// Sets the protection voltage just above the highest set-point ever needed, where the supply
    /// has one. It is a second line: what one fault can drive is limited by the path's resistor.
    pub async fn protect(&mut self, volts: Volts) -> Result<(), Fault> {
        if !self.supply.has_protection() {
            return Ok(());
        }
        self.supply.set_protection(volts).await?;
        Ok(())
    }

    /// Switches the output on at zero volts.
    pub async fn enable(&mut self, watched: &Watched) -> Result<(), Fault> {
        watched.still()?;
        self.set(Volts::ZERO).await?;
        self.supply.arm_watchdog().await?;
        self.supply.output(true).await?;
        self.expect_output(true).await
    }

    /// Whether the output is on, as the supply says.
    pub async fn is_on(&mut self) -> Result<bool, Fault> {
        Ok(self.supply.output_state().await?)
    }

    /// Whether the link to the supply is in step.
    pub fn link(&self) -> LinkState {
        self.supply.state()
    }

    async fn expect_output(&mut self, wanted: bool) -> Result<(), Fault> {
        let found = self.is_on().await?;
        if found != wanted {
            let (wanted, found) = (wanted.to_string(), found.to_string());
            return Err(Fault::ReadBack {
                what: "supply output",
                wanted,
                found,
            });
        }
        Ok(())
    }

    /// Off at once, whatever state the link is in; nothing is waited for.
    pub async fn off_now(&mut self) -> Result<(), Fault> {
        self.volts = Volts::ZERO;
        self.current_limit = None;
        Ok(self.supply.off_now().await?)
    }

    /// Off and at zero, confirmed by the supply.
    pub async fn confirm_off(&mut self) -> Result<(), Fault> {
        self.supply.output(false).await?;
        self.set(Volts::ZERO).await?;
        self.expect_output(false).await?;
        Ok(self.supply.disarm_watchdog().await?)
    }

    /// The voltage at the terminals by the supply's own reading.
    pub async fn measured(&mut self) -> Result<Volts, Fault> {
        let reading = self.supply.measure_voltage().await?;
        reading
            .value()
            .map(Volts::new)
            .ok_or(Fault::Overload("supply"))
    }
}

/// Longest time a safe state may take before it counts as failed.
pub(crate) const SAFE_WITHIN: Seconds = Seconds::new(2.0);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_good_for_its_set_point_its_state_and_its_time_only() {
        let now = Instant::now();
        let armed = Armed {
            up_to: Volts::milli(200.0),
            epoch: 3,
            expires: now + GOOD_FOR,
        };
        let later = now + GOOD_FOR;
        assert!(armed.permits(Volts::milli(200.0), 3, later));
        assert!(!armed.permits(Volts::milli(200.1), 3, now));
        assert!(!armed.permits(Volts::milli(100.0), 2, now));
        assert!(!armed.permits(Volts::milli(100.0), 4, now));
        assert!(!armed.permits(Volts::milli(100.0), 3, later + Duration::from_millis(1)));
    }
}
