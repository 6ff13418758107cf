//! The program's parts, so that whole-program checks and campaigns run exactly what a person runs.

pub mod camera;
pub mod cli;
pub mod commands;
pub mod dial;
pub mod exit;
mod figure;
pub mod incident;
pub mod notebook;
pub mod object;
pub mod output;
pub mod person;
pub mod recorder;
pub mod session;
pub mod simulated_camera;
pub mod worth;
