//! The command line.

use crate::commands::{characterize, dial, records, rig, simulate, watcher};
use crate::exit::{Failure, USAGE};
use crate::object;
use crate::output::{print, print_json, tell};
use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Characterises analog panel-meter movements by itself, without driving a needle into its stop.
#[derive(Debug, Parser)]
#[command(
    version,
    after_help = "Exit codes: 0 result, 2 usage or a wrong file, 3 refused by the guard \
or the reader, or nothing to measure, 4 instrument or link, 5 store, 130 interrupted."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Characterise one movement: kind, full-scale current, resistance, friction
    Characterize(characterize::Arguments),
    /// Serve the simulated bench over TCP and on serial ports of this machine
    Simulate(simulate::Arguments),
    /// Look at a rig file before anything is energised
    #[command(subcommand)]
    Rig(rig::Command),
    /// Set a camera up before a dial, and read pictures
    #[command(subcommand)]
    Dial(dial::Command),
    /// Look at what was measured before
    #[command(subcommand)]
    Records(records::Command),
    /// List the movements of the simulated bench
    Movements,
    /// Stand by for a run, which starts this by itself
    #[command(name = watcher::NAME, hide = true)]
    Watcher,
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
    let json = std::env::args_os().any(|argument| argument == "--json");
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) if error.use_stderr() && json => {
            let failure = Failure::usage(in_one_line(&error.to_string()));
            if std::env::args_os()
                .nth(1)
                .is_some_and(|a| a == "characterize")
            {
                return print_and_exit(&object::nothing(None, &failure), &failure);
            }
            return fail(&failure, true);
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
        Command::Rig(command) => rig::run(&command),
        Command::Dial(command) => dial::run(&command),
        Command::Simulate(arguments) => simulate::run(&arguments).map(|()| ExitCode::SUCCESS),
        Command::Records(command) => records::run(&command).map(|()| ExitCode::SUCCESS),
        Command::Watcher => watcher::run().map(|()| ExitCode::SUCCESS),
        Command::Movements => {
            let line = |m: hw_sim::MovementSpec| format!("{:<12} {}\n", m.name, m.description);
            print(&hw_sim::library().into_iter().map(line).collect::<String>())
                .map(|()| ExitCode::SUCCESS)
        }
    };
    match done {
        Ok(code) => code,
        Err(failure) => fail(&failure, json),
    }
}

/// Says what went wrong: in words, and as the one JSON object where that was asked for.
pub fn fail(failure: &Failure, json: bool) -> ExitCode {
    if json {
        let object = serde_json::json!({ "error": failure.text, "exit": failure.code });
        return print_and_exit(&object, failure);
    }
    tell(&failure.text);
    failure.exit()
}

fn print_and_exit(object: &serde_json::Value, failure: &Failure) -> ExitCode {
    if let Err(unheard) = print_json(object) {
        tell(&unheard.text);
    }
    failure.exit()
}

/// The words of a usage error without the usage lines below them.
fn in_one_line(text: &str) -> String {
    let said = text.split("\nUsage:").next().unwrap_or(text);
    let words: Vec<&str> = said.split_whitespace().collect();
    words.join(" ").trim_start_matches("error: ").to_owned()
}
