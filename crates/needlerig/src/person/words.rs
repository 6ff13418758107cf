//! Quantities with their units, as they are typed one after another.

use super::console::shown;
use quantity::QuantityError;
use std::str::FromStr;

/// So many quantities in a line, each with its unit; or what is wrong.
pub(super) fn quantities<T>(line: &str, count: usize) -> Result<Vec<T>, String>
where
    T: FromStr<Err = QuantityError>,
{
    let text = line.replace(',', ".").replace([';', '/'], " ");
    let mut texts: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        // A number begins a quantity; what follows it up to the next is its unit.
        let number = word.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c));
        match texts.last_mut() {
            Some(quantity) if !number => *quantity += word,
            _ => texts.push(word.to_owned()),
        }
    }
    if texts.len() != count {
        let noun = if count == 1 { "reading" } else { "readings" };
        return Err(format!("\"{}\" is not {count} {noun}", shown(line)));
    }
    let one = |text: &String| {
        shown(text)
            .parse()
            .map_err(|error: QuantityError| error.to_string())
    };
    texts.iter().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::Volts;

    fn volts(line: &str, count: usize) -> Result<Vec<f64>, String> {
        let read: Vec<Volts> = quantities(line, count)?;
        Ok(read.into_iter().map(Volts::get).collect())
    }

    #[test]
    fn readings_have_units_with_or_without_a_space() {
        for line in [
            "12.3 mV 4.5 V",
            "12.3mV 4.5V",
            "12,3 mV; 4,5 V",
            "0.0123 V / 4500 mV",
        ] {
            let read = volts(line, 2).unwrap();
            let close = |a: f64, b: f64| (a - b).abs() < 1e-12;
            assert!(close(read[0], 0.0123) && close(read[1], 4.5), "{line}");
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
            ("\u{1b}[A 1 V", "number"),
        ] {
            let told = volts(line, 2).unwrap_err();
            assert!(told.contains(why), "{line:?}: {told}");
            assert!(!told.contains('\u{1b}'), "{told:?}");
        }
    }
}
