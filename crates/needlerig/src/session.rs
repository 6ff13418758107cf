//! One run from open wires to the safe state: on the simulated rig under a fast clock, or on
//! instruments in real time. Both take the same way through drivers, guard and procedure.

use crate::person::{Console, Hand, HandBox, HandSupply, HandSwitch, Person, Terminal, serve};
use crate::simulated_camera::{PictureSight, put_up};
use evidence::{Journal, JournalError, Sight};
use guard::{
    Fault, Guard, ReaderSpec, Rig, Step, WatcherProcess, Watching, Wires, Wiring, check_wiring,
};
use hw_sim::{SharedBench, Truth};
use needle::{Recording, Replay, WireReader};
use procedure::{Depth, Progress, RunEnd, characterize};
use quantity::Seconds;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::{Arc, LazyLock, Mutex, PoisonError};
use std::time::Duration;
use tokio::runtime::{Builder, Runtime};
use tokio::sync::watch;

/// How long the reader may take to answer.
const READER_DEADLINE: Duration = Duration::from_secs(2);

/// How slowly a knob is to be turned, up and down, in slowest periods of the needle.
const SLOWLY: [f64; 2] = [8.0, 16.0];

/// The rig file of the simulated rig, part of the program.
pub const SIMULATED_RIG: &str = include_str!("../../../rigs/simulated.toml");

/// The simulated rig without pictures: its sightings are drawn by chance, with errors as those of
/// the reader are spread. A hundred times faster.
pub static PICTURELESS_RIG: LazyLock<String> = LazyLock::new(|| {
    SIMULATED_RIG
        .replace("kind = \"camera\"", "kind = \"wire\"")
        .replace(
            "source = \"INPROC::camera\"",
            "resource = \"INPROC::reader\"",
        )
});

/// What a run is to do.
#[derive(Clone)]
pub struct Order {
    /// The rig.
    pub rig: Arc<Rig>,
    /// How much is measured.
    pub depth: Depth,
    /// Turns true to end the run in the safe state.
    pub stop: watch::Receiver<bool>,
    opened: Option<Opened>,
    asking: Option<Asking>,
    recording: Option<PathBuf>,
}

/// The terminal of the person who reads the needle, until a run takes it, and what ends that run.
#[derive(Clone)]
struct Asking {
    terminal: Arc<Mutex<Option<Terminal>>>,
    quit: watch::Sender<bool>,
}

/// Is shown the guard, which knows the instruments and what it found, before anything is energised;
/// an error ends the run there.
pub type Opened = Arc<dyn Fn(&Guard) -> Result<(), JournalError> + Send + Sync>;

impl Order {
    /// An order for one run.
    pub fn new(rig: Arc<Rig>, depth: Depth, stop: watch::Receiver<bool>) -> Self {
        Self {
            rig,
            depth,
            stop,
            opened: None,
            asking: None,
            recording: None,
        }
    }

    /// Where a person who reads the needle is asked; `quit` turns true when the person ends the run.
    pub fn asking(mut self, terminal: Terminal, quit: watch::Sender<bool>) -> Self {
        let terminal = Arc::new(Mutex::new(Some(terminal)));
        self.asking = Some(Asking { terminal, quit });
        self
    }

    /// Writes each sighting of the needle down in this file.
    pub fn recording(mut self, to: Option<PathBuf>) -> Self {
        self.recording = to;
        self
    }

    /// Shows `opened` the guard.
    pub fn telling(mut self, opened: Opened) -> Self {
        self.opened = Some(opened);
        self
    }
}

/// A simulated run and what really happened in it.
pub struct Simulated {
    /// How the run ended.
    pub end: Result<RunEnd, Fault>,
    /// The truth, which no analysis may read.
    pub truth: Truth,
    /// Simulated time that passed.
    pub lasted: Seconds,
}

/// Runs on a simulated bench. `fast` lets simulated time pass as fast as it can be computed.
///
/// # Errors
/// When the operating system gives no runtime.
pub fn simulated(
    order: &Order,
    bench: &SharedBench,
    fast: bool,
    journal: Box<dyn Journal>,
    watch: impl FnMut(&Progress),
) -> std::io::Result<Simulated> {
    let runtime = Builder::new_current_thread()
        .enable_all()
        .start_paused(fast)
        .build()?;
    Ok(runtime.block_on(async {
        let began = tokio::time::Instant::now();
        let end = async {
            let sight = match &order.rig.reader {
                ReaderSpec::SimulatedCamera(_) => Some(pictures(bench)?),
                _ => None,
            };
            let inside = Watching::InProcess;
            one_run(order, wires(bench), sight, inside, journal, fast, watch).await
        };
        let end = end.await;
        let mut bench = bench.lock().unwrap_or_else(PoisonError::into_inner);
        bench.catch_up();
        Simulated {
            end,
            truth: bench.truth(),
            lasted: began.elapsed().into(),
        }
    }))
}

/// Runs on the instruments that the rig file names, in real time, under the eyes of a watcher that
/// reports to the file `report`.
///
/// # Errors
/// When the operating system gives no runtime.
pub fn real(
    order: &Order,
    report: PathBuf,
    journal: Box<dyn Journal>,
    watch: impl FnMut(&Progress),
) -> std::io::Result<Result<RunEnd, Fault>> {
    let runtime: Runtime = Builder::new_current_thread().enable_all().build()?;
    // No second process can switch off what a hand has switched on.
    let watching = match order.rig.supply.by_hand() {
        true => Watching::InProcess,
        false => watched(report),
    };
    let wires = Wires::new();
    Ok(runtime.block_on(one_run(order, wires, None, watching, journal, false, watch)))
}

fn watched(report: PathBuf) -> Watching {
    Watching::Process(WatcherProcess {
        // This very program, also when its file has been replaced meanwhile.
        program: "/proc/self/exe".into(),
        arguments: vec![crate::commands::watcher::NAME.into()],
        report,
    })
}

/// Verifies the wiring of a simulated bench, as fast as it can be computed.
///
/// # Errors
/// When the operating system gives no runtime.
pub fn check_simulated(
    rig: &Rig,
    bench: &SharedBench,
    stop: watch::Receiver<bool>,
    told: impl FnMut(&Step),
) -> std::io::Result<Result<Wiring, Fault>> {
    let runtime = Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()?;
    Ok(runtime
        .block_on(async { check_wiring(rig, wires(bench), stop, Watching::InProcess, told).await }))
}

/// Verifies the wiring of the rig on its instruments, under the eyes of a watcher that reports to
/// the file `report`.
///
/// # Errors
/// When the operating system gives no runtime.
pub fn check_real(
    rig: &Rig,
    report: PathBuf,
    stop: watch::Receiver<bool>,
    told: impl FnMut(&Step),
) -> std::io::Result<Result<Wiring, Fault>> {
    let runtime: Runtime = Builder::new_current_thread().enable_all().build()?;
    let watching = watched(report);
    Ok(runtime.block_on(check_wiring(rig, Wires::new(), stop, watching, told)))
}

/// The wires of a simulated bench; to be called within a runtime.
fn wires(bench: &SharedBench) -> Wires {
    let named = hw_sim::in_process(bench).into_iter();
    named.map(|(name, wire)| (name.to_owned(), wire)).collect()
}

/// The camera of the simulated bench, with its dial set up.
fn pictures(bench: &SharedBench) -> Result<Box<dyn Sight>, Fault> {
    let (camera, reader) =
        put_up(bench).map_err(|why| Fault::Instrument(format!("reader: {why}")))?;
    Ok(Box::new(PictureSight::new(camera, reader)))
}

async fn one_run(
    order: &Order,
    mut wires: Wires,
    sight: Option<Box<dyn Sight>>,
    watching: Watching,
    journal: Box<dyn Journal>,
    fast: bool,
    watch: impl FnMut(&Progress),
) -> Result<RunEnd, Fault> {
    let console = console(order, fast)?;
    if let Some(console) = &console {
        hands(&order.rig, console, &mut wires);
    }
    let sight = async |wires: &mut Wires| {
        let sight: Box<dyn Sight> = match (sight, &order.rig.reader, console) {
            (Some(sight), ..) => sight,
            (None, ReaderSpec::Person(spec), Some(console)) => {
                Box::new(Person::new(spec.clone(), console))
            }
            (None, spec, _) => reader(spec, wires).await?,
        };
        match &order.recording {
            Some(to) => recorded(sight, to),
            None => Ok(sight),
        }
    };
    let rig = Rig::clone(&order.rig);
    let guard = Guard::start(rig, wires, sight, journal, order.stop.clone(), watching)
        .await
        .map_err(|(fault, _)| fault)?;
    if let Some(opened) = &order.opened
        && let Err(error) = opened(&guard)
    {
        guard.end().await?;
        return Err(error.into());
    }
    let plan = characterize(Arc::clone(&order.rig), order.depth);
    Ok(procedure::run(plan, guard, watch).await)
}

/// Puts a person at the other end of each wire that leads to a hand.
fn hands(rig: &Rig, console: &Console, wires: &mut Wires) {
    if rig.supply.by_hand() {
        let slowly = SLOWLY.map(|periods| rig.limits.slowest_period * periods);
        let supply = HandSupply::new(console.clone(), &rig.supply, slowly);
        attach(wires, "supply", supply);
    }
    if rig.switch.by_hand() {
        attach(wires, "switch", HandSwitch::new(console.clone(), rig));
    }
    if let Some(bank) = rig.pots.as_ref().filter(|bank| bank.by_hand()) {
        attach(wires, "potentiometers", HandBox::new(console.clone(), bank));
    }
}

fn attach(wires: &mut Wires, role: &str, hand: impl Hand) {
    let (ours, theirs) = tokio::io::duplex(1024);
    wires.insert(role.to_owned(), ours);
    // It ends with the wire; what it could not say on it nobody waits for.
    tokio::spawn(async move { drop(serve(hand, theirs).await) });
}

/// The reader, with its sightings written down in the file `to`.
fn recorded(sight: Box<dyn Sight>, to: &Path) -> Result<Box<dyn Sight>, Fault> {
    let recording = File::create(to).and_then(|file| Recording::new(sight, file));
    match recording {
        Ok(recording) => Ok(Box::new(recording)),
        Err(error) => {
            let text = format!("reader: {} can't be written: {error}", to.display());
            Err(Fault::Instrument(text))
        }
    }
}

async fn reader(spec: &ReaderSpec, wires: &mut Wires) -> Result<Box<dyn Sight>, Fault> {
    let lost = |error: needle::ReaderError| Fault::Instrument(error.to_string());
    match spec {
        ReaderSpec::InProcess(name) => {
            let Some(stream) = wires.remove(name) else {
                let text = format!("reader: there is no in-process wire \"{name}\"");
                return Err(Fault::Instrument(text));
            };
            let reader = WireReader::open(stream, READER_DEADLINE)
                .await
                .map_err(lost)?;
            Ok(Box::new(reader))
        }
        ReaderSpec::Tcp(host, port) => {
            let reader = WireReader::connect(host, *port, READER_DEADLINE)
                .await
                .map_err(lost)?;
            Ok(Box::new(reader))
        }
        ReaderSpec::Person(_) => Err(nobody()),
        ReaderSpec::Camera(spec) => crate::camera::open(spec)
            .await
            .map_err(|failure| Fault::Instrument(format!("reader: {failure}"))),
        ReaderSpec::Replay(recording) => Replay::open(recording)
            .map(|replay| Box::new(replay) as Box<dyn Sight>)
            .map_err(|error| Fault::Instrument(format!("reader: {error}"))),
        ReaderSpec::SimulatedCamera(name) => Err(Fault::Instrument(format!(
            "reader: INPROC::{name} is the camera of the simulated bench, which is not here"
        ))),
    }
}

/// The terminal of this order, where its rig needs a person. With a `fast` clock time stands still at
/// each question.
fn console(order: &Order, fast: bool) -> Result<Option<Console>, Fault> {
    if !order.rig.asks_people() {
        return Ok(None);
    }
    let asking = order.asking.as_ref().ok_or_else(nobody)?;
    let mut terminal = asking
        .terminal
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    let terminal = terminal.take().ok_or_else(nobody)?;
    Ok(Some(Console::new(terminal, asking.quit.clone(), fast)))
}

fn nobody() -> Fault {
    let text = "a person belongs to this rig, and nobody can be asked here";
    Fault::Instrument(text.to_owned())
}
