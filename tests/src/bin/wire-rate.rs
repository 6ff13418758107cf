//! `wire-rate [ROUNDS]`: questions per second over TCP and over a pseudo-terminal, by this
//! project's link, by a bare loop of writes and reads, and by PyVISA-py: in turns, on one server.
//! Prints the best of each and their ratios. All of it shares one core: on several, the time for
//! waking another core, which the system's scheduler decides, hides what the clients themselves need.

use drivers::{Link, Wire};
use rustix::pty::{OpenptFlags, grantpt, ioctl_tiocgptpeer, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use rustix::thread::{CpuSet, sched_getaffinity, sched_setaffinity};
use std::error::Error;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::fd::{AsFd, OwnedFd};
use std::path::Path;
use std::process::{Command, ExitCode};
use std::thread;
use std::time::{Duration, Instant};

const QUESTION: &str = ":MEAS:VOLT?";
const ANSWER: &[u8] = b"+1.23456789E-01\n";
const DEADLINE: Duration = Duration::from_secs(5);
/// A rate is that of the quickest so many questions in a row, so that other programs on the machine
/// count for little.
const IN_A_ROW: u32 = 500;
/// So often in one turn.
const TIMES: u32 = 40;

type Outcome<T> = Result<T, Box<dyn Error>>;

/// Answers every line until the other end closes.
fn answer(mut wire: impl Read + Write) {
    let mut bytes = [0; 256];
    while let Ok(count @ 1..) = wire.read(&mut bytes) {
        for _ in bytes[..count].iter().filter(|byte| **byte == b'\n') {
            if wire.write_all(ANSWER).is_err() {
                return;
            }
        }
    }
}

/// A server on a free TCP port, one client at a time.
fn on_tcp() -> Outcome<u16> {
    let listener = TcpListener::bind(("127.0.0.1", 0))?;
    let port = listener.local_addr()?.port();
    thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            if stream.set_nodelay(true).is_ok() {
                answer(stream);
            }
        }
    });
    Ok(port)
}

/// A server on a new pseudo-terminal, whose path it gives with the handle that keeps it there.
fn on_port() -> Outcome<(String, OwnedFd)> {
    let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
    let end = openpt(flags)?;
    grantpt(&end)?;
    unlockpt(&end)?;
    let path = ptsname(&end, Vec::new())?.into_string()?;
    let kept = ioctl_tiocgptpeer(&end, flags)?;
    make_raw(&kept)?;
    thread::spawn(move || answer(File::from(end)));
    Ok((path, kept))
}

/// Sets a port so that a read waits for what comes, as it is.
fn make_raw(port: impl AsFd) -> Outcome<()> {
    let mut modes = tcgetattr(&port)?;
    modes.make_raw();
    Ok(tcsetattr(&port, OptionalActions::Now, &modes)?)
}

/// The rate where the quickest [`IN_A_ROW`] took so long.
fn rate(quickest: Duration) -> f64 {
    f64::from(IN_A_ROW) / quickest.as_secs_f64()
}

fn bare_on_tcp(port: u16) -> Outcome<f64> {
    let stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.set_nodelay(true)?;
    bare(&stream, &stream)
}

fn bare_on_port(path: &str) -> Outcome<f64> {
    let port = File::options().read(true).write(true).open(path)?;
    // The one before may have left it otherwise.
    make_raw(&port)?;
    bare(&port, &port)
}

fn bare(mut to: impl Write, from: impl Read) -> Outcome<f64> {
    let mut answers = BufReader::new(from);
    let mut line = String::new();
    let mut quickest = Duration::MAX;
    for _ in 0..TIMES {
        let began = Instant::now();
        for _ in 0..IN_A_ROW {
            to.write_all(b":MEAS:VOLT?\n")?;
            line.clear();
            answers.read_line(&mut line)?;
        }
        quickest = quickest.min(began.elapsed());
    }
    Ok(rate(quickest))
}

async fn asked(mut link: Link) -> Outcome<f64> {
    link.query(QUESTION, DEADLINE).await?;
    let mut quickest = Duration::MAX;
    for _ in 0..TIMES {
        let began = Instant::now();
        for _ in 0..IN_A_ROW {
            link.query(QUESTION, DEADLINE).await?;
        }
        quickest = quickest.min(began.elapsed());
    }
    Ok(rate(quickest))
}

/// Our link, on a runtime as the program has it.
fn ours(resource: &str) -> Outcome<f64> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async {
        let link = Link::open(&resource.parse()?, &Wire::lines(DEADLINE)).await?;
        asked(link).await
    })
}

fn pyvisa(resource: &str) -> Outcome<f64> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let mut python = Command::new(root.join("target/peers/bin/python"));
    python.arg(root.join("tests/peers/rate.py"));
    let counts = [IN_A_ROW, TIMES].map(|count| count.to_string());
    let output = python.arg(resource).args(counts).output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into());
    }
    let seconds: f64 = String::from_utf8(output.stdout)?.trim().parse()?;
    Ok(rate(Duration::from_secs_f64(seconds)))
}

/// Keeps this thread, and the threads and programs that it starts, to one of the cores it may use.
fn share_one_core() -> Outcome<()> {
    let allowed = sched_getaffinity(None)?;
    let first = (0..CpuSet::MAX_CPU).find(|core| allowed.is_set(*core));
    let mut one = CpuSet::new();
    one.set(first.ok_or("no core to run on")?);
    Ok(sched_setaffinity(None, &one)?)
}

/// Takes the turns and prints what came of them.
fn measure(rounds: u32) -> Outcome<()> {
    share_one_core()?;
    let tcp = on_tcp()?;
    let socket = format!("TCPIP::127.0.0.1::{tcp}::SOCKET");
    let (path, _kept) = on_port()?;
    let port = format!("ASRL{path}::INSTR");
    let mut best = [0.0_f64; 6];
    println!("questions/s  TCP: bare      ours  PyVISA-py | port: bare      ours  PyVISA-py");
    for round in 1..=rounds {
        let turn = [
            bare_on_tcp(tcp)?,
            ours(&socket)?,
            pyvisa(&socket)?,
            bare_on_port(&path)?,
            ours(&port)?,
            pyvisa(&port)?,
        ];
        for (best, rate) in best.iter_mut().zip(turn) {
            *best = best.max(rate);
        }
        show(&format!("round {round}"), turn);
    }
    show("best", best);
    let [bare, link, python, bare_on_port, on_port, python_on_port] = best;
    println!("TCP: ours / bare loop  {:.0} %", 100.0 * link / bare);
    println!("TCP: ours / PyVISA-py  {:.1}", link / python);
    println!(
        "port: ours / bare loop {:.0} %",
        100.0 * on_port / bare_on_port
    );
    println!("port: ours / PyVISA-py {:.1}", on_port / python_on_port);
    Ok(())
}

fn show(name: &str, rates: [f64; 6]) {
    let [bare, link, python, bare_on_port, on_port, python_on_port] = rates;
    println!(
        "{name:<12} {bare:>9.0} {link:>9.0} {python:>10.0} | {bare_on_port:>10.0} {on_port:>9.0} \
         {python_on_port:>10.0}"
    );
}

fn main() -> ExitCode {
    let rounds = std::env::args()
        .nth(1)
        .map_or(Ok(5), |text| text.parse::<u32>());
    let Ok(rounds) = rounds else {
        eprintln!("usage: wire-rate [ROUNDS]");
        return ExitCode::from(2);
    };
    match measure(rounds) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}
