//! Real wires: drivers against simulated instruments in every language, and the program on ports.

mod boards;
mod peers;
mod pitfalls;
mod ports;
mod pots;
mod supplies;

use drivers::Dialect;
use hw_sim::{Language, Line, Outlet, SharedBench};
use std::sync::{Arc, Mutex};
use tokio::io::DuplexStream;

fn bench() -> SharedBench {
    let movement = hw_sim::find("heron").unwrap();
    Arc::new(Mutex::new(hw_sim::Bench::standard(&movement, 5)))
}

/// A wire to an instrument of the bench.
fn wire(bench: &SharedBench, language: Language, line: Line) -> DuplexStream {
    let (ours, theirs) = tokio::io::duplex(4096);
    tokio::spawn(Outlet::new(bench, language, line).talk(theirs));
    ours
}

fn dialect(name: &str) -> Dialect {
    Dialect::built_in(name).unwrap()
}
