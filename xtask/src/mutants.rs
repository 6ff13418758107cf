//! `mutants [ARGUMENTS]`: changes the guard's pure parts one operator, constant or branch at a time,
//! and runs the guard's own tests against each. A change that no test notices survives, and fails
//! the task. `--shard 0/4` and the like divide the work; `--iterate` goes on where the last stopped.

use crate::run;
use std::path::Path;

/// The tool that makes the changes, at this version.
const TOOL: (&str, &str) = ("cargo-mutants", "27.1.0");
/// Where it is installed, below the root folder.
const TOOLS: &str = "target/tools";
/// What is changed: all that decides what may be done.
const FILES: [&str; 4] = ["check", "allowance", "state", "suspects"];

/// Runs the task.
///
/// # Errors
/// When the tool can't be had, or a change survived.
pub fn mutants(arguments: &[String]) -> Result<(), String> {
    let tool = format!("{TOOLS}/bin/{}", TOOL.0);
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    if !root.join(&tool).exists() {
        let version = ["--version", TOOL.1, "--locked", "--root", TOOLS];
        let mut install = run::cargo(&["install", TOOL.0]);
        install.args(version);
        run::finish(install)?;
    }
    let mut command = run::program(&tool);
    command.args(["mutants", "--package", "guard", "--timeout", "20"]);
    for file in FILES {
        command
            .arg("--file")
            .arg(format!("crates/guard/src/{file}.rs"));
    }
    // So that neither building nor testing takes in more than the unit tests.
    command.arg("--cargo-arg=--lib");
    command.args(["--output", "target/mutants"]).args(arguments);
    run::finish(command)
}
