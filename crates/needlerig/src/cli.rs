//! The command line.

use crate::commands::{characterize, records, rig, simulate};
use crate::exit::{Failure, USAGE};
use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Characterises analog panel-meter movements by itself, without driving a needle into its stop.
#[derive(Debug, Parser)]
#[command(
    version,
    after_help = "Exit codes: 0 result, 2 usage or rig file, 3 refused by the guard \
or nothing to measure, 4 instrument or link, 5 store, 130 interrupted."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Characterise one movement: kind, full-scale current, resistance, friction
    Characterize(characterize::Arguments),
    /// Serve the simulated bench over TCP on this machine
    Simulate(simulate::Arguments),
    /// Look at a rig file before anything is energised
    #[command(subcommand)]
    Rig(rig::Command),
    /// Look at what was measured before
    #[command(subcommand)]
    Records(records::Command),
    /// List the movements of the simulated bench
    Movements,
}

/// Runs the program.
pub fn main() -> ExitCode {
    let filter = tracing_subscriber::EnvFilter::try_from_env("NEEDLERIG_LOG");
    if let Ok(filter) = filter {
        tracing_subscriber::fmt()
            .with_env_filter(filter)
            .with_writer(std::io::stderr)
            .init();
    }
    let json = std::env::args().any(|argument| argument == "--json");
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) if error.use_stderr() && json => {
            let text = error.to_string();
            return fail(
                &Failure::usage(text.lines().next().unwrap_or("wrong usage")),
                true,
            );
        }
        Err(error) => {
            let code = if error.use_stderr() { USAGE } else { 0 };
            // Help that can't be printed has nobody to tell.
            let _ = error.print();
            return ExitCode::from(code);
        }
    };
    let done = match cli.command {
        Command::Characterize(arguments) => return characterize::run(&arguments),
        Command::Simulate(arguments) => simulate::run(&arguments),
        Command::Rig(command) => rig::run(&command),
        Command::Records(command) => records::run(&command),
        Command::Movements => {
            for movement in hw_sim::library() {
                println!("{:<12} {}", movement.name, movement.description);
            }
            Ok(())
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => fail(&failure, json),
    }
}

/// Says what went wrong: in words, and as the one JSON object where that was asked for.
pub fn fail(failure: &Failure, json: bool) -> ExitCode {
    if json {
        println!(
            "{}",
            serde_json::json!({ "error": failure.text, "exit": failure.code })
        );
    } else {
        eprintln!("{failure}");
    }
    failure.exit()
}
