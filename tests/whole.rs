//! Whole-program, published and structural checks.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "helpers of tests may fail the test"
)]

mod camera_rig;
mod cameras;
mod dial;
mod layers;
mod person;
mod pictured;
mod probing;
mod program;
mod promises;
mod published;
mod reader;
mod safety;
mod sample;
mod wires;
mod wiring;
