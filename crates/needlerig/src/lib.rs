//! The program's parts, so that whole-program checks and campaigns run exactly what a person runs.

pub mod cli;
pub mod commands;
pub mod exit;
pub mod notebook;
pub mod recorder;
pub mod session;
