//! One run on the simulated bench with something wrong in it, under the paused clock.

use super::proxy::{Rule, Wrong, spoil};
use evidence::{Journal, Observation, Sight};
use guard::{Fault, Guard, Rig, SafeReport, Watching, Wires};
use hw_sim::{Bench, MovementSpec, SharedBench, Truth};
use needle::WireReader;
use needlerig::session::PICTURELESS_RIG;
use needlerig_tests::campaign::Tap;
use procedure::{Depth, Outcome, Plan, RunEnd, Stopped, characterize};
use std::future::Future;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::watch;
use tokio::time::Duration;

/// Runs `body` on a runtime whose clock jumps to the next event.
pub fn paused<F: Future>(body: F) -> F::Output {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()
        .unwrap()
        .block_on(body)
}

/// The bench and its wires.
pub struct Stage {
    pub bench: SharedBench,
    pub wires: Wires,
    pub rig: Arc<Rig>,
    pub tap: Tap,
    pub asks: watch::Sender<bool>,
    pub stop: watch::Receiver<bool>,
}

impl Stage {
    pub fn new(movement: &str) -> Self {
        Self::of(&hw_sim::find(movement).unwrap(), 7)
    }

    pub fn of(movement: &MovementSpec, seed: u64) -> Self {
        Self::on(Bench::standard(movement, seed))
    }

    pub fn on(bench: Bench) -> Self {
        let bench: SharedBench = Arc::new(Mutex::new(bench));
        let wires = hw_sim::in_process(&bench)
            .into_iter()
            .map(|(name, wire)| (name.to_owned(), wire))
            .collect();
        let (asks, stop) = watch::channel(false);
        Self {
            bench,
            wires,
            rig: Arc::new(Rig::parse(&PICTURELESS_RIG, "simulated.toml").unwrap()),
            tap: Tap::default(),
            asks,
            stop,
        }
    }

    /// One replacement in the rig file.
    pub fn edit(&mut self, old: &str, new: &str) {
        let text = PICTURELESS_RIG.replacen(old, new, 1);
        assert_ne!(text, *PICTURELESS_RIG, "\"{old}\" is not in the file");
        self.rig = Arc::new(Rig::parse(&text, "simulated.toml").unwrap());
    }

    pub fn spoil(&mut self, wire: &str, rule: Rule) {
        let good = self.wires.remove(wire).unwrap();
        self.wires.insert(wire.to_owned(), spoil(good, rule));
    }

    /// Starts the guard with this journal.
    pub async fn guard(&mut self, journal: Box<dyn Journal>) -> Result<Guard, Fault> {
        let reader = async |wires: &mut Wires| {
            let missing = || Fault::Instrument("reader: it is missing".to_owned());
            let eye = wires.remove("reader").ok_or_else(missing)?;
            let eye = WireReader::open(eye, needle::DEADLINE).await.unwrap();
            Ok(Box::new(eye) as Box<dyn Sight>)
        };
        self.start(reader, journal).await
    }

    /// Starts the guard with somebody else as reader.
    pub async fn seen_by(&mut self, sight: impl Sight + 'static) -> Guard {
        let journal = Box::new(self.tap.clone());
        let reader = async |_: &mut Wires| Ok(Box::new(sight) as Box<dyn Sight>);
        self.start(reader, journal).await.unwrap()
    }

    async fn start(
        &mut self,
        reader: impl AsyncFnOnce(&mut Wires) -> Result<Box<dyn Sight>, Fault>,
        journal: Box<dyn Journal>,
    ) -> Result<Guard, Fault> {
        let wires = std::mem::take(&mut self.wires);
        let rig = Rig::clone(&self.rig);
        let (stop, inside) = (self.stop.clone(), Watching::InProcess);
        Guard::start(rig, wires, reader, journal, stop, inside)
            .await
            .map_err(|(fault, _)| fault)
    }

    /// The truth, with all that followed from the last command.
    pub fn truth(&self) -> Truth {
        let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
        bench.catch_up();
        bench.truth()
    }
}

/// How a run ended.
pub struct Done {
    pub plan: Option<Result<Outcome, Stopped>>,
    pub fault: Option<Fault>,
    /// What making safe found; none when the run did not begin.
    pub safe: Option<SafeReport>,
    pub truth: Truth,
    pub kept: Vec<Observation>,
    /// Voltage at the supply's terminals after the end.
    pub volts: f64,
    /// Channels whose contacts are not at rest after the end.
    pub closed: Vec<u16>,
    /// Which wire had the fault.
    pub broken: Option<&'static str>,
}

impl Done {
    /// The rig is safe, the needle was not over-driven, and what was seen was kept in order. An
    /// instrument that can't be reached stays as it is: then the other one alone makes safe.
    pub fn assert_safe(&self) {
        assert_at_rest(&self.truth);
        if self.broken != Some("supply") {
            assert!(self.volts < 3e-3, "{} V after the end", self.volts);
        }
        if self.broken != Some("switch") {
            assert!(self.closed.is_empty(), "not at rest: {:?}", self.closed);
        }
        for (number, observation) in self.kept.iter().enumerate() {
            assert_eq!(observation.seq, number as u64, "an observation is missing");
        }
    }

    /// As [`Self::assert_safe`], but for a contact that can't open.
    pub fn assert_safe_except_welds(&self) {
        assert_at_rest(&self.truth);
        assert!(self.volts < 3e-3, "{} V after the end", self.volts);
    }

    /// As [`Self::assert_safe`], with something seen before the fault.
    pub fn assert_safe_with_record(&self) {
        self.assert_safe();
        assert!(!self.kept.is_empty(), "nothing was kept");
        assert!(self.truth.peak_current > 1e-7, "nothing was ever driven");
    }

    pub fn fault(&self) -> &Fault {
        self.fault.as_ref().unwrap_or_else(|| {
            panic!("no fault; the plan ended with {:?}", self.plan);
        })
    }

    /// The text of an instrument's fault.
    pub fn instrument(&self) -> &str {
        match self.fault() {
            Fault::Instrument(text) => text,
            other => panic!("not an instrument's fault: {other}"),
        }
    }
}

/// 1 nA is the leakage that the rig file grants an open movement; nothing may drive more.
pub fn assert_at_rest(truth: &Truth) {
    assert!(
        truth.current.abs() < 1e-9,
        "{} A still flows",
        truth.current
    );
    let peak = truth.peak_deflection;
    assert!(peak <= 1.02, "the needle went to {peak}");
    assert_eq!(truth.driven_stop_hits, 0, "driven against a stop");
}

/// Something done to the bench behind everybody's back.
pub type Harm = fn(&mut Bench);

/// One characterisation, with a fault in one wire.
pub struct Scene {
    movement: &'static str,
    /// What happens to the bench when this phase begins.
    harm: Option<(&'static str, Harm)>,
    /// One replacement in the rig file.
    edit: Option<(&'static str, &'static str)>,
    broken: Option<(&'static str, Rule)>,
    /// The fault becomes possible when this phase begins.
    armed_in: Option<&'static str>,
    /// Somebody asks to stop when this phase begins.
    stop_in: Option<&'static str>,
    /// The journal fails after this many observations.
    full_after: Option<usize>,
}

impl Scene {
    pub const SOUND: Self = Self {
        movement: "heron",
        harm: None,
        edit: None,
        broken: None,
        armed_in: None,
        stop_in: None,
        full_after: None,
    };

    /// `wrong` from the first line on that starts with `prefix`, after `skip` others.
    pub fn broken(wire: &'static str, wrong: Wrong, prefix: &'static str, skip: usize) -> Self {
        let rule = Rule {
            wrong,
            prefix,
            skip,
            armed: Arc::new(AtomicBool::new(true)),
        };
        Self {
            broken: Some((wire, rule)),
            ..Self::SOUND
        }
    }

    /// Not before this phase of the procedure.
    pub fn armed_in_phase(mut self, phase: &'static str) -> Self {
        self.armed_in = Some(phase);
        if let Some((_, rule)) = &self.broken {
            rule.armed.store(false, Ordering::Relaxed);
        }
        self
    }

    pub fn stopped_in(mut self, phase: &'static str) -> Self {
        self.stop_in = Some(phase);
        self
    }

    pub fn with(mut self, movement: &'static str) -> Self {
        self.movement = movement;
        self
    }

    /// With one place of the rig file changed: the rig is then not what its file says.
    pub fn edited(mut self, old: &'static str, new: &'static str) -> Self {
        self.edit = Some((old, new));
        self
    }

    pub fn harmed_in(mut self, phase: &'static str, harm: Harm) -> Self {
        self.harm = Some((phase, harm));
        self
    }

    pub fn full_after(mut self, observations: usize) -> Self {
        self.full_after = Some(observations);
        self
    }

    /// Runs to the end, whatever it is, and waits until the needle has fallen.
    pub fn run(self) -> Done {
        paused(async move {
            let mut stage = Stage::new(self.movement);
            if let Some((old, new)) = self.edit {
                stage.edit(old, new);
            }
            let broken = self.broken.as_ref().map(|(wire, _)| *wire);
            let plan = characterize(Arc::clone(&stage.rig), Depth::Quick);
            let armed = self
                .broken
                .as_ref()
                .map(|(_, rule)| Arc::clone(&rule.armed));
            if let Some((wire, rule)) = self.broken {
                stage.spoil(wire, rule);
            }
            let journal: Box<dyn Journal> = match self.full_after {
                Some(room) => Box::new(Full {
                    room,
                    tap: stage.tap.clone(),
                }),
                None => Box::new(stage.tap.clone()),
            };
            let (plan, fault, safe) = match stage.guard(journal).await {
                Err(fault) => (None, Some(fault), None),
                Ok(guard) => {
                    let asks = stage.asks.clone();
                    let (bench, mut harm) = (stage.bench.clone(), self.harm);
                    let end = procedure::run(plan, guard, |progress| {
                        if self.armed_in == Some(progress.phase)
                            && let Some(armed) = &armed
                        {
                            armed.store(true, Ordering::Relaxed);
                        }
                        if let Some((_, act)) = harm.take_if(|(phase, _)| *phase == progress.phase)
                        {
                            act(&mut bench.lock().unwrap());
                        }
                        if self.stop_in == Some(progress.phase) && progress.deflection.is_some() {
                            asks.send_replace(true);
                        }
                    })
                    .await;
                    let ending = end.ending.unwrap();
                    (end.plan, ending.fault, Some(ending.safe))
                }
            };
            let mut done = finish(&stage, plan, fault, safe).await;
            done.broken = broken;
            done
        })
    }
}

async fn finish(
    stage: &Stage,
    plan: Option<Result<Outcome, Stopped>>,
    fault: Option<Fault>,
    safe: Option<SafeReport>,
) -> Done {
    tokio::time::sleep(Duration::from_secs(5)).await;
    let truth = stage.truth();
    let bench = stage.bench.lock().unwrap();
    Done {
        plan,
        fault,
        safe,
        truth,
        kept: stage.tap.take(),
        volts: bench.output_volts(),
        closed: bench.closed_channels(),
        broken: None,
    }
}

/// Runs a plan of the test's own on a sound bench.
pub async fn start(plan: Plan, stage: &mut Stage) -> tokio::task::JoinHandle<RunEnd> {
    let tap = Box::new(stage.tap.clone());
    let guard = stage.guard(tap).await.unwrap();
    tokio::spawn(procedure::run(plan, guard, |_| {}))
}

/// A journal with room for so many observations.
struct Full {
    room: usize,
    tap: Tap,
}

impl Journal for Full {
    fn append(&mut self, observation: &Observation) -> Result<(), evidence::JournalError> {
        if self.room == 0 {
            return Err(evidence::JournalError("no space left".to_owned()));
        }
        self.room -= 1;
        self.tap.append(observation)
    }
}
