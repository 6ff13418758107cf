//! Readers of the needle.
//!
//! A reader is any program that looks at the dial and answers on a line protocol: a camera with
//! its own picture processing, or a simulator. [`WireReader`] asks it; [`Replay`] plays
//! sightings that a [`Recording`] wrote down. All are an [`evidence::Sight`].
//!
//! # The line protocol of a reader
//!
//! A reader listens on a stream, usually a TCP socket, and answers one line for each line that it
//! is sent, in order. Lines are ASCII or UTF-8 and end with LF; a CR before it is ignored. It
//! sends nothing unasked.
//!
//! | sent | answer |
//! |---|---|
//! | `WHO` | `READER <name>`: what reads, any words; the same words each time |
//! | `LOOK` | `SEEN <deflection> <u> <u_shared> <age>` |
//! | `LOOK` | `UNSEEN <reason>`: why the needle cannot be read now, in words |
//!
//! * `deflection`: where the needle stands, as a fraction of the printed scale: 0 at the zero
//!   mark, 1 at the full-scale mark, negative below zero; from −1 to 2;
//! * `u`: standard uncertainty of this one sighting that averages out over many, above 0, as a
//!   fraction of full scale;
//! * `u_shared`: standard uncertainty that all sightings of this dial share (where its marks are,
//!   parallax), 0 or above;
//! * `age`: how long ago the picture was *taken*, in seconds, 0 to 60. It must grow when the
//!   picture is frozen: a reader that repeats an old picture with a small age is worse than none.
//!
//! Numbers are written as `0.4173`, `-1.2e-3`. A reader that is not sure says `UNSEEN`: that
//! means "unknown", and costs a look; a wrong figure costs a movement. For example
//!
//! ```text
//! > WHO
//! < READER bench camera, dial set-up of 3 May
//! > LOOK
//! < SEEN 0.2148 0.0021 0.004 0.031
//! > LOOK
//! < UNSEEN glare over the pointer
//! ```

pub mod camera;
pub mod reader;
mod replay;
mod report;
mod wire;

pub use replay::{Recording, Replay, ReplayError};
pub use report::parse_report;
pub use wire::{DEADLINE, ReaderError, WireReader};
