//! What goes to standard output, and what happens when nobody reads it.

use crate::exit::{Failure, STORE};
use std::io::{ErrorKind, Write};

/// Prints a text on standard output. A reader that has seen enough (`… | head`) is no error.
///
/// # Errors
/// When the output cannot be written, for example to a full disk.
pub fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    let written = out.write_all(text.as_bytes()).and_then(|()| out.flush());
    match written {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => Err(Failure::new(
            STORE,
            format!("standard output cannot be written: {error}"),
        )),
        _ => Ok(()),
    }
}

/// Prints one JSON object on a line of its own.
///
/// # Errors
/// As [`print()`].
pub fn print_json(object: &serde_json::Value) -> Result<(), Failure> {
    print(&format!("{object}\n"))
}

/// Tells people something on standard error. Without one, there is nobody to tell.
pub fn tell(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}
