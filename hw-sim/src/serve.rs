//! The instruments on their wires: in-process byte streams, or TCP on the loopback interface.

use crate::bench::SharedBench;
use crate::camera::Look;
use crate::faults::{Place, wire};
use crate::instruments::{Desk, Role};
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader, DuplexStream};
use tokio::net::TcpListener;
use tokio::task::JoinSet;
use tokio::time::{Duration, sleep, sleep_until};

/// Names of the instruments, in the order in which they are served; the last one only on a bench with
/// digital potentiometers in its circuit.
pub const NAMES: [&str; 6] = ["supply", "drop", "loop", "switch", "reader", "pots"];

/// Longest line an instrument takes, bytes.
const LONGEST_LINE: usize = 4096;
/// What the bridge to the potentiometers takes for a line and its answer, ms.
const BRIDGE_MS: u64 = 3;

/// One instrument, shared by its clients.
#[derive(Clone)]
struct Unit {
    place: Place,
    bench: SharedBench,
    front: Front,
}

#[derive(Clone)]
enum Front {
    Scpi(Arc<Mutex<Desk>>),
    Reader,
    Bridge,
}

fn units(bench: &SharedBench) -> Vec<(&'static str, Unit)> {
    let unit = |place, front| Unit {
        place,
        bench: bench.clone(),
        front,
    };
    let desk = |role: Role| {
        let desk = Desk::new(role, bench.clone());
        unit(role.place(), Front::Scpi(Arc::new(Mutex::new(desk))))
    };
    let mut units = vec![
        (NAMES[0], desk(Role::Supply)),
        (NAMES[1], desk(Role::Meter(crate::bench::DROP))),
        (NAMES[2], desk(Role::Meter(crate::bench::LOOP))),
        (NAMES[3], desk(Role::Switch)),
        (NAMES[4], unit(Place::Reader, Front::Reader)),
    ];
    if lock(bench).wiring.pots.in_circuit {
        units.push((NAMES[5], unit(Place::Bridge, Front::Bridge)));
    }
    units
}

/// Serves every instrument on an in-process stream, each in a task of its own on the current
/// runtime. A task ends when the other end of its stream is dropped.
pub fn in_process(bench: &SharedBench) -> Vec<(&'static str, DuplexStream)> {
    let serve = |(name, unit): (&'static str, Unit)| {
        let (client, server) = tokio::io::duplex(LONGEST_LINE);
        tokio::spawn(converse(unit, server));
        (name, client)
    };
    units(bench).into_iter().map(serve).collect()
}

/// Instruments listening on TCP; dropping it ends them.
pub struct Listening {
    /// Where each instrument listens.
    pub addresses: Vec<(&'static str, SocketAddr)>,
    tasks: JoinSet<()>,
}

impl Listening {
    /// Serves for ever.
    pub async fn serve(mut self) {
        while self.tasks.join_next().await.is_some() {}
    }
}

/// Binds one port of 127.0.0.1 for each instrument, from `first_port` on (0: any free ones), and serves
/// it there, several clients at a time.
///
/// # Errors
/// The operating system's, when a port cannot be had.
pub async fn tcp(bench: &SharedBench, first_port: u16) -> io::Result<Listening> {
    let mut addresses = Vec::new();
    let mut tasks = JoinSet::new();
    for (offset, (name, unit)) in (0u16..).zip(units(bench)) {
        let port = if first_port == 0 {
            0
        } else {
            first_port.saturating_add(offset)
        };
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await?;
        addresses.push((name, listener.local_addr()?));
        tasks.spawn(accept(listener, unit));
    }
    Ok(Listening { addresses, tasks })
}

async fn accept(listener: TcpListener, unit: Unit) {
    let mut clients = JoinSet::new();
    loop {
        match listener.accept().await {
            Ok((stream, peer)) => {
                while clients.try_join_next().is_some() {}
                if let Err(error) = stream.set_nodelay(true) {
                    tracing::debug!(%peer, %error, "cannot switch off output coalescing");
                }
                clients.spawn(converse(unit.clone(), stream));
            }
            Err(error) => {
                tracing::warn!(%error, "cannot accept a client");
                sleep(Duration::from_millis(50)).await;
            }
        }
    }
}

/// Talks with one client until it hangs up.
async fn converse(unit: Unit, stream: impl AsyncRead + AsyncWrite + Unpin) {
    let spoilt = lock(&unit.bench).spoils_wire(unit.place);
    let done = if spoilt {
        let (instrument, wire) = tokio::io::duplex(LONGEST_LINE);
        let (bench, place) = (unit.bench.clone(), unit.place);
        // When the wire ends, the instrument still carries out what it has received.
        let (carried, exchanged) = tokio::join!(
            biased;
            wire::carry(&bench, place, stream, wire),
            exchange(unit, instrument),
        );
        carried.and(exchanged)
    } else {
        exchange(unit, stream).await
    };
    if let Err(error) = done {
        tracing::debug!(%error, "a client's connection broke");
    }
}

async fn exchange(unit: Unit, stream: impl AsyncRead + AsyncWrite + Unpin) -> io::Result<()> {
    let mut stream = BufReader::with_capacity(LONGEST_LINE, stream);
    let mut line = Vec::with_capacity(128);
    let mut reply = Vec::with_capacity(128);
    loop {
        line.clear();
        match read_line(&mut stream, &mut line).await? {
            Line::End => return Ok(()),
            Line::TooLong => {
                if let Front::Scpi(desk) = &unit.front {
                    lock(desk).overrun();
                }
                continue;
            }
            Line::Whole => {}
        }
        match &unit.front {
            Front::Scpi(desk) => answer(desk, &line, &mut reply).await,
            Front::Reader => look(&unit.bench, &line, &mut reply).await,
            Front::Bridge => bridge(&unit.bench, &line, &mut reply).await,
        }
        if !reply.is_empty() {
            stream.write_all(&reply).await?;
            stream.flush().await?;
        }
    }
}

enum Line {
    Whole,
    TooLong,
    End,
}

/// Reads up to a line feed; what is longer than the input buffer is read to its end and dropped.
async fn read_line<S: AsyncBufReadExt + Unpin>(
    stream: &mut S,
    line: &mut Vec<u8>,
) -> io::Result<Line> {
    let mut too_long = false;
    loop {
        let chunk = stream.fill_buf().await?;
        if chunk.is_empty() {
            return Ok(Line::End);
        }
        let end = chunk.iter().position(|byte| *byte == b'\n');
        let taken = end.map_or(chunk.len(), |at| at + 1);
        if line.len() + taken > LONGEST_LINE {
            too_long = true;
            line.clear();
        }
        if !too_long {
            line.extend_from_slice(&chunk[..taken]);
        }
        stream.consume(taken);
        if end.is_some() {
            return Ok(if too_long { Line::TooLong } else { Line::Whole });
        }
    }
}

async fn answer(desk: &Mutex<Desk>, line: &[u8], reply: &mut Vec<u8>) {
    let latency = lock(desk).latency_ms();
    sleep(Duration::from_millis(latency)).await;
    let hold = {
        let mut desk = lock(desk);
        let ready = desk.execute(line, reply);
        (ready > 0).then(|| desk.instant(ready))
    };
    if let Some(instant) = hold {
        sleep_until(instant).await;
    }
    lock(desk).complete(reply);
}

/// The bridge to the potentiometers.
async fn bridge(bench: &SharedBench, line: &[u8], reply: &mut Vec<u8>) {
    sleep(Duration::from_millis(BRIDGE_MS)).await;
    let mut bench = lock(bench);
    bench.catch_up();
    bench.received(Place::Bridge);
    let line = std::str::from_utf8(line.trim_ascii()).unwrap_or_default();
    *reply = bench.ask_bridge(line).into_bytes();
}

/// The needle reader's own protocol.
async fn look(bench: &SharedBench, line: &[u8], reply: &mut Vec<u8>) {
    reply.clear();
    let text = match line.trim_ascii() {
        b"WHO" => "READER Lantern 2\n".to_owned(),
        b"LOOK" => {
            let (number, instant) = {
                let mut bench = lock(bench);
                bench.catch_up();
                bench.received(Place::Reader);
                let (number, at) = bench.next_picture();
                (number, bench.instant(at))
            };
            sleep_until(instant).await;
            let seen = {
                let mut bench = lock(bench);
                bench.catch_up();
                bench.look(number)
            };
            match seen {
                Look::Seen {
                    deflection,
                    own,
                    shared,
                    age,
                } => {
                    format!("SEEN {deflection:.6} {own:.6} {shared:.6} {age:.6}\n")
                }
                Look::Unseen(reason) => format!("UNSEEN {reason}\n"),
            }
        }
        b"" => String::new(),
        _ => "UNSEEN request not understood\n".to_owned(),
    };
    reply.extend_from_slice(text.as_bytes());
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
