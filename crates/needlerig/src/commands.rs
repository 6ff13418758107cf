//! One module per command.

pub mod characterize;
pub mod dial;
pub mod records;
pub mod rig;
pub mod simulate;
pub mod watcher;

use crate::exit::{Failure, USAGE};
use crate::output::tell;
use crate::session::SIMULATED_RIG;
use guard::{ReaderSpec, Rig};
use tokio::sync::watch;

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
    let rig = Rig::parse(&text, name).map_err(|error| {
        // A tab stays a tab, so that the caret stands under its character.
        let before = error
            .source_line
            .chars()
            .take(error.column.saturating_sub(1));
        let caret: String = before.map(|c| if c == '\t' { c } else { ' ' }).collect();
        Failure::usage(format!(
            "{error}\n\n    {}\n    {caret}^",
            error.source_line
        ))
    })?;
    in_process(&rig)?;
    if let ReaderSpec::Camera(spec) = &rig.reader {
        crate::camera::dial(spec)?;
    }
    Ok(rig)
}

/// Whether the instruments of this rig are simulated in this program: all of them, or none. On a
/// mixture, simulated time would run away from the real instruments.
///
/// # Errors
/// When some are and some are not.
pub fn in_process(rig: &Rig) -> Result<bool, Failure> {
    let file: toml::Table = rig
        .text
        .parse()
        .map_err(|error| Failure::usage(format!("{}: {error}", rig.name)))?;
    let mut places = Vec::new();
    resources(&file, &mut places);
    let inside = places.iter().filter(|place| is_in_process(place)).count();
    if inside == 0 || inside == places.len() {
        return Ok(inside > 0);
    }
    let text = format!(
        "{}: some instruments are simulated (INPROC) and some are not; all must be of one sort",
        rig.name
    );
    Err(Failure::usage(text))
}

fn is_in_process(place: &str) -> bool {
    place.trim().to_ascii_uppercase().starts_with("INPROC")
}

fn resources<'a>(table: &'a toml::Table, places: &mut Vec<&'a str>) {
    for (key, value) in table {
        match value {
            toml::Value::Table(inner) => resources(inner, places),
            // A person belongs to either sort.
            toml::Value::String(place) if place.trim().eq_ignore_ascii_case("by hand") => {}
            // A camera lives in real time, too.
            toml::Value::String(place) if key == "resource" || key == "source" => {
                places.push(place);
            }
            _ => {}
        }
    }
}

/// Turns `asks` true at the first SIGINT, SIGTERM or SIGHUP.
///
/// # Errors
/// When the operating system does not let us hear of signals.
pub fn on_signal(asks: watch::Sender<bool>) -> Result<(), Failure> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let mut signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM, SIGHUP])
        .map_err(|error| Failure::new(USAGE, format!("signals can't be heard: {error}")))?;
    std::thread::spawn(move || {
        // Later signals change nothing: the safe state must not be interrupted in its turn.
        for _ in signals.forever() {
            if !asks.send_replace(true) {
                tell("\nstopping");
            }
        }
    });
    Ok(())
}
