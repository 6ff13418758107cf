//! The program's parts, so that whole-program checks and campaigns run exactly what a person runs.

pub mod session;
