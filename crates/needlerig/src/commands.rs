//! One module per command.

pub mod characterize;
pub mod records;
pub mod rig;
pub mod simulate;

use crate::exit::Failure;
use crate::session::SIMULATED_RIG;
use guard::Rig;

/// Reads a rig file, or the simulated rig's where none is named.
///
/// # Errors
/// What is wrong with it, with line, column and the line itself.
pub fn load(path: Option<&str>) -> Result<Rig, Failure> {
    let (text, name) = match path {
        None => (SIMULATED_RIG.to_owned(), "rigs/simulated.toml"),
        Some(path) => {
            let text = std::fs::read_to_string(path);
            (
                text.map_err(|error| Failure::usage(format!("{path}: {error}")))?,
                path,
            )
        }
    };
    Rig::parse(&text, name).map_err(|error| {
        let caret = " ".repeat(error.column.saturating_sub(1));
        Failure::usage(format!(
            "{error}\n\n    {}\n    {caret}^",
            error.source_line
        ))
    })
}
