//! The simulated bench: movement physics, circuit solution and instruments that talk on real wires.
//!
//! ```
//! use hw_sim::{Bench, library};
//! let heron = library::find("heron").unwrap();
//! let truth = Bench::standard(&heron, 1).truth();
//! assert!((truth.full_scale_current.unwrap() / 50e-6 - 1.0).abs() < 0.02);
//! ```
//!
//! It shares no model with the programs that measure: the needle is a differential equation, the
//! circuit a nodal solution, and a third-party parser reads the commands.

mod advance;
pub mod bench;
mod camera;
mod dial;
mod diodes;
mod draw;
mod drive;
mod faults;
pub mod hand;
pub mod http;
pub mod instruments;
pub mod library;
mod meter;
mod network;
mod operate;
pub mod port;
mod pots;
mod queue;
mod random;
mod relay;
pub mod serial;
pub mod serve;
mod spec;
mod supply;
mod swing;
#[cfg(test)]
mod tests;
mod trace;
mod trip;
mod truth;
pub mod usb;
mod wiring;

pub use bench::{Bench, SharedBench};
pub use dial::{DialCamera, NoPicture, Snapshot};
pub use dial_pictures as pictures;
pub use diodes::{Diodes, Junction, Seat};
pub use faults::{Class, Fault, FaultFileError, Faults, Kind, Place};
pub use instruments::serial::Language;
pub use library::{Pool, find, library, random};
pub use port::Port;
pub use serial::{Line, Outlet};
pub use serve::{in_process, tcp};
pub use spec::{Condition, Law, MovementSpec};
pub use truth::Truth;
