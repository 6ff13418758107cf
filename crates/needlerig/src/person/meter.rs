//! A meter in the hand: where its leads go, and what was typed of its display.

use super::console::{Console, Until};
use super::words::quantities;
use evidence::Probed;
use quantity::{Seconds, Volts};

/// What it takes to move the leads to one place and to read the display.
const READ: Seconds = Seconds::new(10.0);

/// Voltages at these places, one after another.
///
/// # Errors
/// Never; the end of the run ends the wait.
pub(super) async fn read(
    console: &Console,
    about: &str,
    places: &[Probed],
) -> Result<Vec<f64>, String> {
    let mut question = format!("{about}.\nMeter on DC V. Once the needle rests, read it");
    for (number, place) in places.iter().enumerate() {
        question += if number == 0 { " " } else { ", then " };
        question += between(*place);
    }
    question += match places.len() {
        1 => ".\nThe reading with its unit, such as 12.3 mV",
        _ => ".\nThe readings in this order with their units, such as 12.3 mV 4.56 mV",
    };
    let understood = |line: &str| quantities::<Volts>(line, places.len());
    match console.ask(&question, Until::RunEnds, understood).await {
        Some(read) => {
            console.takes(READ * places.len() as f64).await;
            Ok(read.into_iter().map(Volts::get).collect())
        }
        None => std::future::pending().await,
    }
}

fn between(place: Probed) -> &'static str {
    match place {
        Probed::Sense => "across the sense resistor, red lead at the movement's end of it",
        Probed::Movement => "at the movement's own terminals, red lead on its plus",
    }
}
