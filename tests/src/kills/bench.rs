//! A simulated bench in a process of its own, and runs on it in others.

use serde::Deserialize;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tempfile::TempDir;

/// What may go wrong with a check itself.
pub type Error = Box<dyn std::error::Error + Send + Sync>;

/// Longest wait for a line or an end that must come.
const PATIENCE: Duration = Duration::from_secs(60);

/// A simulated bench in a process of its own, with a folder for the files of its runs.
pub struct Bench {
    /// The folder.
    pub folder: TempDir,
    program: PathBuf,
    simulator: Child,
}

/// The rig's true state from a moment on, as `simulate --log` tells it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct State {
    /// Seconds since 1970-01-01 UTC.
    pub at: f64,
    /// Voltage at the supply's terminals.
    pub driven: bool,
    /// Channels whose contacts are not at rest; one of them would leave the short open.
    pub away: Vec<u16>,
    /// Highest deflection so far.
    pub peak: f64,
    /// Times that the needle was driven into a stop.
    pub driven_stop_hits: u32,
}

impl State {
    /// Supply off, short closed, everything else open.
    pub fn safe(&self) -> bool {
        !self.driven && self.away.is_empty()
    }
}

impl Bench {
    /// Starts `program simulate` on free ports, and writes a rig file for it whose runs count as
    /// real: each observation is on disk before the run goes on.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn start(program: &Path, seed: u64) -> Result<Self, Error> {
        let rig = include_str!("../../../rigs/simulated-tcp.toml");
        Self::start_with(program, seed, rig, &[])
    }

    /// As [`Bench::start`], with supply and relay board on serial ports.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn start_on_ports(program: &Path, seed: u64) -> Result<Self, Error> {
        let rig = include_str!("../../../rigs/simulated-serial.toml");
        let bench = Self::start_with(program, seed, rig, &["--serial", "ports"])?;
        let text = std::fs::read_to_string(bench.path("rig.toml"))?;
        let ports = bench.path("ports").display().to_string();
        std::fs::write(
            bench.path("rig.toml"),
            text.replace("/tmp/needlerig", &ports),
        )?;
        Ok(bench)
    }

    fn start_with(program: &Path, seed: u64, rig: &str, ports: &[&str]) -> Result<Self, Error> {
        let folder = tempfile::tempdir()?;
        let mut simulator = Command::new(program)
            .current_dir(&folder)
            .args(["simulate", "--port", "0", "--log", "truth.jsonl"])
            .args(["--seed", &seed.to_string()])
            .args(ports)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()?;
        let told = simulator.stdout.take().ok_or("no output")?;
        let bench = Self {
            folder,
            program: program.to_owned(),
            simulator,
        };
        let resources: Vec<String> = BufReader::new(told)
            .lines()
            .map_while(Result::ok)
            .filter_map(|line| Some(line[line.find("TCPIP")?..].to_owned()))
            .take(5)
            .collect();
        let mut rig = rig.replace("simulated = true", "simulated = false");
        for (port, resource) in (5025..).zip(&resources) {
            rig = rig.replace(&format!("TCPIP::127.0.0.1::{port}::SOCKET"), resource);
        }
        std::fs::write(bench.path("rig.toml"), rig)?;
        Ok(bench)
    }

    /// A file in the bench's folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The store of its runs.
    pub fn store(&self) -> PathBuf {
        self.path("needlerig.sqlite")
    }

    /// Starts a run.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn run(&self) -> Result<Run, Error> {
        let mut command = Command::new(&self.program);
        command.args(["characterize", "rig.toml", "--yes", "--quick"]);
        self.start_run(command)
    }

    /// Starts a run by way of a shell, which may set limits first.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn run_by(&self, shell: &str) -> Result<Run, Error> {
        let words = " characterize rig.toml --yes --quick";
        let program = self.program.display();
        self.run_in(&format!("{shell}; exec {program}{words}"))
    }

    /// Starts what a shell is told.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn run_in(&self, shell: &str) -> Result<Run, Error> {
        let mut command = Command::new("sh");
        command.args(["-c", shell]);
        self.start_run(command)
    }

    fn start_run(&self, mut command: Command) -> Result<Run, Error> {
        let mut child = command
            .current_dir(&self.folder)
            .env(
                "NEEDLERIG_LOG",
                "needlerig::kept=trace,needlerig::wire=trace",
            )
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()?;
        let told = child.stderr.take().ok_or("no output")?;
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(told).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        Ok(Run {
            child,
            lines,
            kept: None,
            kept_at: 0.0,
            told: Vec::new(),
        })
    }

    /// The rig's true states so far.
    ///
    /// # Errors
    /// When the log can't be read.
    pub fn states(&self) -> Result<Vec<State>, Error> {
        let file = BufReader::new(File::open(self.path("truth.jsonl"))?);
        // The last line may be half written.
        let lines = file.lines().map_while(Result::ok);
        Ok(lines
            .filter_map(|line| serde_json::from_str(&line).ok())
            .collect())
    }

    /// Names of the watchers' reports that no run has told of yet.
    ///
    /// # Errors
    /// When the folder can't be listed.
    pub fn reports(&self) -> Result<Vec<String>, Error> {
        let mut names = Vec::new();
        for entry in self.folder.path().read_dir()? {
            let name = entry?.file_name().to_string_lossy().into_owned();
            if name.contains("watcher") {
                names.push(name);
            }
        }
        Ok(names)
    }

    /// Waits until the rig is safe, and says since when.
    ///
    /// # Errors
    /// When it is not within ten seconds.
    pub fn safe_since(&self) -> Result<f64, Error> {
        let until = Instant::now() + Duration::from_secs(10);
        loop {
            let states = self.states()?;
            let last = states.last().ok_or("the log is empty")?;
            if last.safe() {
                return Ok(last.at);
            }
            if Instant::now() > until {
                return Err(format!("the rig is not safe: {last:?}").into());
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        // It may have ended already; there is nobody to tell either way.
        let _ = self.simulator.kill();
        let _ = self.simulator.wait();
    }
}

/// A run in a process of its own, and what it tells.
pub struct Run {
    /// The process.
    pub child: Child,
    lines: Receiver<String>,
    /// Number of the last observation that was acknowledged.
    pub kept: Option<u64>,
    /// When that was heard, in seconds since 1970-01-01 UTC.
    pub kept_at: f64,
    /// What it told people.
    pub told: Vec<String>,
}

impl Run {
    /// The next line that it tells, traces included; none once it and its watcher have ended, or
    /// when nothing came for `wait`.
    pub fn line(&mut self, wait: Duration) -> Option<String> {
        let line = self.lines.recv_timeout(wait).ok()?;
        if let Some((_, seq)) = line.split_once("needlerig::kept: seq=") {
            self.kept = seq.parse().ok().or(self.kept);
            self.kept_at = now();
        } else if !line.contains("needlerig::wire") {
            self.told.push(line.clone());
        }
        Some(line)
    }

    /// Waits for a line with `part` in it.
    ///
    /// # Errors
    /// When none comes.
    pub fn wait_for(&mut self, part: &str) -> Result<(), Error> {
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until {
            match self.line(PATIENCE) {
                Some(line) if line.contains(part) => return Ok(()),
                Some(_) => {}
                None => break,
            }
        }
        Err(format!("no \"{part}\": {:?}", self.told).into())
    }

    /// Sends a signal, by its name.
    ///
    /// # Errors
    /// When it can't be sent.
    pub fn signal(&self, name: &str) -> Result<(), Error> {
        signal(self.child.id(), name)
    }

    /// Process number of its watcher.
    ///
    /// # Errors
    /// When it has none.
    pub fn watcher(&self) -> Result<u32, Error> {
        let id = self.child.id();
        let children = std::fs::read_to_string(format!("/proc/{id}/task/{id}/children"))?;
        Ok(children.trim().parse()?)
    }

    /// Waits until the run and its watcher have closed their output, and for the exit code.
    ///
    /// # Errors
    /// When that does not come.
    pub fn end(&mut self) -> Result<Option<i32>, Error> {
        let until = Instant::now() + PATIENCE;
        loop {
            let over = self.line(Duration::from_millis(100)).is_none();
            if over && let Some(status) = self.child.try_wait()? {
                // The watcher may still have something to say.
                while self.line(PATIENCE).is_some() {}
                return Ok(status.code());
            }
            if Instant::now() > until {
                return Err(format!("it does not end: {:?}", self.told).into());
            }
        }
    }
}

impl Drop for Run {
    fn drop(&mut self) {
        // It may have ended already; there is nobody to tell either way.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Seconds since 1970-01-01 UTC.
pub fn now() -> f64 {
    // A clock before 1970 fails the comparison that it is for.
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0.0, |since| since.as_secs_f64())
}

/// Sends a signal, by its name, to a process.
///
/// # Errors
/// When it can't be sent.
pub fn signal(process: u32, name: &str) -> Result<(), Error> {
    let mut kill = Command::new("kill");
    kill.args(["-s", name, &process.to_string()]);
    match kill.status()?.success() {
        true => Ok(()),
        false => Err(format!("no signal {name} to {process}").into()),
    }
}
