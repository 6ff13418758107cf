//! The words of a dialect: commands, commands with a value, and questions.

use crate::picture::Picture;
use serde::de::value::MapAccessDeserializer;
use serde::de::{Error as _, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use std::borrow::Cow;
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

/// A command with one value, which stands where `{}` is, such as `:VOLT {}`; in `{00.00}` the
/// braces hold the picture of a number of fixed width.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Template {
    text: String,
    /// Where the braces open and close.
    place: (usize, usize),
    picture: Option<Picture>,
}

impl TryFrom<String> for Template {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        line(&text)?;
        let once = || "\"{}\" must stand once, where the value goes: \":VOLT {}\"".to_owned();
        if text.matches('{').count() != 1 || text.matches('}').count() != 1 {
            return Err(once());
        }
        let (Some(open), Some(close)) = (text.find('{'), text.find('}')) else {
            return Err(once());
        };
        let picture = text.get(open + 1..close).ok_or_else(once)?;
        let picture = match picture {
            "" => None,
            picture => Some(Picture::parse(picture)?),
        };
        Ok(Self {
            place: (open, close + 1),
            text,
            picture,
        })
    }
}

impl Template {
    /// The line with its value, written into `line` so that its memory is used again.
    ///
    /// # Errors
    /// The picture, when the value does not fit into it; `line` is empty then.
    pub fn fill(&self, line: &mut String, value: &impl fmt::Display) -> Result<(), String> {
        use std::fmt::Write as _;
        line.clear();
        let (open, close) = self.place;
        let (head, tail) = (&self.text[..open], &self.text[close..]);
        let Some(picture) = &self.picture else {
            // Writing to a string cannot fail.
            let _ = write!(line, "{head}{value}{tail}");
            return Ok(());
        };
        let digits = picture.write(&value.to_string());
        let digits = digits.ok_or_else(|| picture.text().to_owned())?;
        let _ = write!(line, "{head}{digits}{tail}");
        Ok(())
    }

    /// The line with its place-holder, for messages and checks.
    pub fn text(&self) -> &str {
        &self.text
    }
}

/// A question that is answered by yes or no. In a file either a text, answered by 1, 0, ON or OFF,
/// or a table: `{ ask = "STATUS?", bit = 6 }` for an answer of one raw byte, of which one bit counts
/// from 0, or `{ ask = "GOUT", yes = "0", no = "1" }` for other words.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(
    untagged,
    expecting = "a question such as \":OUTP?\", { ask = …, bit = 0 to 7 }, or { ask = …, yes = …, no = … }"
)]
pub enum Flag {
    /// Answered by 1, 0, ON or OFF.
    Plain(Command),
    /// Answered by one raw byte.
    Bit(FlagBit),
    /// Answered by words of its own.
    Words(FlagWords),
}

/// One bit of an answer of one raw byte.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlagBit {
    /// The question.
    pub ask: Command,
    /// The bit, from 0.
    pub bit: Bit,
}

/// A bit of a byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "u8")]
pub struct Bit(u8);

impl TryFrom<u8> for Bit {
    type Error = &'static str;
    fn try_from(bit: u8) -> Result<Self, Self::Error> {
        (bit < 8)
            .then_some(Self(bit))
            .ok_or("a byte has bits 0 to 7")
    }
}

impl Bit {
    /// Whether it is set.
    pub fn of(self, byte: u8) -> bool {
        byte >> self.0 & 1 == 1
    }
}

impl Flag {
    /// The question.
    pub(crate) fn question(&self) -> &Command {
        match self {
            Self::Plain(ask) => ask,
            Self::Bit(bit) => &bit.ask,
            Self::Words(words) => &words.ask,
        }
    }
}

/// Words of its own for yes and no.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlagWords {
    /// The question.
    pub ask: Command,
    /// The answer that means yes.
    pub yes: String,
    /// The answer that means no.
    pub no: String,
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
    /// The answer's form, where it has a fixed width.
    pub picture: Option<Picture>,
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
    picture: Option<String>,
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
                    picture: None,
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
                    picture,
                } = table;
                let picture = picture.as_deref().map(Picture::parse).transpose();
                let picture = picture.map_err(M::Error::custom)?;
                Ok(Query {
                    ask,
                    fields,
                    field,
                    header,
                    length,
                    picture,
                })
            }
        }
        from.deserialize_any(Either)
    }
}

impl Query {
    /// The part of `answer` that should be the number; none when the answer is built otherwise.
    pub(crate) fn pick<'a>(&self, answer: &'a str) -> Option<Cow<'a, str>> {
        if let Some(picture) = &self.picture {
            return picture.read(answer).map(Cow::Owned);
        }
        self.part(answer).map(Cow::Borrowed)
    }

    fn part<'a>(&self, answer: &'a str) -> Option<&'a str> {
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
        assert_eq!(query("\":V?\"").part("1,2"), Some("1,2"));
        let second = query("{ ask = \":R?\", fields = 3, field = 1 }");
        assert_eq!(second.part("1,2,3"), Some("2"));
        assert_eq!(second.part("1,2"), None);
        assert_eq!(
            query("{ ask = \"V1?\", header = \"V1\" }").part("V1 5.00"),
            Some(" 5.00")
        );
        assert_eq!(
            query("{ ask = \"V1?\", header = \"V1\" }").part("5.00"),
            None
        );
        assert_eq!(
            query("{ ask = \"I?\", length = 5 }").part("0.125K"),
            Some("0.125")
        );
    }
}
