//! Digital potentiometers behind a bridge. They are at mid-scale after the start. The standard
//! bench has no potentiometer in its circuit: they stand beside it.

use super::text;

/// Codes of the potentiometers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Pots([u8; 4]);

impl Default for Pots {
    fn default() -> Self {
        Pots([128; 4])
    }
}

impl Pots {
    pub fn hear(&mut self, message: &[u8]) -> Vec<u8> {
        let command = text(message);
        let reply = match command.split_at_checked(1) {
            Some(("I", "D")) => "BRIDGE 1 4 256".to_owned(),
            Some(("W", rest)) => self.write(rest),
            Some(("R", rest)) => match rest.parse::<usize>().ok().and_then(|pot| self.0.get(pot)) {
                Some(code) => format!("VAL {rest} {code}"),
                None => "ERR 2 no such potentiometer".to_owned(),
            },
            Some(_) => "ERR 1 not understood".to_owned(),
            None => return Vec::new(),
        };
        format!("{reply}\n").into_bytes()
    }

    fn write(&mut self, rest: &str) -> String {
        let Some((pot, code)) = rest.split_once(' ') else {
            return "ERR 1 not understood".to_owned();
        };
        let place = pot
            .parse::<usize>()
            .ok()
            .and_then(|pot| self.0.get_mut(pot));
        match (place, code.parse::<u8>()) {
            (Some(place), Ok(code)) => {
                *place = code;
                format!("OK {pot} {code}")
            }
            (None, _) => "ERR 2 no such potentiometer".to_owned(),
            (_, Err(_)) => "ERR 3 no such code".to_owned(),
        }
    }
}
