//! `simulate`: the simulated bench over TCP and on serial ports, in real time.

mod log;
mod ports;

use crate::exit::{Failure, INSTRUMENT, STORE};
use crate::output::print;
use clap::Args;
use hw_sim::{Bench, Faults, MovementSpec, Pool, SharedBench, Truth};
use ports::Ports;
use std::fs::File;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

/// The first port of `rigs/simulated-tcp.toml`.
const FIRST_PORT: u16 = 5025;

/// Arguments of `simulate`.
#[derive(Debug, Args)]
pub struct Arguments {
    /// A movement of the library, "random" (measurable), or "any" (all kinds)
    #[arg(long, default_value = "random")]
    movement: String,
    /// Seed of everything that varies
    #[arg(long)]
    seed: Option<u64>,
    /// Write to this file, as JSON lines, when the rig was really driven
    #[arg(long)]
    log: Option<String>,
    /// First of five ports on 127.0.0.1, or six with --digipots
    #[arg(long, default_value_t = FIRST_PORT)]
    port: u16,
    /// Serve a plain-ASCII supply and a four-byte relay board on serial ports in this folder, too
    #[arg(long, value_name = "FOLDER")]
    serial: Option<PathBuf>,
    /// The series bank is of digital potentiometers, whose bridge is served, too
    #[arg(long)]
    digipots: bool,
    /// File of faults that strike on the bench
    #[arg(long, value_name = "FILE")]
    faults: Option<String>,
}

/// Reads a fault file; no faults where none is named.
///
/// # Errors
/// What is wrong with it, with line and column.
pub fn faults(path: Option<&str>) -> Result<Faults, Failure> {
    let Some(path) = path else {
        return Ok(Faults::default());
    };
    let text = std::fs::read_to_string(path)
        .map_err(|error| Failure::usage(format!("{path}: {error}")))?;
    Faults::parse(&text, path).map_err(|error| Failure::usage(error.to_string()))
}

/// Finds a simulated movement by name.
///
/// # Errors
/// When there is none of that name.
pub fn movement(name: &str, seed: u64) -> Result<MovementSpec, Failure> {
    match name {
        "random" => Ok(hw_sim::random(seed, Pool::Measurable)),
        "any" => Ok(hw_sim::random(seed, Pool::Any)),
        name => hw_sim::find(name).ok_or_else(|| {
            let names: Vec<String> = hw_sim::library().into_iter().map(|m| m.name).collect();
            Failure::usage(format!(
                "there is no simulated movement \"{name}\"; there are random, any, {}",
                names.join(", ")
            ))
        }),
    }
}

/// The simulated bench; with digital potentiometers as its series bank where these are asked for.
pub fn bench(movement: &MovementSpec, seed: u64, faults: &Faults, digipots: bool) -> SharedBench {
    let bench = Bench::faulty(movement, seed, faults);
    Arc::new(Mutex::new(match digipots {
        true => bench.on_digipots(seed),
        false => bench,
    }))
}

/// A seed from the clock, small enough to be typed again.
pub fn seed() -> u64 {
    jiff::Timestamp::now().as_millisecond().unsigned_abs() % 1_000_000_007
}

/// Runs the command.
///
/// # Errors
/// When the movement is not known or a port can't be had.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let seed = arguments.seed.unwrap_or_else(seed);
    let movement = movement(&arguments.movement, seed)?;
    let faults = faults(arguments.faults.as_deref())?;
    let bench = bench(&movement, seed, &faults, arguments.digipots);
    let unkept = |error| {
        let log = arguments.log.as_deref().unwrap_or_default();
        Failure::new(STORE, format!("{log}: {error}"))
    };
    let log = arguments.log.as_ref().map(File::create);
    let log = log.transpose().map_err(unkept)?;
    let (asks, mut stop) = tokio::sync::watch::channel(false);
    super::on_signal(asks)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async {
        let listening = hw_sim::tcp(&bench, arguments.port).await.map_err(|error| {
            let text = format!(
                "ports from {}: {error}; choose others with --port",
                arguments.port
            );
            Failure::new(INSTRUMENT, text)
        })?;
        let ports = arguments
            .serial
            .as_deref()
            .map(|folder| Ports::serve(&bench, folder, arguments.digipots));
        let ports = ports.transpose()?;
        print(&served(
            arguments,
            &listening.addresses,
            seed,
            ports.as_ref(),
        ))?;
        tokio::select! {
            biased;
            _ = stop.wait_for(|asked| *asked) => {}
            () = listening.serve() => {}
            kept = kept(&bench, log) => kept.map_err(unkept)?,
        }
        Ok::<(), Failure>(())
    })?;
    let truth = bench.lock().unwrap_or_else(PoisonError::into_inner).truth();
    print(&told(&truth))
}

/// Keeps the log, where one is wanted, until it can't be written.
async fn kept(bench: &SharedBench, log: Option<File>) -> std::io::Result<()> {
    match log {
        Some(file) => log::keep(bench, file).await,
        None => std::future::pending().await,
    }
}

/// Where the instruments are, and which rig file names them there.
fn served(
    arguments: &Arguments,
    addresses: &[(&str, SocketAddr)],
    seed: u64,
    ports: Option<&Ports>,
) -> String {
    let mut text = format!("simulated bench, seed {seed}; Ctrl-C ends it and tells the truth\n");
    for (name, address) in addresses {
        let (host, port) = (address.ip(), address.port());
        text += &format!("  {name:<8} TCPIP::{host}::{port}::SOCKET\n");
    }
    for (name, path) in ports.map(Ports::paths).into_iter().flatten() {
        text += &format!("  {name:<8} ASRL{}::INSTR\n", path.display());
    }
    let first = addresses.first().map(|(_, address)| address.port());
    let usual = first == Some(FIRST_PORT);
    let (rig, usual) = match ports {
        _ if arguments.digipots => ("rigs/simulated-digipots.toml", false),
        None => ("rigs/simulated-tcp.toml", usual),
        Some(ports) => ("rigs/simulated-serial.toml", usual && ports.usual()),
    };
    text + &if usual {
        format!("in another terminal: needlerig characterize {rig}\n")
    } else {
        format!("its rig file: a copy of {rig} with these resources\n")
    }
}

fn told(truth: &Truth) -> String {
    let shown = |value: Option<f64>, unit| {
        value.map_or("none".to_owned(), |v| quantity::engineering(v, unit, 6))
    };
    format!(
        "\nwhat really happened:\n  \
         full-scale current  {}\n  \
         resistance          {}\n  \
         highest needle      {:.2} % of scale\n  \
         stop contacts       {} ({} driven)\n  \
         now                 {}\n",
        shown(truth.full_scale_current, "A"),
        shown(truth.resistance, "Ω"),
        truth.peak_deflection * 100.0,
        truth.stop_hits,
        truth.driven_stop_hits,
        if truth.safe { "safe" } else { "NOT safe" }
    )
}
