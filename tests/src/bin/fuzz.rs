//! `fuzz [COUNT]`: mutated bytes into every reader of what comes from outside, from a stated seed. COUNT
//! million runs for each reader of replies (10), and a tenth of that for rig, dialect and fault
//! files. Stops at the first panic and shows its input; the memory in use at most is told and bounded.

use drivers::readers::{Entry, READERS};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;
use std::time::Instant;

/// Most memory that the whole campaign may take, in KiB.
const MOST_MEMORY: u64 = 256 * 1024;
/// Longest input, in bytes.
const LONGEST: usize = 8192;

/// One thing under test: its name, the reader, examples, and its share of the runs.
struct Target {
    name: &'static str,
    read: fn(&[u8]),
    examples: Vec<Vec<u8>>,
    share: f64,
}

fn targets() -> Vec<Target> {
    let reply = |(name, read, examples): Entry| Target {
        name,
        read,
        examples: examples.iter().map(|bytes| bytes.to_vec()).collect(),
        share: 1.0,
    };
    let file = |name, read, texts: &[&str]| Target {
        name,
        read,
        examples: texts.iter().map(|text| text.as_bytes().to_vec()).collect(),
        share: 0.1,
    };
    let mut all: Vec<Target> = READERS.into_iter().map(reply).collect();
    all.push(file(
        "dialect file",
        |bytes| {
            drop(drivers::Dialect::parse(
                "x.toml",
                &String::from_utf8_lossy(bytes),
            ))
        },
        &[
            include_str!("../../../rigs/dialects/scpi-meter.toml"),
            include_str!("../../../rigs/dialects/plain-ascii-supply.toml"),
            include_str!("../../../rigs/dialects/modbus-switch.toml"),
        ],
    ));
    all.push(file(
        "rig file",
        |bytes| {
            if let Ok(rig) = guard::Rig::parse(&String::from_utf8_lossy(bytes), "x.toml") {
                drop(rig.review());
            }
        },
        &[
            include_str!("../../../rigs/simulated.toml"),
            include_str!("../../../rigs/simulated-serial.toml"),
        ],
    ));
    all.push(file(
        "fault file",
        |bytes| {
            drop(hw_sim::Faults::parse(
                &String::from_utf8_lossy(bytes),
                "x.toml",
            ))
        },
        &[include_str!("../../../rigs/faults/bad-evening.toml")],
    ));
    all
}

/// The same numbers from the same seed (splitmix64).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    fn below(&mut self, limit: usize) -> usize {
        (self.next() % limit.max(1) as u64) as usize
    }
}

/// What parsers stumble over.
const PIECES: [&[u8]; 20] = [
    b"\"",
    b",",
    b";",
    b"\n",
    b"\r",
    b"\0",
    b"\xff",
    b"-",
    b"+",
    b".",
    b"e",
    b"9",
    b"99999999999",
    b"::",
    b"{}",
    b"[",
    b"\xc2\xb5",
    b"nan",
    b"1e999",
    b"= \"",
];

/// Changes `bytes` in a few places.
fn mutate(bytes: &mut Vec<u8>, examples: &[Vec<u8>], numbers: &mut Numbers) {
    for _ in 0..=numbers.below(5) {
        let at = numbers.below(bytes.len() + 1);
        let end = (at + numbers.below(12)).min(bytes.len());
        match numbers.below(8) {
            0 if at < bytes.len() => bytes[at] ^= 1 << numbers.below(8),
            1 if at < bytes.len() => bytes[at] = numbers.next() as u8,
            2 => drop(bytes.drain(at..end)),
            3 => {
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
            4 | 5 => {
                let piece = PIECES[numbers.below(PIECES.len())];
                bytes.splice(at..at, piece.iter().copied());
            }
            6 => bytes.truncate(at),
            _ => {
                let other = &examples[numbers.below(examples.len())];
                let from = numbers.below(other.len());
                bytes.splice(at..end, other[from..].iter().copied().take(40));
            }
        }
    }
    bytes.truncate(LONGEST);
}

/// Runs one target; the input at which it panics is the error.
fn run(target: &Target, count: u64) -> Result<(), Vec<u8>> {
    let mut numbers = Numbers(1);
    let mut input = Vec::new();
    for _ in 0..count {
        input.clear();
        input.extend_from_slice(&target.examples[numbers.below(target.examples.len())]);
        mutate(&mut input, &target.examples, &mut numbers);
        if catch_unwind(AssertUnwindSafe(|| (target.read)(&input))).is_err() {
            return Err(input);
        }
    }
    Ok(())
}

/// Most memory that this process had in use, in KiB.
fn most_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.split_whitespace().next()?.parse().ok()
}

fn main() -> ExitCode {
    let millions = std::env::args()
        .nth(1)
        .map_or(Ok(10.0), |text| text.parse::<f64>());
    let Ok(millions) = millions else {
        eprintln!("usage: fuzz [MILLIONS]");
        return ExitCode::from(2);
    };
    println!(
        "{:<16} {:>12} {:>9} {:>14} {:>12}",
        "reader", "runs", "s", "runs / s", "most KiB"
    );
    for target in targets() {
        let count = (millions * 1e6 * target.share) as u64;
        let began = Instant::now();
        if let Err(input) = run(&target, count) {
            println!("{}: PANIC at \"{}\"", target.name, input.escape_ascii());
            return ExitCode::FAILURE;
        }
        let took = began.elapsed().as_secs_f64();
        let memory = most_memory().unwrap_or(u64::MAX);
        println!(
            "{:<16} {count:>12} {took:>9.1} {:>14.0} {memory:>12}",
            target.name,
            count as f64 / took
        );
        if memory > MOST_MEMORY {
            println!("more than {MOST_MEMORY} KiB");
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}
