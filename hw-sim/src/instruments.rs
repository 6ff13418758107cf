//! The instruments' front ends: command trees on top of the bench.

mod desk;
mod multimeter;
mod numbers;
pub mod serial;
mod source;
mod switch;

pub use desk::{Desk, Role};
