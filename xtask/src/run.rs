//! Running other programs.

use std::io::IsTerminal;
use std::path::Path;
use std::process::Command;

/// `program` in the root folder of the repository, without colours unless a person looks on.
pub fn program(name: &str) -> Command {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .unwrap_or(Path::new("."));
    let mut command = Command::new(name);
    command.current_dir(root);
    if !(std::io::stdout().is_terminal() && std::io::stderr().is_terminal()) {
        command
            .env("CARGO_TERM_COLOR", "never")
            .env("NO_COLOR", "1");
    }
    command
}

/// The cargo that runs this program.
pub fn cargo(arguments: &[&str]) -> Command {
    let mut command = program(&std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned()));
    command.args(arguments);
    command
}

/// Runs to the end with output going where ours goes.
///
/// # Errors
/// When it cannot be started or says that it failed.
pub fn finish(mut command: Command) -> Result<(), String> {
    match command.status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("{} ended with {status}", shown(&command))),
        Err(error) => Err(format!("{} could not be started: {error}", shown(&command))),
    }
}

/// Runs to the end without showing anything and returns what it printed.
///
/// # Errors
/// When it cannot be started or says that it failed; with the last lines that it printed.
pub fn quietly(mut command: Command) -> Result<String, String> {
    let output = command
        .output()
        .map_err(|error| format!("{} not started: {error}", shown(&command)))?;
    if output.status.success() {
        return Ok(String::from_utf8_lossy(&output.stdout).into_owned());
    }
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    let lines: Vec<&str> = text.lines().collect();
    let last = lines[lines.len().saturating_sub(3)..].join("; ");
    Err(format!(
        "{} ended with {}: {last}",
        shown(&command),
        output.status
    ))
}

/// The command as one would type it.
fn shown(command: &Command) -> String {
    let name = Path::new(command.get_program())
        .file_name()
        .unwrap_or(command.get_program());
    let words = std::iter::once(name).chain(command.get_args());
    words
        .map(|word| word.to_string_lossy())
        .collect::<Vec<_>>()
        .join(" ")
}
