//! A relay board of words: it repeats each command, answers on a line, and ends with a prompt.

use super::{relay, text};
use crate::bench::Bench;

pub fn hear(message: &[u8], bench: &mut Bench) -> Vec<u8> {
    let command = text(message);
    let words: Vec<&str> = command.split(' ').collect();
    let said = match words[..] {
        ["ver"] => "00000011\n\r".to_owned(),
        ["relay", what, number] => {
            let relay = number.parse().ok().and_then(relay);
            match (what, relay) {
                ("on" | "off", Some(relay)) => {
                    bench.switch(&[relay], what == "on");
                    String::new()
                }
                ("read", Some(relay)) => {
                    let state = if bench.energised(relay) { "on" } else { "off" };
                    format!("{state}\n\r")
                }
                _ => "not understood\n\r".to_owned(),
            }
        }
        [""] => String::new(),
        _ => "not understood\n\r".to_owned(),
    };
    format!("{command}\n\r{said}> ").into_bytes()
}
