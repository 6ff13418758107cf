//! `dial propose`, `dial read`: setting the camera up before a dial, and reading pictures with it.

mod propose;
mod read;

use crate::exit::Failure;
use clap::Subcommand;
use std::process::ExitCode;

/// What to do with a dial before its camera.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Find scale, zero and full scale in pictures of the dial, for a person to check
    Propose(propose::Arguments),
    /// Read the needle in pictures, with a dial file
    Read(read::Arguments),
}

/// Runs the command.
///
/// # Errors
/// When files can't be read or written, or the pictures show no dial.
pub fn run(command: &Command) -> Result<ExitCode, Failure> {
    match command {
        Command::Propose(arguments) => propose::run(arguments).map(|()| ExitCode::SUCCESS),
        Command::Read(arguments) => read::run(arguments),
    }
}
