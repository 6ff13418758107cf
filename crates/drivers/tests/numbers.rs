//! Numbers and texts that instruments are known to send, each named after the public issue or
//! manual that reports it; and that no bytes whatever break a reader.

use drivers::{
    Dialect, Numbers, Query, Reading, Resource, Template, parse_error_entry, parse_reading,
};
use proptest::prelude::*;

const OVER: Option<Reading> = Some(Reading::Overload { positive: true });
const UNDER: Option<Reading> = Some(Reading::Overload { positive: false });
const NAN: Option<Reading> = Some(Reading::NotANumber);

fn value(value: f64) -> Option<Reading> {
    Some(Reading::Value(value))
}

#[test]
#[allow(clippy::too_many_lines)] // It is a table.
fn readings_that_are_no_numbers() {
    let own = Numbers {
        overload: vec![1e9],
        overload_words: vec!["----".to_owned()],
        not_a_number: vec![-1e12],
    };
    let usual = Numbers::default();
    for (issue, numbers, text, expected) in [
        ("Qcodes#1929", &usual, "+9.90000000E+37", OVER),
        (
            "Qcodes#1929: negative, and without an error in the queue",
            &usual,
            "-9.9E37",
            UNDER,
        ),
        ("scpi-parser#108", &usual, "9.91E+37", NAN),
        ("scpi-parser#108", &usual, "INF", OVER),
        ("scpi-parser#108", &usual, "-inf", UNDER),
        ("scpi-parser#108", &usual, "NINF", UNDER),
        ("scpi-parser#108", &usual, "NAN", NAN),
        ("SweepMe#262", &usual, "OL", OVER),
        ("SweepMe#262", &usual, "-OL", UNDER),
        ("Qcodes#2074", &usual, "199.999E99", OVER),
        ("Qcodes#2074", &usual, "-199.999E99", UNDER),
        ("scopehal#1037: a model's own mark", &own, "1.00000E9", OVER),
        ("scopehal#1037: a model's own word", &own, "----", OVER),
        (
            "scopehal#1037: and no other's",
            &usual,
            "1.00000E9",
            value(1e9),
        ),
        ("scopehal#1037: and no other's", &usual, "----", None),
        (
            "niveristand#196: a decimal comma is no list",
            &usual,
            "1,234",
            None,
        ),
        (
            "openDCIM#771: nor cut off at the comma",
            &usual,
            "12,3456",
            None,
        ),
        ("openDCIM#771", &usual, "12.3456", value(12.3456)),
        ("MX180T manual p. 35", &usual, "1.234V", value(1.234)),
        ("MX180T manual p. 35: no number at all", &usual, "OFF", None),
        ("AstraMeter#348", &usual, "12.5mV", value(0.0125)),
        (
            "AstraMeter#348: mega or milli, who knows",
            &usual,
            "12.5MV",
            None,
        ),
        ("AstraMeter#348: another quantity", &usual, "12.5mA", None),
        ("pyvisa#638: stray bytes", &usual, "\u{8}1.5", None),
        (
            "pyvisa#638: bytes that are no text",
            &usual,
            "1.\u{fffd}5",
            None,
        ),
        (
            "libsigrok#210: an empty answer is not zero",
            &usual,
            "",
            None,
        ),
        (
            "K2400, basil#121: five values where one is asked for",
            &usual,
            "1,2,3,4,5",
            None,
        ),
    ] {
        assert_eq!(
            parse_reading(text, "V", numbers).ok(),
            expected,
            "{issue}: {text}"
        );
    }
}

#[test]
fn error_texts_hold_what_they_like() {
    // Measured with a public SCPI parser's own server.
    let entry = parse_error_entry("-113,\"Undefined header;BOGUS:CMD 1,2\"").unwrap();
    assert_eq!(entry, (-113, "Undefined header;BOGUS:CMD 1,2".to_owned()));
}

fn word<T: serde::de::DeserializeOwned>(text: &str) -> Option<T> {
    let quoted = toml::Value::String(text.to_owned());
    T::deserialize(quoted).ok()
}

#[test]
fn compound_commands_are_refused() {
    // scpi-parser#111: the second half is looked for under the branch of the first.
    assert!(word::<Query>(":MEAS:VOLT?;CURR?").is_none());
    assert!(word::<Template>(":VOLT {};:OUTP ON").is_none());
    for name in Dialect::built_in_names().filter(|name| name.starts_with("scpi")) {
        let path = format!(
            "{}/../../rigs/dialects/{name}.toml",
            env!("CARGO_MANIFEST_DIR")
        );
        let text = std::fs::read_to_string(path).unwrap();
        let entries = text.lines().filter(|line| !line.starts_with('#'));
        for line in entries.skip_while(|line| *line != "[common]") {
            if let Some((_, command)) = line.split_once(" = \"")
                && !command.starts_with(|c: char| c.is_ascii_digit())
            {
                assert!(command.starts_with([':', '*']), "{name}: {line}");
            }
        }
    }
}

/// Texts near to what is right, which reach further into a reader than mere noise does.
fn near(right: &'static [&'static str]) -> impl Strategy<Value = String> {
    let pieces = prop::collection::vec(prop::sample::select(right), 0..12);
    prop_oneof![pieces.prop_map(|pieces| pieces.concat()), ".{0,80}"]
}

const NUMBER: &[&str] = &[
    "+", "-", ".", "1", "9", "E", "e", "37", "V", "m", " ", ",", "OL", "é",
];
const ENTRY: &[&str] = &["-", "113", ",", "\"", "\"\"", ";", "text", "é", " "];
const RESOURCE: &[&str] = &[
    "TCPIP", "ASRL", "USB", "INPROC", "::", ":", "0x", "1", "[", "]", "/", "INSTR", "SOCKET", "é",
];
const FILE: &[&str] = &[
    "[wire]\n",
    "[common]\n",
    "[supply]\n",
    "[meter]\n",
    "[switch]\n",
    "ending = \"LF\"\n",
    "reply = \"line\"\n",
    "deadline = \"1 s\"\n",
    "identify = \"*IDN?\"\n",
    "energise = \"C {}\"\n",
    "channels = \"1:900\"\n",
    "{",
    "}",
    "\"",
    "=",
    "é",
];

proptest! {
    #[test]
    fn readings(text in near(NUMBER)) {
        if let Ok(Reading::Value(value)) = parse_reading(&text, "V", &Numbers::default()) {
            prop_assert!(value.is_finite() && value.abs() < 9.9e40);
        }
    }

    #[test]
    fn numbers_survive_the_wire(value in -1e30..1e30) {
        let read = |text: String| parse_reading(&text, "V", &Numbers::default());
        prop_assert_eq!(read(format!("{value}")), Ok(Reading::Value(value)));
        prop_assert_eq!(read(format!("{value:e}")), Ok(Reading::Value(value)));
    }

    #[test]
    fn error_entries(text in near(ENTRY)) {
        if let Some((_, inside)) = parse_error_entry(&text) {
            prop_assert!(inside.len() <= text.len());
        }
    }

    #[test]
    fn quoted_texts_survive(code in any::<i32>(), text in "[^\r\n]{0,40}") {
        let entry = format!("{code},\"{}\"", text.replace('"', "\"\""));
        prop_assert_eq!(parse_error_entry(&entry), Some((code, text)));
    }

    #[test]
    fn resources(text in near(RESOURCE)) {
        match text.parse::<Resource>() {
            Ok(resource) => {
                let again: Resource = resource.to_string().parse().unwrap();
                prop_assert_eq!(again, resource);
            }
            Err(error) => prop_assert!(error.to_string().len() < 600),
        }
    }

    #[test]
    fn dialects(text in near(FILE)) {
        if let Err(error) = Dialect::parse("any", &text) {
            prop_assert!(error.line <= text.lines().count() + 1);
        }
    }
}
