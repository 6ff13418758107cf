//! How lines are framed on a wire, and where received bytes wait until a line is whole.

use crate::serial::Serial;
use crate::usb::Usb;
use crate::words::{deadline, time};
use serde::Deserialize;
use std::time::Duration;

/// What is sent after each command.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum Ending {
    /// Line feed.
    #[serde(rename = "LF")]
    Lf,
    /// Carriage return.
    #[serde(rename = "CR")]
    Cr,
    /// Both.
    #[serde(rename = "CRLF")]
    CrLf,
    /// Nothing; the instrument finds the end by itself.
    #[serde(rename = "none")]
    None,
}

impl Ending {
    /// The bytes.
    pub fn bytes(self) -> &'static [u8] {
        match self {
            Self::Lf => b"\n",
            Self::Cr => b"\r",
            Self::CrLf => b"\r\n",
            Self::None => b"",
        }
    }
}

/// How the end of an answer is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Framing {
    /// By CR, LF or both.
    Line,
    /// By a pause of `quiet`, for instruments that send no ending.
    Pause,
    /// By the frame itself, for binary protocols.
    Frame,
}

/// How to talk on one instrument's wire: the `[wire]` table of a dialect.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wire {
    /// What is sent after each command.
    pub ending: Ending,
    /// How the end of an answer is found.
    pub reply: Framing,
    /// Longest wait for an ordinary answer, and for a command to be taken.
    #[serde(deserialize_with = "deadline")]
    pub deadline: Duration,
    /// Longest wait for the first answer after connecting; some instruments need 10 s.
    #[serde(default, deserialize_with = "time")]
    pub first_reply: Duration,
    /// Longest wait for a connection.
    #[serde(default = "three_seconds", deserialize_with = "deadline")]
    pub connect: Duration,
    /// How long the line must be silent to count as drained; also the pause that ends an answer
    /// when `reply` is `pause`.
    #[serde(default = "fifty_milliseconds", deserialize_with = "time")]
    pub quiet: Duration,
    /// Shortest time from a command, or its answer, to the next command; zero for most instruments.
    #[serde(default, deserialize_with = "time")]
    pub pace: Duration,
    /// Longest answer, in bytes.
    #[serde(default = "longest_reply")]
    pub max_reply: usize,
    /// The instrument repeats what it is sent.
    #[serde(default)]
    pub echo: bool,
    /// What the instrument writes when it is ready for a command, such as `"> "`.
    #[serde(default)]
    pub prompt: String,
    /// A question that got no answer is asked once more after a resync. Commands never are.
    #[serde(default)]
    pub retry_queries: bool,
    /// What ends every exchange, such as `"OK"` on a line of its own, or a prompt. A command is
    /// only done when it has come.
    #[serde(default)]
    pub acknowledge: String,
    /// What the instrument says by itself once it has started, for those that start anew when
    /// their port is opened.
    #[serde(default)]
    pub banner: String,
    /// Longest wait for the banner after connecting.
    #[serde(default, deserialize_with = "time")]
    pub boot: Duration,
    /// How a serial port is set, unless the rig file says otherwise.
    #[serde(default)]
    pub serial: Serial,
    /// What the instrument needs on USB.
    #[serde(default)]
    pub usb: Usb,
}

fn three_seconds() -> Duration {
    Duration::from_secs(3)
}
fn fifty_milliseconds() -> Duration {
    Duration::from_millis(50)
}
fn longest_reply() -> usize {
    65_536
}

impl Wire {
    /// Lines ending in LF both ways, as most instruments on a socket have it.
    pub fn lines(deadline: Duration) -> Self {
        Self {
            ending: Ending::Lf,
            reply: Framing::Line,
            deadline,
            first_reply: Duration::ZERO,
            connect: three_seconds(),
            quiet: fifty_milliseconds(),
            pace: Duration::ZERO,
            max_reply: longest_reply(),
            echo: false,
            prompt: String::new(),
            retry_queries: false,
            acknowledge: String::new(),
            banner: String::new(),
            boot: Duration::ZERO,
            serial: Serial::default(),
            usb: Usb::default(),
        }
    }
}

fn is_ending(byte: u8) -> bool {
    byte == b'\r' || byte == b'\n'
}

/// Received bytes that are not used yet. Its memory is used again for every answer.
#[derive(Debug, Default)]
pub(crate) struct Inbox {
    /// The bytes; those before `start` are used up.
    pub bytes: Vec<u8>,
    start: usize,
    scanned: usize,
}

impl Inbox {
    pub fn clear(&mut self) {
        self.bytes.clear();
        self.start = 0;
        self.scanned = 0;
    }

    /// Bytes not used yet.
    pub fn rest(&self) -> &[u8] {
        &self.bytes[self.start..]
    }

    /// Whether anything but line endings waits.
    pub fn has_text(&self) -> bool {
        !self.rest().iter().all(|byte| is_ending(*byte))
    }

    /// Takes `mark` where it is all that waits: it has no ending of its own, as a prompt has none.
    pub fn take_mark(&mut self, mark: &str) -> bool {
        let found = self.rest().trim_ascii() == mark.trim().as_bytes();
        if found {
            self.clear();
        }
        found
    }

    /// The next `count` bytes, whatever they are.
    pub fn take(&mut self, count: usize) -> Option<Vec<u8>> {
        let taken = self.rest().get(..count)?.to_vec();
        self.start += count;
        self.scanned = self.scanned.max(self.start);
        Some(taken)
    }

    /// The next whole line. Endings before it are skipped: the LF of a CR LF may come late.
    pub fn next_line(&mut self) -> Option<&[u8]> {
        let endings = self
            .rest()
            .iter()
            .take_while(|byte| is_ending(**byte))
            .count();
        self.start += endings;
        self.scanned = self.scanned.max(self.start);
        // Only new bytes are searched, so that an answer in many pieces costs no more.
        let found = self.bytes[self.scanned..]
            .iter()
            .position(|byte| is_ending(*byte));
        let Some(length) = found else {
            self.scanned = self.bytes.len();
            return None;
        };
        let end = self.scanned + length;
        let line = &self.bytes[self.start..end];
        self.start = end + 1;
        self.scanned = self.start;
        Some(line)
    }

    /// Everything that has come in, without the line endings around it.
    pub fn take_all(&mut self) -> String {
        let text = lossy(self.rest()).trim_matches(['\r', '\n']).to_owned();
        self.clear();
        text
    }

    /// What waits, shortened for a message.
    pub fn excerpt(&self) -> String {
        excerpt(&lossy(self.rest()))
    }
}

/// Bytes as text. What is no text becomes a replacement mark, which no number reader accepts.
pub(crate) fn lossy(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Bytes in hexadecimal, for messages about binary frames.
pub(crate) fn hex(bytes: &[u8]) -> String {
    const MOST: usize = 40;
    let each: Vec<String> = bytes
        .iter()
        .take(MOST)
        .map(|b| format!("{b:02X}"))
        .collect();
    let more = if bytes.len() > MOST { " …" } else { "" };
    each.join(" ") + more
}

/// `text` shortened for a message.
pub(crate) fn excerpt(text: &str) -> String {
    const LONGEST: usize = 120;
    let shown = text.trim_matches(['\r', '\n']);
    match shown.char_indices().nth(LONGEST) {
        Some((at, _)) => format!("{}…", shown[..at].escape_debug()),
        None => shown.escape_debug().to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::Inbox;

    #[test]
    fn lines_at_every_split() {
        let whole = b"\r\nfirst\r\nsecond\n\n";
        for split in 0..whole.len() {
            let mut inbox = Inbox::default();
            let mut lines = Vec::new();
            for part in [&whole[..split], &whole[split..]] {
                inbox.bytes.extend_from_slice(part);
                while let Some(line) = inbox.next_line() {
                    lines.push(String::from_utf8(line.to_vec()).unwrap());
                }
            }
            assert_eq!(lines, ["first", "second"], "split at {split}");
            assert!(!inbox.has_text());
        }
    }
}
