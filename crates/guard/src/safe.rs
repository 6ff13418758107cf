//! The safe state: short closed and supply off at once, each on its own link; then everything
//! verified by a reading.

use crate::core::Core;
use crate::fault::Fault;
use crate::instruments::Meters;
use crate::output::{Output, SAFE_WITHIN};
use crate::rig::{MeterSpec, Rig};
use crate::state::State;
use drivers::{LinkState, Meter, Switch};
use quantity::{Amps, Seconds, Volts};
use tokio::time::Instant;
use tracing::warn;

/// Below this the supply counts as off, beside its stated offset.
const OFF: Volts = Volts::milli(3.0);

/// How long a person may take to say that the supply is off. The contacts have fallen by then.
const PERSON_WITHIN: Seconds = Seconds::new(3600.0);

/// What making the rig safe found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SafeReport {
    /// Steps that failed; all others were done all the same.
    pub failures: Vec<String>,
    /// Whether a reading has confirmed that nothing is driven.
    pub verified: bool,
    /// How long it took, in seconds.
    pub took: f64,
    /// The same with both meters back to volts, and the front panels given back.
    pub lasted: f64,
    /// The most current that the guard counted with when this began.
    pub bound: Amps,
}

impl Core {
    /// Ends the run: makes the rig safe from any state. Never stops at a failed step.
    pub(crate) async fn make_safe(&mut self) -> SafeReport {
        self.state = State::RELEASED;
        let bound = std::mem::replace(&mut self.bound, Amps::ZERO);
        let report = self.bench.instruments.end(&self.rig).await;
        SafeReport { bound, ..report }
    }
}

/// A meter that went to another function by itself may push a current through the movement, past
/// all contacts. Both are told to measure volts, whatever they answered last.
pub(crate) async fn meters_to_volts(rig: &Rig, meters: &mut Meters, report: &mut SafeReport) {
    let top = |spec: &MeterSpec| Volts::new(spec.ranges.last().map_or(0.0, |r| r.full_scale));
    let (drop, over_sense) = tokio::join!(
        biased;
        to_volts(&mut meters.drop, top(&rig.drop_meter)),
        to_volts(&mut meters.over_sense, top(&rig.loop_meter)),
    );
    note(report, "setting the drop meter to volts", drop);
    note(report, "setting the loop meter to volts", over_sense);
}

async fn to_volts(meter: &mut Meter, range: Volts) -> Outcome {
    let limit = SAFE_WITHIN.duration();
    let set = tokio::time::timeout(limit, meter.configure_dc_volts(range, 1.0)).await;
    set.map(|r| r.map_err(|e| e.to_string()))
}

/// Makes a rig safe from any state. Never stops at a failed step.
pub(crate) async fn make_safe(rig: &Rig, output: &mut Output, switch: &mut Switch) -> SafeReport {
    let began = Instant::now();
    let mut report = SafeReport::default();
    let limit = SAFE_WITHIN.duration();
    let sure = match rig.supply.by_hand() {
        true => PERSON_WITHIN.duration(),
        false => limit * 2,
    };
    let channels = rig.channels();
    // Neither waits for the other, nor for an answer that is still outstanding.
    let (off, released) = tokio::join!(
        biased;
        tokio::time::timeout(limit, output.off_now()),
        tokio::time::timeout(limit, switch.release_now(&channels)),
    );
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
    let moved = rig.switch.operate + rig.switch.bounce + rig.supply.settle;
    tokio::time::sleep((moved * 2.0).duration()).await;
    let confirmed = tokio::time::timeout(sure, confirm_safe(rig, output, switch)).await;
    report.verified = matches!(confirmed, Ok(Ok(())));
    note(
        &mut report,
        "confirming the safe state",
        confirmed.map(|r| r.map_err(|e| e.to_string())),
    );
    report.took = began.elapsed().as_secs_f64();
    report
}

/// Off and released as the instruments say, and no voltage by a reading. What had failed on a wire
/// before may only show now: with a link that is still there it is tried once more.
async fn confirm_safe(rig: &Rig, output: &mut Output, switch: &mut Switch) -> Result<(), Fault> {
    match confirmed(rig, output, switch).await {
        Err(Fault::Instrument(error))
            if [output.link(), switch.state()].contains(&LinkState::Dirty) =>
        {
            warn!(error, "confirming the safe state once more");
            confirmed(rig, output, switch).await
        }
        result => result,
    }
}

/// The contacts are seen to even when the supply no longer answers: then they are all that is left.
async fn confirmed(rig: &Rig, output: &mut Output, switch: &mut Switch) -> Result<(), Fault> {
    if rig.switch.by_hand() {
        // One hand does both: first the supply, then the leads.
        let off = output.confirm_off().await;
        confirm_released(rig, switch).await?;
        off?;
    } else {
        let released = confirm_released(rig, switch).await;
        output.confirm_off().await?;
        released?;
    }
    confirm_no_voltage(rig, output).await
}

async fn confirm_released(rig: &Rig, switch: &mut Switch) -> Result<(), Fault> {
    let channels = rig.channels();
    // Once more with an answer: the first command was sent without waiting for any.
    switch.release(&channels).await?;
    switch.barrier().await?;
    let found = switch.energised(&channels).await?;
    match channels.iter().zip(found).find(|(_, on)| *on) {
        None => Ok(()),
        Some((channel, _)) => Err(Fault::ReadBack {
            what: "relay",
            wanted: format!("channel {channel} off"),
            found: "on".to_owned(),
        }),
    }
}

/// A reading of the supply's terminals at zero, within the time that a safe state may take.
pub(crate) async fn confirm_no_voltage(rig: &Rig, output: &mut Output) -> Result<(), Fault> {
    let limit = OFF + rig.supply.offset;
    let mut volts = output.measured().await?;
    let until = Instant::now() + SAFE_WITHIN.duration();
    while volts.abs() > limit && Instant::now() < until {
        tokio::time::sleep(Seconds::milli(20.0).duration()).await;
        volts = output.measured().await?;
    }
    if volts.abs() > limit {
        Err(Fault::NotOff(volts))
    } else {
        Ok(())
    }
}

/// The relays of a rig that was left energised, in words; none for contacts at rest.
pub(crate) async fn energised(rig: &Rig, switch: &mut Switch) -> Result<Option<String>, Fault> {
    let states = switch.energised(&rig.channels()).await?;
    let count = states.iter().filter(|on| **on).count();
    Ok((count > 0).then(|| format!("{count} relays were energised")))
}

/// Switches off the supply of a rig whose switch can't be reached, and confirms it by a reading.
pub(crate) async fn switch_off(rig: &Rig, output: &mut Output) -> Result<(), String> {
    // What goes wrong with this shows below, where it is said once more and asked for.
    let _ = within(output.off_now()).await;
    tokio::time::sleep((rig.supply.settle * 2.0).duration()).await;
    within(async {
        output.confirm_off().await?;
        confirm_no_voltage(rig, output).await
    })
    .await
}

/// Releases the contacts of a rig whose supply can't be reached, and has the switch confirm it.
pub(crate) async fn release(rig: &Rig, switch: &mut Switch) -> Result<(), String> {
    // As above.
    let _ = within(async { Ok(switch.release_now(&rig.channels()).await?) }).await;
    let moved = rig.switch.operate + rig.switch.bounce;
    tokio::time::sleep((moved * 2.0).duration()).await;
    within(confirm_released(rig, switch)).await
}

/// A step, within twice the time that a safe state may take.
async fn within(step: impl Future<Output = Result<(), Fault>>) -> Result<(), String> {
    let limit = SAFE_WITHIN * 2.0;
    match tokio::time::timeout(limit.duration(), step).await {
        Ok(done) => done.map_err(|fault| fault.to_string()),
        Err(_) => Err(format!("no end within {limit}")),
    }
}

/// How a step went, within its time or beyond.
type Outcome = Result<Result<(), String>, tokio::time::error::Elapsed>;

fn note(report: &mut SafeReport, step: &str, outcome: Outcome) {
    match outcome {
        Ok(Ok(())) => {}
        Ok(Err(error)) => report.failures.push(format!("{step}: {error}")),
        Err(_) => report
            .failures
            .push(format!("{step}: no end within {SAFE_WITHIN}")),
    }
}
