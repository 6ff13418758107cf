//! A meter in the hand: where its leads go, and what was typed of its display.

use super::console::{Console, Until, shown};
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
    let understood = |line: &str| volts(line, places.len());
    match console.ask(&question, Until::RunEnds, understood).await {
        Some(read) => {
            console.takes(READ * places.len() as f64).await;
            Ok(read)
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

/// So many voltages in a line, each with its unit; or what is wrong.
fn volts(line: &str, count: usize) -> Result<Vec<f64>, String> {
    let text = line.replace(',', ".").replace([';', '/'], " ");
    let mut texts: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        // A number begins a reading; what follows it up to the next is its unit.
        let number = word.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c));
        match texts.last_mut() {
            Some(reading) if !number => *reading += word,
            _ => texts.push(word.to_owned()),
        }
    }
    if texts.len() != count {
        let readings = if count == 1 { "reading" } else { "readings" };
        return Err(format!("\"{}\" is not {count} {readings}", shown(line)));
    }
    texts.iter().map(|text| one(text)).collect()
}

fn one(text: &str) -> Result<f64, String> {
    let text = shown(text);
    let volts: Volts = text.parse().map_err(|error: quantity::QuantityError| {
        // The sentence goes on after it.
        error.to_string()
    })?;
    match volts.is_finite() {
        true => Ok(volts.get()),
        false => Err(format!("\"{text}\" is no voltage")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_have_units_with_or_without_a_space() {
        for line in [
            "12.3 mV 4.5 V",
            "12.3mV 4.5V",
            "12,3 mV; 4,5 V",
            "0.0123 V / 4500 mV",
        ] {
            let read = volts(line, 2).unwrap();
            assert!(
                (read[0] - 0.0123).abs() < 1e-12 && (read[1] - 4.5).abs() < 1e-12,
                "{line}"
            );
        }
        assert_eq!(volts("-3 uV", 1), volts("-3 µV", 1));
    }

    #[test]
    fn a_reading_without_its_unit_or_missing_is_told() {
        for (line, why) in [
            ("12.3 4.5", "no unit"),
            ("12.3 mV", "not 2 readings"),
            ("", "not 2 readings"),
            ("1 V 2 V 3 V", "not 2 readings"),
            ("OL 3 V", "number"),
            ("1 V 2 A", "a value in V is needed"),
            ("nan V 1 V", "number"),
        ] {
            let told = volts(line, 2).unwrap_err();
            assert!(told.contains(why), "{line:?}: {told}");
        }
    }
}
