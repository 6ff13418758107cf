//! The independent clients and servers of the tests: Python packages in a folder of their own.

use crate::run::{program, quietly};
use std::path::PathBuf;

/// Packages with their versions.
const WANTED: &str = include_str!("../../tests/peers/requirements.txt");

/// Installs the packages unless these very versions are there already.
///
/// # Errors
/// When there is no Python, or the packages can't be had.
pub fn peers(arguments: &[String]) -> Result<(), String> {
    if let Some(argument) = arguments.first() {
        return Err(format!("there is no \"{argument}\" to choose"));
    }
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../target/peers");
    let done = folder.join("installed.txt");
    if std::fs::read_to_string(&done).is_ok_and(|found| found == WANTED) {
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
    pip.args(["--requirement", "tests/peers/requirements.txt"]);
    quietly(pip)?;
    std::fs::write(&done, WANTED).map_err(|error| format!("{}: {error}", done.display()))
}
