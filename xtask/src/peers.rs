//! The independent clients and servers of the tests: Python packages in a folder of their own.

use crate::run::{program, quietly};
use std::path::PathBuf;

/// Installs what the tests face, unless it is there already.
///
/// # Errors
/// When there is no Python, or the packages can't be had.
pub fn peers(arguments: &[String]) -> Result<(), String> {
    if let Some(argument) = arguments.first() {
        return Err(format!("there is no \"{argument}\" to choose"));
    }
    let wanted = include_str!("../../tests/peers/requirements.txt");
    environment("peers", "tests/peers/requirements.txt", wanted)
}

/// Installs what the reader's speed is compared with, unless it is there already.
///
/// # Errors
/// As [`peers`].
pub fn pace() -> Result<(), String> {
    let wanted = include_str!("../../tests/peers/pace.txt");
    environment("pace", "tests/peers/pace.txt", wanted)
}

/// A Python environment under target with these very packages, which the file `list` names.
fn environment(name: &str, list: &str, wanted: &str) -> Result<(), String> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../target")
        .join(name);
    let done = folder.join("installed.txt");
    if std::fs::read_to_string(&done).is_ok_and(|found| found == wanted) {
        return Ok(());
    }
    let mut python = program("python3");
    python.args(["-m", "venv", "--clear"]).arg(&folder);
    quietly(python).map_err(|why| {
        format!(
            "the tests need Python 3 with venv ({why}). On Debian: apt-get install python3-venv"
        )
    })?;
    let mut pip = program(&folder.join("bin/pip").display().to_string());
    pip.args(["install", "--quiet", "--disable-pip-version-check"]);
    pip.args(["--requirement", list]);
    quietly(pip)?;
    std::fs::write(&done, wanted).map_err(|error| format!("{}: {error}", done.display()))
}
