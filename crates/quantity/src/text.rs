//! Quantities as text: SI prefixes read and written, errors that say what would be right.

use thiserror::Error;

/// Why a text is not a quantity. Each message says what would be right.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum QuantityError {
    /// The text does not start with a number.
    #[error("\"{text}\" does not start with a number; write for example \"10 {unit}\"")]
    NoNumber {
        /// The text as given.
        text: String,
        /// The unit asked for.
        unit: String,
    },
    /// A number without its unit.
    #[error("\"{text}\" has no unit; write for example \"{text} {unit}\" or \"{text} m{unit}\"")]
    NoUnit {
        /// The text as given.
        text: String,
        /// The unit asked for.
        unit: String,
    },
    /// Another unit than the one asked for.
    #[error("\"{text}\" is in \"{found}\", but a value in {unit} is needed here")]
    WrongUnit {
        /// The text as given.
        text: String,
        /// The unit found.
        found: String,
        /// The unit asked for.
        unit: String,
    },
}

/// SI prefixes: symbol and power of ten. `u` stands for µ where the keyboard lacks it.
const PREFIXES: [(&str, i32); 12] = [
    ("p", -12),
    ("n", -9),
    ("u", -6),
    ("µ", -6),
    ("μ", -6),
    ("m", -3),
    ("", 0),
    ("k", 3),
    ("K", 3),
    ("M", 6),
    ("G", 9),
    ("T", 12),
];

/// Other spellings of a unit symbol.
fn spellings(symbol: &str) -> &'static [&'static str] {
    match symbol {
        "Ω" => &["Ω", "Ω", "ohm", "ohms", "Ohm", "Ohms", "R"],
        "V" => &["V"],
        "A" => &["A"],
        "W" => &["W"],
        "s" => &["s"],
        "K" => &["K"],
        _ => &[],
    }
}

/// Splits `text` into its leading number and the trimmed rest.
fn split_number(text: &str) -> Option<(f64, &str)> {
    let trimmed = text.trim();
    // The longest prefix that is a number wins, so that "1e3 V" and "1 eV" are told apart.
    let ends = trimmed.char_indices().map(|(at, c)| at + c.len_utf8());
    let numbers = ends.filter_map(|end| trimmed[..end].parse::<f64>().ok().map(|v| (end, v)));
    let (end, value) = numbers
        .filter(|(_, value)| value.is_finite())
        .max_by_key(|found| found.0)?;
    Some((value, trimmed[end..].trim_start()))
}

pub(crate) fn parse_quantity(text: &str, symbol: &str) -> Result<f64, QuantityError> {
    let (owned, unit) = (text.trim().to_owned(), symbol.to_owned());
    let Some((value, rest)) = split_number(text) else {
        return Err(QuantityError::NoNumber { text: owned, unit });
    };
    if rest.is_empty() {
        return Err(QuantityError::NoUnit { text: owned, unit });
    }
    for spelling in spellings(symbol) {
        let Some(prefix) = rest.strip_suffix(spelling) else {
            continue;
        };
        if let Some((_, power)) = PREFIXES.iter().find(|(name, _)| *name == prefix.trim_end()) {
            // Dividing by a positive power keeps "50 uA" equal to 50e-6 to the last bit.
            return Ok(if *power < 0 {
                value / 10f64.powi(-power)
            } else {
                value * 10f64.powi(*power)
            });
        }
    }
    Err(QuantityError::WrongUnit {
        text: owned,
        found: rest.to_owned(),
        unit,
    })
}

/// A share written as "1 %" or "200 ppm", returned as a fraction.
///
/// # Errors
/// When the text is no number followed by `%` or `ppm`.
pub fn parse_percent(text: &str) -> Result<f64, QuantityError> {
    let (owned, unit) = (text.trim().to_owned(), "%".to_owned());
    match split_number(text) {
        None => Err(QuantityError::NoNumber { text: owned, unit }),
        Some((_, "")) => Err(QuantityError::NoUnit { text: owned, unit }),
        Some((value, "%")) => Ok(value / 100.0),
        Some((value, "ppm")) => Ok(value / 1e6),
        Some((_, found)) => Err(QuantityError::WrongUnit {
            text: owned,
            found: found.to_owned(),
            unit,
        }),
    }
}

/// `value` with an SI prefix and `digits` significant digits, for example "49.98 µA".
pub fn engineering(value: f64, symbol: &str, digits: usize) -> String {
    if !value.is_finite() {
        return format!("{value} {symbol}");
    }
    if value == 0.0 {
        return format!("0 {symbol}");
    }
    let digits = digits.max(1);
    // Rounding first keeps 999.96 with four digits from being printed as "1000.0 m".
    let rounded: f64 = format!("{:.*e}", digits - 1, value)
        .parse()
        .unwrap_or(value);
    let power = rounded.abs().log10().floor() as i32;
    let group = power.div_euclid(3).clamp(-4, 4);
    let prefix = ["p", "n", "µ", "m", "", "k", "M", "G", "T"][(group + 4) as usize];
    let places = (digits as i32 - 1 - (power - 3 * group)).max(0) as usize;
    let scaled = if group < 0 {
        rounded * 10f64.powi(-3 * group)
    } else {
        rounded / 10f64.powi(3 * group)
    };
    format!("{scaled:.places$} {prefix}{symbol}")
}

#[cfg(test)]
mod tests {
    use crate::{Amps, Ohms, QuantityError, Volts, engineering, parse_percent};

    #[test]
    fn units_are_read_with_prefixes() {
        assert_eq!("50 uA".parse(), Ok(Amps::new(50e-6)));
        assert_eq!("50µA".parse(), Ok(Amps::new(50e-6)));
        assert_eq!("2 kΩ".parse(), Ok(Ohms::new(2000.0)));
        assert_eq!("2 kohm".parse(), Ok(Ohms::new(2000.0)));
        assert_eq!("-1.5e1 mV".parse(), Ok(Volts::new(-0.015)));
        assert_eq!(parse_percent("0.05 %"), Ok(0.0005));
        assert_eq!(parse_percent("200 ppm"), Ok(0.0002));
    }

    #[test]
    fn wrong_texts_say_what_would_be_right() {
        let wrong = "10 mV".parse::<Amps>();
        assert!(matches!(wrong, Err(QuantityError::WrongUnit { found, .. }) if found == "mV"));
        assert!(matches!(
            "10".parse::<Amps>(),
            Err(QuantityError::NoUnit { .. })
        ));
        assert!(matches!(
            "ten A".parse::<Amps>(),
            Err(QuantityError::NoNumber { .. })
        ));
        assert!(matches!(
            "inf A".parse::<Amps>(),
            Err(QuantityError::NoNumber { .. })
        ));
        assert!("1,5 A".parse::<Amps>().is_err());
        assert!("".parse::<Amps>().is_err());
    }

    #[test]
    fn engineering_notation_rounds_before_it_picks_the_prefix() {
        assert_eq!(engineering(49.975e-6, "A", 4), "49.98 µA");
        assert_eq!(engineering(999.96e-6, "A", 4), "1.000 mA");
        assert_eq!(engineering(-2000.0, "Ω", 5), "-2.0000 kΩ");
        assert_eq!(engineering(0.0, "V", 3), "0 V");
    }

    #[test]
    fn width_and_precision_keep_the_unit() {
        assert_eq!(format!("{:>10.3}", Amps::micro(49.975)), "   50.0 µA");
        assert_eq!(format!("{:<9}|", Volts::milli(1.0)), "1.000 mV |");
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_the_parser_panic(text in ".{0,24}") {
            let _ = text.parse::<Amps>();
            let _ = parse_percent(&text);
        }

        #[test]
        fn what_is_printed_reads_back(value in -1e9f64..1e9) {
            let back: f64 = Volts::new(value).to_string().parse::<Volts>().unwrap().get();
            proptest::prop_assert!((back - value).abs() <= 1e-3 * value.abs() + 1e-15);
        }
    }
}
