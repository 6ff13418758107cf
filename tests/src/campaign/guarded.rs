//! The guard against random faults: a random movement on a random rig, with a random plan of faults,
//! judged against the truth.

mod compare;
mod report;
mod rig;

pub use compare::Compare;
pub use report::Report;

use guard::{Fault, Rig, SafeReport};
use hw_sim::{Bench, Class, Faults, Kind, Place, Pool, SharedBench, Truth};
use needlerig::session::{Order, Simulated, simulated};
use procedure::{Depth, Outcome};
use quantity::Amps;
use serde::{Deserialize, Serialize};
use std::sync::{Arc, Mutex, PoisonError};

/// Highest needle that counts as kept from its stop.
const HIGHEST: f64 = 1.05;
/// What the comparison itself leaves open.
const SLACK: f64 = 1.0 + 1e-9;
/// Overshoot of the supply of every rig, as a share of the step.
const OVERSHOOT: f64 = 0.02;
/// A needle that has stood so high has shown its polarity.
const SHOWN: f64 = 0.05;
/// No characterisation lasts that long, s.
const ENDLESS: f64 = 7200.0;
const NO_END: &str = "the run does not come to an end";
/// Until the needle has fallen, s.
const FALL: f64 = 5.0;

/// One run against faults, and what came of it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Guarded {
    /// Its seed; movement, rig, errors and faults follow from it.
    pub seed: u64,
    /// Class of its faults.
    pub class: Class,
    /// Whether the rig has a trip.
    pub trip: bool,
    /// Whether it let go: the current passed its level.
    pub tripped: bool,
    /// What goes wrong.
    pub plan: Faults,
    /// When the first fault struck, s; none when the run ended before.
    pub onset: Option<f64>,
    /// How the run ended, in one word.
    pub ending: String,
    /// How the run ended, in the guard's words.
    pub words: String,
    /// Highest and lowest needle, as fractions of scale.
    pub needle: (f64, f64),
    /// Highest needle before the first driven stop contact, where there was one.
    pub risen: Option<f64>,
    /// Stop contacts: driven ones, and those of free falls and of needles at rest on a stop.
    pub hits: (u32, u32),
    /// Largest driven current over the guard's bound of that moment, as a ratio.
    pub over_bound: f64,
    /// Largest driven current over the fault current that the rig states, as a ratio: of the heaviest
    /// path used so far, and of the one whose contact closes by itself.
    pub over_fault: f64,
    /// Largest power of an element over its rating, and which element.
    pub over_rating: (f64, String),
    /// Seconds from the onset until the rig was safe for good.
    pub safe_after: Option<f64>,
    /// From the moment at which the guard began to make the rig safe until it was, and the time that
    /// the rig's review computes for it, s; none where a fault struck after that, or never.
    pub making_safe: Option<(f64, f64)>,
    /// What breaks the promise; empty when it was kept.
    pub broken: Vec<String>,
}

fn open<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Runs and judges one run.
///
/// # Errors
/// When the rig file or the runtime can't be had.
pub fn guarded(seed: u64, class: Class, trip: bool) -> Result<Guarded, String> {
    let pool = [Pool::Measurable, Pool::Rectified][seed as usize % 2];
    let movement = hw_sim::random(seed, pool);
    let rig = Arc::new(rig::random(seed, trip)?);
    let mut plan = Faults::random(seed, class);
    // What this rig does not have can't break.
    let has = |channel: u16| rig.channels().contains(&u32::from(channel));
    plan.fault.retain(|fault| fault.channel.is_none_or(has));
    let mut bench = Bench::faulty(&movement, seed, &plan);
    if let Some(trip) = rig.protection.trip {
        bench.fit_trip(trip.level.get());
    }
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(Arc::clone(&rig), Depth::Quick, stop);
    let journal = Compare::new(&bench, &rig).closing(closing(&rig, &plan));
    let done = simulated(&order, &bench, true, Box::new(journal.clone()), |_| {})
        .map_err(|error| error.to_string())?;
    let (truth, ratios, tripped) = {
        let mut bench = open(&bench);
        let fallen = done.truth.time + FALL;
        bench.advance((fallen * 1e9) as u64);
        let bound = made_safe(&done).map_or(Amps::ZERO, |safe| safe.bound);
        let ratios = journal.end(bench.take_driven(), bound);
        let mut truth = bench.truth();
        // A fault that strikes only while the needle falls, after the end, is none of the run's.
        if done.truth.onset.is_none() {
            (truth.onset, truth.safe) = (None, done.truth.safe);
        }
        (truth, ratios, bench.tripped())
    };
    let (ending, words) = ending(&done);
    let mut guarded = Guarded {
        seed,
        class,
        trip,
        tripped,
        plan,
        onset: truth.onset,
        ending,
        words,
        needle: (truth.peak_deflection, truth.lowest_deflection),
        risen: truth.highest_before_driven,
        hits: (
            truth.driven_stop_hits,
            truth.stop_hits - truth.driven_stop_hits,
        ),
        over_bound: ratios.over_bound,
        over_fault: ratios.over_fault,
        over_rating: rig::over_rating(&rig, &truth),
        safe_after: truth.safe_after,
        making_safe: making_safe(&done, &truth)
            .map(|took| (took, rig.review().off_commanded.get())),
        broken: Vec::new(),
    };
    guarded.broken = guarded.judge(&truth);
    Ok(guarded)
}

/// Fault current of the path whose contact the plan closes, should it close one.
fn closing(rig: &Rig, plan: &Faults) -> Amps {
    let welds = |path: &&guard::Path| {
        let channel = Some(path.fixed.channel as u16);
        let closes = |f: &hw_sim::Fault| f.kind == Kind::Welded && f.channel == channel;
        plan.fault.iter().any(closes)
    };
    let path = rig.paths.iter().find(welds);
    path.map_or(Amps::ZERO, |path| path.fault_current)
}

/// How the guard made the rig safe in the end.
fn made_safe(done: &Simulated) -> Option<&SafeReport> {
    let end = done.end.as_ref().ok()?;
    Some(&end.ending.as_ref().ok()?.safe)
}

/// From the moment at which the guard began to make the rig safe until it was so for good, s.
fn making_safe(done: &Simulated, truth: &Truth) -> Option<f64> {
    let began = done.truth.time - made_safe(done)?.lasted;
    let onset = truth.onset.filter(|onset| *onset < began)?;
    Some((onset + truth.safe_after? - began).max(0.0))
}

/// The ending in one word, and in the guard's own.
fn ending(done: &Simulated) -> (String, String) {
    let of = |fault: &Fault| {
        let word = match fault {
            Fault::Panic(_) => "defect",
            _ => "fault",
        };
        (word.to_owned(), fault.to_string())
    };
    let end = match &done.end {
        Err(fault) => return of(fault),
        Ok(end) => end,
    };
    match (&end.plan, &end.ending) {
        (_, Err(fault)) => ("defect".to_owned(), fault.to_string()),
        (_, Ok(ending)) if ending.fault.is_some() => {
            ending.fault.as_ref().map_or_else(Default::default, of)
        }
        (Some(Ok(Outcome::Complete)), _) => ("result".to_owned(), "complete".to_owned()),
        (Some(Ok(Outcome::NothingMoves(why))), _) => ("refusal".to_owned(), why.clone()),
        (Some(Err(stopped)), _) => ("refusal".to_owned(), stopped.to_string()),
        (None, _) => ("defect".to_owned(), "no reason".to_owned()),
    }
}

impl Guarded {
    fn judge(&self, truth: &Truth) -> Vec<String> {
        let mut broken = Vec::new();
        if self.ending == "defect" || self.words.is_empty() {
            broken.push(format!("ended by a defect: {}", self.words));
        }
        if self.words.contains(NO_END) {
            broken.push(NO_END.to_owned());
        }
        if !truth.safe {
            broken.push("not safe at the end".to_owned());
        }
        match self.class {
            Class::Information => self.judge_information(&mut broken),
            Class::Energy => self.judge_energy(&mut broken),
        }
        broken
    }

    fn judge_information(&self, broken: &mut Vec<String>) {
        let (highest, _) = self.needle;
        if self.hits.0 > 0 && !self.jumps() {
            broken.push(format!("{} driven stop contacts", self.hits.0));
        }
        if highest > HIGHEST {
            broken.push(format!("needle at {:.1} % of scale", highest * 100.0));
        }
        if self.over_bound > SLACK * self.ruler() * self.let_go() {
            broken.push(format!("{:.3} times the guard's bound", self.over_bound));
        }
        let (ratio, element) = &self.over_rating;
        if *ratio > self.ruler().powi(2) {
            broken.push(format!("{element} at {ratio:.2} of its rating"));
        }
    }

    fn judge_energy(&self, broken: &mut Vec<String>) {
        if self.over_fault > SLACK && !self.drives_beside() {
            broken.push(format!(
                "{:.3} times the fault current that the rig states",
                self.over_fault
            ));
        }
        let late = self.making_safe.filter(|(took, computed)| took > computed);
        if let Some((took, computed)) = late.filter(|_| !self.drives_beside()) {
            broken.push(format!(
                "safe after {took:.3} s, computed are {computed:.3} s"
            ));
        }
        if self.trip && self.hits.0 > 0 && !self.drives_beside() {
            broken.push(format!(
                "{} driven stop contacts beside a trip",
                self.hits.0
            ));
        }
    }

    /// A needle that hangs by more than its lower stop is away is on that stop the moment it lets go:
    /// whatever drives it so far reversed, nothing has shown before that it is. Counted apart.
    pub fn jumps(&self) -> bool {
        let (_, lowest) = self.needle;
        let hangs = |fault: &hw_sim::Fault| match fault.kind {
            // It swings beyond the place that it jumps to by up to 60 %.
            Kind::Sticks => fault.size.unwrap_or(0.0) * 1.6 >= -lowest,
            _ => false,
        };
        self.risen.is_some_and(|risen| risen < SHOWN) && self.plan.fault.iter().any(hangs)
    }

    /// A meter in ohms is a second source: its current passes no path, and it sits across the
    /// movement, behind no contact. Such runs are counted apart.
    pub fn drives_beside(&self) -> bool {
        let faults = &self.plan.fault;
        faults.iter().any(|f| f.kind == Kind::WrongFunction)
    }

    /// By how much the faults make the guard's own ruler wrong: a resistance that is not what the
    /// rig file states, or a meter beyond its accuracy. No bound can be better than the ruler.
    pub fn ruler(&self) -> f64 {
        let wrong = |fault: &hw_sim::Fault| match (fault.kind, fault.place) {
            (Kind::ElementOff, _) | (Kind::Gain, Place::Loop) => {
                let size = fault.size.unwrap_or(0.0);
                (1.0 - size.abs()).recip()
            }
            // The guard takes readings of 0.2 mV and more for a measurement of the loop, and the
            // coarsest range of the meter may be off by 50 µV.
            (Kind::WrongRange, Place::Loop) => 1.25,
            (Kind::Offset, Place::Loop) => 1.0 + fault.size.unwrap_or(0.0).abs() / 0.2e-3,
            _ => 1.0,
        };
        self.plan.fault.iter().map(wrong).product()
    }

    /// A supply that held back in secret makes a step that nobody told it when it lets go, and overshoots
    /// by its own share of that.
    fn let_go(&self) -> f64 {
        let any = |kinds: &[Kind]| self.plan.fault.iter().any(|f| kinds.contains(&f.kind));
        let held = any(&[Kind::SetClamped, Kind::SetIgnored]) && any(&[Kind::ReadBackLies]);
        if held { 1.0 + OVERSHOOT } else { 1.0 }
    }
}
