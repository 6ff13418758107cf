//! Runs that are killed or stopped dead at random moments, judged by the simulator's own log.

mod bench;

pub use bench::{Bench, Error, Run, State, now, signal};

use crate::campaign::seed;
use records::{RunId, Store};
use std::path::Path;
use std::time::{Duration, Instant};

/// The rig is off within this many seconds of a run's death.
pub const OFF_WITHIN: f64 = 2.0;
/// Longest wait for the moment that was drawn; then the run dies where it is.
const LONGEST: Duration = Duration::from_secs(20);

/// The output is switched on: the watcher is there, and contacts close from here on.
const GOES_LIVE: &str = " sent=:OUTP ON";

/// How a run dies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Killed, as by `kill -9` or for want of memory.
    Kill,
    /// Stopped dead, as by a hang; it can't even close its links.
    Hang,
}

/// When a run dies, counted from the moment at which it goes live.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Moment {
    /// After this many seconds.
    After(f64),
    /// Right behind a command on the wire, when so many of its kind went before it.
    Behind(&'static str, u64),
}

impl Moment {
    /// Mostly in the midst of ramps and transitions.
    fn drawn(name: &str, number: u64) -> Self {
        let draw = |what: &str, below: u64| seed(&format!("{name} {what}"), number) % below;
        match draw("kind", 10) {
            0..4 => Self::After(draw("time", 12_000) as f64 * 1e-3),
            4..7 => Self::Behind(" sent=:VOLT ", draw("steps", 90)),
            7..9 => Self::Behind(" sent=:ROUT:CLOS (", draw("contacts", 4)),
            _ => Self::Behind(" sent=:ROUT:OPEN (", draw("contacts", 2)),
        }
    }
}

/// One death, and what followed.
#[derive(Clone, Debug)]
pub struct Trial {
    /// How.
    pub way: Way,
    /// When.
    pub moment: Moment,
    /// The rig was not at rest at that moment.
    pub live: bool,
    /// Seconds from then on until the supply was off and all contacts at rest; 0 if they were.
    pub off_after: f64,
    /// Observations that were acknowledged, all of which were found in the store.
    pub kept: u64,
}

/// Lets a run die, and checks what follows: the rig safe, nothing acknowledged lost, and the next
/// start tells. Whether that was in time is for whoever has the machine to itself to judge.
///
/// # Errors
/// What was not as promised, or what kept the check from being made.
pub fn trial(program: &Path, name: &str, number: u64) -> Result<Trial, Error> {
    let way = if number % 5 == 4 {
        Way::Hang
    } else {
        Way::Kill
    };
    let moment = Moment::drawn(name, number);
    let bench = Bench::start(program, seed(name, number) % 1_000_000)?;
    let mut run = bench.run()?;
    wait_for(&mut run, moment)?;
    let died = now();
    match way {
        Way::Kill => run.child.kill()?,
        Way::Hang => run.signal("STOP")?,
    }
    run.end()?;
    let (live, off_after) = judge(&bench, died)?;
    let kept = all_kept(&bench, run.kept)?;
    next_start_tells(&bench, run.child.id())?;
    Ok(Trial {
        way,
        moment,
        live,
        off_after,
        kept,
    })
}

fn wait_for(run: &mut Run, moment: Moment) -> Result<(), Error> {
    run.wait_for(GOES_LIVE)?;
    let (words, mut skip, time) = match moment {
        Moment::After(seconds) => ("", u64::MAX, Duration::from_secs_f64(seconds)),
        Moment::Behind(words, skip) => (words, skip, LONGEST),
    };
    let end = Instant::now() + time;
    while Instant::now() < end {
        let line = run.line(end.saturating_duration_since(Instant::now()));
        if line.is_some_and(|line| line.contains(words)) {
            if skip == 0 {
                return Ok(());
            }
            skip -= 1;
        }
    }
    match run.child.try_wait()? {
        None => Ok(()),
        Some(status) => Err(format!("the run ended early, {status}: {:?}", run.told).into()),
    }
}

/// Whether the rig was live when the run died, and how long until it was safe for good.
fn judge(bench: &Bench, died: f64) -> Result<(bool, f64), Error> {
    let safe_since = bench.safe_since()?;
    let states = bench.states()?;
    let before = states.iter().rev().find(|state| state.at <= died);
    let live = before.is_some_and(|state| !state.safe());
    let off_after = (safe_since - died).max(0.0);
    match states.last() {
        Some(last) if last.peak <= 1.02 && last.driven_stop_hits == 0 => Ok((live, off_after)),
        last => Err(format!("the needle was driven too far: {last:?}").into()),
    }
}

/// Everything acknowledged is in the store, in order.
fn all_kept(bench: &Bench, acknowledged: Option<u64>) -> Result<u64, Error> {
    let Some(last) = acknowledged else {
        return Ok(0);
    };
    let observations = Store::open_existing(bench.store())?.observations(RunId::new(1))?;
    let in_order = observations
        .iter()
        .map(|o| o.seq)
        .eq(0..observations.len() as u64);
    if in_order && observations.len() as u64 > last {
        return Ok(last + 1);
    }
    let found = observations.len();
    Err(format!(
        "{} observations were acknowledged, {found} are kept",
        last + 1
    )
    .into())
}

fn next_start_tells(bench: &Bench, process: u32) -> Result<(), Error> {
    let mut next = bench.run()?;
    next.wait_for("needlerig::kept")?;
    next.signal("INT")?;
    let code = next.end()?;
    let told = next.told.join("\n");
    let process = format!("(process {process})");
    if code != Some(130) || !told.contains(&process) || !told.contains("confirmed it by a reading")
    {
        return Err(format!("the next start ended with {code:?} and told: {told}").into());
    }
    let head = Store::open_existing(bench.store())?
        .run(RunId::new(2))?
        .head;
    if !head.notes.iter().any(|note| note.contains(&process)) {
        return Err(format!("the next record does not tell: {:?}", head.notes).into());
    }
    match bench.reports()?.as_slice() {
        [] => Ok(()),
        left => Err(format!("left behind after an orderly end: {left:?}").into()),
    }
}
