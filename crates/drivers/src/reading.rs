//! Numbers as instruments write them. Read strictly: what is not wholly understood is an error,
//! never a number.

use serde::Deserialize;
use thiserror::Error;

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// A number, in the unit asked for.
    Value(f64),
    /// Beyond the range, in this direction.
    Overload {
        /// Beyond the upper end.
        positive: bool,
    },
    /// The instrument says that there is no number.
    NotANumber,
}

impl Reading {
    /// The number, where it is one.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            Self::Overload { .. } | Self::NotANumber => None,
        }
    }
}

/// Why a text is no reading.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum ReadingError {
    /// Neither a number nor a known word.
    #[error("\"{0}\" is no number")]
    NoNumber(String),
    /// A comma where one number was asked for: a list, or a decimal comma.
    #[error("\"{0}\" has a comma: a list or a decimal comma, where one number is needed")]
    Comma(String),
    /// A unit other than the one asked for.
    #[error("\"{0}\" is not in the unit asked for")]
    Unit(String),
}

/// How an instrument writes what is no number, beyond the usual ways: the `[numbers]` table of a
/// dialect.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Numbers {
    /// Magnitudes that mean overload, besides 9.9E37 and everything above.
    pub overload: Vec<f64>,
    /// Words that mean overload, besides OL, OVLD, OVERLOAD, INF and INFINITY.
    pub overload_words: Vec<String>,
    /// Magnitudes that mean "no number", besides 9.91E37.
    pub not_a_number: Vec<f64>,
}

/// SCPI-1999, volume 1, 7.2.1: 9.9E37 stands for infinity and 9.91E37 for not-a-number.
const INFINITY: f64 = 9.9e37;
const NOT_A_NUMBER: f64 = 9.91e37;
const OVERLOAD_WORDS: [&str; 5] = ["OL", "OVLD", "OVERLOAD", "INF", "INFINITY"];

/// Prefixes that instruments put before a unit. `M` is left out: SCPI reads it as milli, people
/// as mega.
const PREFIXES: [(&str, f64); 6] = [
    ("", 1.0),
    ("m", 1e3),
    ("u", 1e6),
    ("µ", 1e6),
    ("n", 1e9),
    ("k", 1e-3),
];

/// Reads one number in `unit` (`"V"`, `"A"`; empty for a bare number). The unit may be missing or
/// follow with a prefix.
///
/// # Errors
/// When anything in the text is not understood, a comma included.
pub fn parse_reading(text: &str, unit: &str, numbers: &Numbers) -> Result<Reading, ReadingError> {
    let text = text.trim();
    let shown = || text.chars().take(60).collect::<String>();
    if let Some(reading) = word(text, numbers) {
        return Ok(reading);
    }
    if text.contains(',') {
        return Err(ReadingError::Comma(shown()));
    }
    let end = number_length(text).ok_or_else(|| ReadingError::NoNumber(shown()))?;
    let (digits, suffix) = text.split_at(end);
    let value: f64 = digits
        .parse()
        .map_err(|_| ReadingError::NoNumber(shown()))?;
    // Overload is judged before the unit is applied: it stands for no quantity.
    if let Some(reading) = sentinel(value, numbers) {
        return Ok(reading);
    }
    let suffix = suffix.trim_start();
    let divisor = match suffix.strip_suffix(unit) {
        _ if suffix.is_empty() => Some(1.0),
        Some(prefix) if !unit.is_empty() => PREFIXES
            .iter()
            .find(|(name, _)| *name == prefix)
            .map(|(_, divisor)| *divisor),
        _ => None,
    };
    let divisor = divisor.ok_or_else(|| ReadingError::Unit(shown()))?;
    Ok(Reading::Value(value / divisor))
}

/// Words that stand for no number.
fn word(text: &str, numbers: &Numbers) -> Option<Reading> {
    if text.eq_ignore_ascii_case("nan") {
        return Some(Reading::NotANumber);
    }
    if text.eq_ignore_ascii_case("ninf") {
        return Some(Reading::Overload { positive: false });
    }
    let bare = text.strip_prefix(['+', '-']).unwrap_or(text);
    let is = |word: &str, text: &str| word.eq_ignore_ascii_case(text);
    if numbers.overload_words.iter().any(|word| is(word, text)) {
        return Some(Reading::Overload { positive: true });
    }
    let own = numbers.overload_words.iter().any(|word| is(word, bare));
    (own || OVERLOAD_WORDS.iter().any(|word| is(word, bare))).then(|| Reading::Overload {
        positive: !text.starts_with('-'),
    })
}

/// Numbers that stand for no number.
fn sentinel(value: f64, numbers: &Numbers) -> Option<Reading> {
    let size = value.abs();
    // Some instruments send fewer digits than others.
    let near = |mark: f64| (size - mark).abs() <= 1e-4 * mark;
    if near(NOT_A_NUMBER) || numbers.not_a_number.iter().any(|mark| near(*mark)) {
        return Some(Reading::NotANumber);
    }
    let over = size >= INFINITY * (1.0 - 1e-4) || numbers.overload.iter().any(|mark| near(*mark));
    over.then_some(Reading::Overload {
        positive: value > 0.0,
    })
}

/// Length of the number at the start of `text`: the numeric response data NR1, NR2 and NR3 of
/// IEEE 488.2, leading sign and missing digits on one side of the point allowed.
fn number_length(text: &str) -> Option<usize> {
    let bytes = text.as_bytes();
    let digits = |from: usize| {
        bytes[from..]
            .iter()
            .take_while(|b| b.is_ascii_digit())
            .count()
    };
    let sign = |at: usize| usize::from(matches!(bytes.get(at), Some(b'+' | b'-')));
    let start = sign(0);
    let whole = digits(start);
    let mut end = start + whole;
    let mut fraction = 0;
    if bytes.get(end) == Some(&b'.') {
        fraction = digits(end + 1);
        end += 1 + fraction;
    }
    if whole + fraction == 0 {
        return None;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let from = end + 1 + sign(end + 1);
        // An E without digits is left over and refused as a unit.
        match digits(from) {
            0 => {}
            count => end = from + count,
        }
    }
    Some(end)
}

#[cfg(test)]
mod tests {
    use super::{Numbers, Reading, ReadingError, parse_reading};

    fn read(text: &str) -> Result<Reading, ReadingError> {
        parse_reading(text, "V", &Numbers::default())
    }

    #[test]
    fn numbers() {
        for (text, value) in [
            ("1", 1.0),
            ("-12.34", -12.34),
            ("+1.00000000E-01", 0.1),
            (" .5 ", 0.5),
            ("5.", 5.0),
            ("1.234V", 1.234),
            ("12.5 mV", 0.0125),
            ("7uV", 7e-6),
            ("1e-3kV", 1.0),
        ] {
            assert_eq!(read(text), Ok(Reading::Value(value)), "{text}");
        }
    }

    #[test]
    fn what_is_no_number() {
        for text in [
            "", "V", "+", ".", "e5", "1e", "0x10", "1_000", "1.2.3", "--1", "OFF", "\u{fffd}",
        ] {
            assert!(read(text).is_err(), "{text}");
        }
        assert_eq!(read("1.2A"), Err(ReadingError::Unit("1.2A".to_owned())));
        assert_eq!(read("1.2MV"), Err(ReadingError::Unit("1.2MV".to_owned())));
        assert!(parse_reading("1V", "", &Numbers::default()).is_err());
    }
}
