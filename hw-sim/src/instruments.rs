//! The instruments' front ends: command trees on top of the bench.

mod desk;
mod multimeter;
mod numbers;
mod source;
mod switch;

pub use desk::{Desk, Role};
