//! Channel lists such as `(@101:103,301)` (SCPI-1999, volume 1, channel lists).

use serde::de::Error as _;
use serde::{Deserialize, Deserializer};

/// How a command names channels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ChannelForm {
    /// `(@101:103,301)`.
    #[default]
    Scpi,
    /// Numbers with commas between: `1,2,5`.
    Plain,
}

impl ChannelForm {
    /// `channels` as a command names them.
    pub(crate) fn write(self, channels: &[u32]) -> String {
        match self {
            Self::Scpi => list(channels),
            Self::Plain => {
                let each: Vec<String> = channels.iter().map(u32::to_string).collect();
                each.join(",")
            }
        }
    }
}

/// `channels` as a list in the order given. Runs that ascend by one are written with a colon, so
/// that they name exactly the channels asked for and the line stays short.
pub(crate) fn list(channels: &[u32]) -> String {
    use std::fmt::Write as _;
    let mut text = String::from("(@");
    let mut rest = channels;
    while let [first, ..] = rest {
        let ascends = |pair: &[u32]| pair[0].checked_add(1) == Some(pair[1]);
        let run = 1 + rest.windows(2).take_while(|pair| ascends(pair)).count();
        let separator = if text.len() > 2 { "," } else { "" };
        // Writing to a string cannot fail.
        let _ = match run {
            1 => write!(text, "{separator}{first}"),
            2 => write!(text, "{separator}{first},{}", rest[1]),
            _ => write!(text, "{separator}{first}:{}", rest[run - 1]),
        };
        rest = &rest[run..];
    }
    text.push(')');
    text
}

/// The channels of a dialect file's entry.
pub(crate) fn channel_list<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<u32>, D::Error> {
    parse(&String::deserialize(from)?).map_err(D::Error::custom)
}

/// Reads a list as a dialect file states it, such as `101:105,111`.
pub(crate) fn parse(text: &str) -> Result<Vec<u32>, String> {
    let wrong = |part: &str| {
        format!("\"{part}\" is neither a channel nor a run of channels such as 101:105")
    };
    let mut channels = Vec::new();
    for part in text.split(',').map(str::trim) {
        let (first, last) = part.split_once(':').unwrap_or((part, part));
        let first: u32 = first.trim().parse().map_err(|_| wrong(part))?;
        let last: u32 = last.trim().parse().map_err(|_| wrong(part))?;
        // A switch unit has hundreds of channels at most; a typing slip must not fill the memory.
        if last < first || last - first >= 1000 || channels.len() > 1000 {
            return Err(wrong(part));
        }
        channels.extend(first..=last);
    }
    Ok(channels)
}

#[cfg(test)]
mod tests {
    use super::{list, parse};

    #[test]
    fn lists_keep_their_order() {
        assert_eq!(list(&[101]), "(@101)");
        assert_eq!(list(&[101, 102, 103, 301]), "(@101:103,301)");
        assert_eq!(list(&[103, 102, 101, 5, 6]), "(@103,102,101,5,6)");
        assert_eq!(parse("101:103, 301"), Ok(vec![101, 102, 103, 301]));
        assert!(parse("105:101").is_err() && parse("1:4000000000").is_err());
        assert!(parse("").is_err() && parse("a").is_err());
    }
}
