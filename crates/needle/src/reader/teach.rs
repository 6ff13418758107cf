//! Learning the needle from the pictures of a set-up.

use super::learned::Learned;
use super::picture::Picture;
use super::plate::Plate;
use super::radial::{self, Dial};
use super::refusal::SetupError;
use super::setup::DialSetup;
use super::straight::Rail;
use super::table::Table;
use super::trace::{Look, Trace};
use super::warp::Warp;

/// How a place on the needle's way becomes a deflection.
pub(crate) enum Scale {
    Radial(Box<Dial>),
    Straight(Rail),
}

/// What was learned of a dial: how places become deflections, the table, the needle, and its traces
/// in the set-up pictures.
pub(crate) type Taught = (Scale, Table, Learned, Vec<Trace>);

/// Learns from the set-up pictures; twice, since the pivot gets better known.
pub(crate) fn turning(
    setup: &DialSetup,
    mut dial: Dial,
    plate: &Plate,
    pictures: &[Picture],
) -> Result<Taught, SetupError> {
    let mut learned = None;
    for _ in 0..2 {
        let table = dial.table(plate);
        let before = learned.unwrap_or_else(|| Learned::nothing(&table, plate.needle));
        let traces = traces(&table, &before, plate, pictures, radial::WINDOW);
        let next = Learned::from(&table, &before, &traces);
        let again = self::traces(&table, &next, plate, pictures, radial::WINDOW);
        if again.len() < 2 {
            return Err(few(again.len(), setup));
        }
        dial = dial.with_hub_from(&again);
        learned = Some(next);
    }
    let table = dial.table(plate);
    let learned = learned.unwrap_or_else(|| Learned::nothing(&table, plate.needle));
    let traces = traces(&table, &learned, plate, pictures, radial::WINDOW);
    if traces.len() < 2 {
        return Err(few(traces.len(), setup));
    }
    Ok((Scale::Radial(Box::new(dial)), table, learned, traces))
}

/// Learns from the set-up pictures of a straight scale.
pub(crate) fn sliding(
    rail: Rail,
    plate: &Plate,
    pictures: &[Picture],
) -> Result<Taught, SetupError> {
    let table = rail.table(plate);
    let nothing = Learned::nothing(&table, plate.needle);
    let first = traces(&table, &nothing, plate, pictures, rail.window());
    let learned = Learned::from(&table, &nothing, &first);
    let traces = traces(&table, &learned, plate, pictures, rail.window());
    if traces.len() < 2 {
        return Err(SetupError::NoNeedle {
            picture: 0,
            why: "the needle could not be followed along the scale".to_owned(),
        });
    }
    Ok((Scale::Straight(rail), table, learned, traces))
}

fn few(seen: usize, setup: &DialSetup) -> SetupError {
    SetupError::NoNeedle {
        picture: seen.min(setup.marks.len()),
        why: "the needle could not be followed about its pivot".to_owned(),
    }
}

/// Traces of all set-up pictures in which there is one.
fn traces(
    table: &Table,
    learned: &Learned,
    plate: &Plate,
    pictures: &[Picture],
    window: f64,
) -> Vec<Trace> {
    let trace = |picture: &Picture| {
        let look = Look {
            table,
            learned,
            picture,
            tone: plate.tone,
            warp: Warp::still(),
            window,
            prior: None,
        };
        look.trace().ok()
    };
    pictures.iter().filter_map(trace).collect()
}
