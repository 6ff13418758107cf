//! The safe state: short closed and supply off at once, each on its own link; then everything
//! verified by a reading.

use crate::core::Core;
use crate::fault::Fault;
use crate::output::SAFE_WITHIN;
use crate::state::State;
use quantity::{Amps, Seconds, Volts};

/// Below this the supply counts as off, beside its stated offset.
const OFF: Volts = Volts::milli(3.0);

/// What making the rig safe found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SafeReport {
    /// Steps that failed; all others were done all the same.
    pub failures: Vec<String>,
    /// Whether a reading has confirmed that nothing is driven.
    pub verified: bool,
    /// How long it took, in seconds.
    pub took: f64,
    /// The most current that the guard counted with when this began.
    pub bound: Amps,
}

impl Core {
    /// Makes the rig safe from any state. Never stops at a failed step.
    pub(crate) async fn make_safe(&mut self) -> SafeReport {
        let began = self.now();
        let mut report = SafeReport {
            bound: self.bound,
            ..SafeReport::default()
        };
        let limit = SAFE_WITHIN.duration();
        let channels = self.rig.channels();
        let (off, released) = {
            let bench = &mut self.bench;
            // Neither waits for the other, nor for an answer that is still outstanding.
            tokio::join!(
                biased;
                tokio::time::timeout(limit, bench.output.off_now()),
                tokio::time::timeout(limit, bench.switch.release_now(&channels)),
            )
        };
        note(
            &mut report,
            "switching the supply off",
            off.map(|r| r.map_err(|e| e.to_string())),
        );
        note(
            &mut report,
            "releasing the contacts",
            released.map(|r| r.map_err(|e| e.to_string())),
        );
        self.state = State::RELEASED;
        self.bound = Amps::ZERO;
        let moved = self.rig.switch.operate + self.rig.switch.bounce + self.rig.supply.settle;
        tokio::time::sleep((moved * 2.0).duration()).await;
        let confirmed = tokio::time::timeout(limit * 2, self.confirm_safe()).await;
        report.verified = matches!(confirmed, Ok(Ok(())));
        note(
            &mut report,
            "confirming the safe state",
            confirmed.map(|r| r.map_err(|e| e.to_string())),
        );
        report.took = self.now() - began;
        report
    }

    /// Off and released as the instruments say, and no voltage by a reading. The contacts are seen to
    /// even when the supply no longer answers: then they are all that is left.
    async fn confirm_safe(&mut self) -> Result<(), Fault> {
        let released = self.confirm_released().await;
        self.bench.output.confirm_off().await?;
        released?;
        self.confirm_no_voltage().await
    }

    async fn confirm_released(&mut self) -> Result<(), Fault> {
        let channels = self.rig.channels();
        // Once more with an answer: the first command was sent without waiting for any.
        self.bench.switch.release(&channels).await?;
        self.bench.switch.barrier().await?;
        let found = self.bench.switch.energised(&channels).await?;
        match channels.iter().zip(found).find(|(_, on)| *on) {
            None => Ok(()),
            Some((channel, _)) => Err(Fault::ReadBack {
                what: "relay",
                wanted: format!("channel {channel} off"),
                found: "on".to_owned(),
            }),
        }
    }

    async fn confirm_no_voltage(&mut self) -> Result<(), Fault> {
        let limit = OFF + self.rig.supply.offset;
        let mut volts = self.bench.output.measured().await?;
        let until = self.now() + SAFE_WITHIN.get();
        while volts.abs() > limit && self.now() < until {
            tokio::time::sleep(Seconds::milli(20.0).duration()).await;
            volts = self.bench.output.measured().await?;
        }
        if volts.abs() > limit {
            Err(Fault::NotOff(volts))
        } else {
            Ok(())
        }
    }
}

fn note(
    report: &mut SafeReport,
    step: &str,
    outcome: Result<Result<(), String>, tokio::time::error::Elapsed>,
) {
    match outcome {
        Ok(Ok(())) => {}
        Ok(Err(error)) => report.failures.push(format!("{step}: {error}")),
        Err(_) => report
            .failures
            .push(format!("{step}: no end within {SAFE_WITHIN}")),
    }
}
