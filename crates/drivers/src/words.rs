//! The words of a dialect: commands, commands with a value, and questions.

use serde::de::value::MapAccessDeserializer;
use serde::de::{Error as _, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use std::fmt;
use std::time::Duration;

/// Longest command line, in characters.
pub(crate) const LONGEST_COMMAND: usize = 1024;

/// Checks one line: no compound commands, since some instruments resolve the second half of
/// `:A:B?;C?` under the first.
fn line(text: &str) -> Result<(), String> {
    if text.is_empty() || text.len() > LONGEST_COMMAND {
        return Err(format!("a command has 1 to {LONGEST_COMMAND} characters"));
    }
    if !text.bytes().all(|byte| (0x20..0x7f).contains(&byte)) {
        return Err("a command holds printable ASCII only; its ending is added".to_owned());
    }
    if text.contains(';') {
        return Err("one command per line: write a list of commands instead of \";\"".to_owned());
    }
    Ok(())
}

/// A command without a value, such as `:OUTP OFF`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Command(String);

impl TryFrom<String> for Command {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        line(&text)?;
        match text.contains("{}") {
            true => Err("this command takes no value, so \"{}\" has no place in it".to_owned()),
            false => Ok(Self(text)),
        }
    }
}

impl Command {
    /// The line, without its ending.
    pub fn text(&self) -> &str {
        &self.0
    }
}

/// A command with one value, which stands where `{}` is, such as `:VOLT {}`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Template(String);

impl TryFrom<String> for Template {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        line(&text)?;
        match text.matches("{}").count() {
            1 => Ok(Self(text)),
            _ => Err("\"{}\" must stand once, where the value goes: \":VOLT {}\"".to_owned()),
        }
    }
}

impl Template {
    /// The line with its value, written into `line` so that its memory is used again.
    pub fn fill(&self, line: &mut String, value: &impl fmt::Display) {
        use std::fmt::Write as _;
        line.clear();
        let (head, tail) = self.0.split_once("{}").unwrap_or((&self.0, ""));
        // Writing to a string cannot fail.
        let _ = write!(line, "{head}{value}{tail}");
    }

    /// The line with its place-holder, for messages and checks.
    pub fn text(&self) -> &str {
        &self.0
    }
}

/// A question, and where in the answer the number stands. In a file either a text, or a table
/// such as `{ ask = ":READ?", fields = 5, field = 0 }`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Query {
    /// The question.
    pub ask: Command,
    /// How many comma-separated fields the answer has; 1 unless stated.
    pub fields: usize,
    /// Which of them is meant, from 0.
    pub field: usize,
    /// A word that the answer repeats before the number, such as `V1`.
    pub header: Option<String>,
    /// Number of characters that count, where some firmware adds stray ones.
    pub length: Option<usize>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct QueryTable {
    ask: Command,
    #[serde(default = "one")]
    fields: usize,
    #[serde(default)]
    field: usize,
    header: Option<String>,
    length: Option<usize>,
}

fn one() -> usize {
    1
}

impl<'de> Deserialize<'de> for Query {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = Query;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a question such as \":VOLT?\", or a table with \"ask\"")
            }
            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Query, E> {
                let ask = Command::try_from(text.to_owned()).map_err(E::custom)?;
                Ok(Query {
                    ask,
                    fields: 1,
                    field: 0,
                    header: None,
                    length: None,
                })
            }
            fn visit_map<M: MapAccess<'de>>(self, map: M) -> Result<Query, M::Error> {
                let table = QueryTable::deserialize(MapAccessDeserializer::new(map))?;
                if table.field >= table.fields || table.fields > 64 {
                    return Err(M::Error::custom(
                        "\"field\" counts from 0 and must be below \"fields\", which is 64 at most",
                    ));
                }
                let QueryTable {
                    ask,
                    fields,
                    field,
                    header,
                    length,
                } = table;
                Ok(Query {
                    ask,
                    fields,
                    field,
                    header,
                    length,
                })
            }
        }
        from.deserialize_any(Either)
    }
}

impl Query {
    /// The part of `answer` that should be the number; none when the answer is built otherwise.
    pub(crate) fn pick<'a>(&self, answer: &'a str) -> Option<&'a str> {
        let mut text = answer;
        if let Some(length) = self.length {
            text = text
                .char_indices()
                .nth(length)
                .map_or(text, |(at, _)| &text[..at]);
        }
        if let Some(header) = &self.header {
            text = text.trim_start().strip_prefix(header.as_str())?;
        }
        // One field asked for: a comma inside is left to the number reader, which refuses it.
        if self.fields == 1 {
            return Some(text);
        }
        let count = text.split(',').count();
        (count == self.fields)
            .then(|| text.split(',').nth(self.field))
            .flatten()
    }
}

/// A quantity written as text with its unit.
fn quantity<'de, D, Q>(from: D) -> Result<Q, D::Error>
where
    D: Deserializer<'de>,
    Q: std::str::FromStr<Err: fmt::Display>,
{
    String::deserialize(from)?.parse().map_err(D::Error::custom)
}

/// A time such as `"500 ms"`, from 0 to one hour.
pub(crate) fn time<'de, D: Deserializer<'de>>(from: D) -> Result<Duration, D::Error> {
    let seconds: quantity::Seconds = quantity(from)?;
    if (0.0..=3600.0).contains(&seconds.get()) {
        Ok(seconds.duration())
    } else {
        Err(D::Error::custom(format!(
            "{seconds} is outside 0 s to 3600 s"
        )))
    }
}

/// A deadline: a time of at least 50 ms, since USB serial adapters alone hold bytes back for up
/// to 16 ms.
pub(crate) fn deadline<'de, D: Deserializer<'de>>(from: D) -> Result<Duration, D::Error> {
    let time = time(from)?;
    if time < Duration::from_millis(50) {
        return Err(D::Error::custom(
            "a deadline below 50 ms fails on USB serial adapters",
        ));
    }
    Ok(time)
}

/// A voltage such as `"8 V"`.
pub(crate) fn volts<'de, D: Deserializer<'de>>(from: D) -> Result<quantity::Volts, D::Error> {
    quantity(from)
}

/// A current such as `"1 mA"`.
pub(crate) fn amps<'de, D: Deserializer<'de>>(from: D) -> Result<quantity::Amps, D::Error> {
    quantity(from)
}

#[cfg(test)]
mod tests {
    use super::{Command, Query, Template};

    fn query(text: &str) -> Query {
        #[derive(serde::Deserialize)]
        struct File {
            q: Query,
        }
        toml::from_str::<File>(&format!("q = {text}")).unwrap().q
    }

    #[test]
    fn words_are_checked() {
        assert!(Command::try_from(":OUTP OFF".to_owned()).is_ok());
        for wrong in ["", ":A;:B", ":A\n", ":VOLT {}", "µ"] {
            assert!(Command::try_from(wrong.to_owned()).is_err(), "{wrong:?}");
        }
        assert!(Template::try_from(":VOLT".to_owned()).is_err());
        assert!(Template::try_from(":V {} {}".to_owned()).is_err());
    }

    #[test]
    fn the_number_is_picked() {
        assert_eq!(query("\":V?\"").pick("1,2"), Some("1,2"));
        let second = query("{ ask = \":R?\", fields = 3, field = 1 }");
        assert_eq!(second.pick("1,2,3"), Some("2"));
        assert_eq!(second.pick("1,2"), None);
        assert_eq!(
            query("{ ask = \"V1?\", header = \"V1\" }").pick("V1 5.00"),
            Some(" 5.00")
        );
        assert_eq!(
            query("{ ask = \"V1?\", header = \"V1\" }").pick("5.00"),
            None
        );
        assert_eq!(
            query("{ ask = \"I?\", length = 5 }").pick("0.125K"),
            Some("0.125")
        );
    }
}
