//! Digital potentiometers: the bridge that sets them, and the resistances that they make.

use crate::draw::Draw;
use std::f64::consts::PI;

/// Potentiometers behind the bridge.
pub const POTS: usize = 4;
/// Codes of each.
pub const CODES: u16 = 256;
/// Where each stands after power-on and after a reset of the bridge.
const POWER_UP: u8 = 128;
/// End to end, Ω.
const OHMS: [f64; POTS] = [1e6, 1e6, 1e5, 1e4];

/// Potentiometers as variable resistors in a row: one end and the wiper of each.
#[derive(Debug, Clone)]
pub struct Pots {
    /// Code at which each wiper stands.
    codes: [u8; POTS],
    /// They are the bench's series bank; else they stand beside it.
    pub in_circuit: bool,
    /// Largest current through any of them, A.
    pub peak: f64,
    /// The bridge has started and not said so yet.
    news: bool,
    full: [f64; POTS],
    wiper: [f64; POTS],
    /// By how many codes each is off at its middle.
    bow: [f64; POTS],
}

impl Default for Pots {
    fn default() -> Self {
        Pots {
            codes: [POWER_UP; POTS],
            in_circuit: false,
            peak: 0.0,
            news: false,
            full: OHMS,
            wiper: [60.0; POTS],
            bow: [0.0; POTS],
        }
    }
}

impl Pots {
    /// Draws each end-to-end resistance within 30 %, each wiper between 40 and 120 Ω, and how far
    /// from straight each is, within two codes.
    pub fn in_circuit(draw: &mut Draw) -> Self {
        let mut pots = Pots {
            in_circuit: true,
            ..Pots::default()
        };
        for pot in 0..POTS {
            pots.full[pot] *= 1.0 + draw.within(0.3);
            pots.wiper[pot] = draw.between(40.0, 120.0);
            pots.bow[pot] = draw.within(2.0);
        }
        pots
    }

    /// All of them in a row, Ω.
    pub fn ohms(&self) -> f64 {
        let one = |pot: usize| {
            let share = f64::from(self.codes[pot]) / f64::from(CODES);
            let bow = self.bow[pot] / f64::from(CODES) * (PI * share).sin();
            self.full[pot] * (share + bow).max(0.0) + self.wiper[pot]
        };
        (0..POTS).map(one).sum()
    }

    /// As after power-on.
    pub fn start(&mut self) {
        self.codes = [POWER_UP; POTS];
    }

    /// The bridge starts anew by itself, which it tells with its next answer at the latest.
    pub fn restart(&mut self) {
        self.start();
        self.news = true;
    }

    /// The bridge's answer to one line; `obeys` is false when no code is taken.
    pub fn hear(&mut self, command: &str, obeys: bool) -> String {
        let reply = match command.split_at_checked(1) {
            Some(("I", "D")) => format!("BRIDGE 1 {POTS} {CODES}"),
            Some(("W", rest)) => self.write(rest, obeys),
            Some(("R", rest)) => match rest.parse().ok().and_then(|pot: usize| self.codes.get(pot))
            {
                Some(code) => format!("VAL {rest} {code}"),
                None => "ERR 2 no such potentiometer".to_owned(),
            },
            Some(_) => "ERR 1 not understood".to_owned(),
            None => return String::new(),
        };
        match std::mem::take(&mut self.news) {
            true => format!("READY 1\n{reply}\n"),
            false => format!("{reply}\n"),
        }
    }

    fn write(&mut self, rest: &str, obeys: bool) -> String {
        let Some((pot, code)) = rest.split_once(' ') else {
            return "ERR 1 not understood".to_owned();
        };
        let place = pot.parse().ok().filter(|pot: &usize| *pot < POTS);
        match (place, code.parse::<u8>()) {
            (Some(place), Ok(wanted)) => {
                if obeys {
                    self.codes[place] = wanted;
                }
                match self.codes[place] == wanted {
                    true => format!("OK {pot} {code}"),
                    false => "ERR 5 the potentiometer reads back another code".to_owned(),
                }
            }
            (None, _) => "ERR 2 no such potentiometer".to_owned(),
            (_, Err(_)) => "ERR 3 no such code".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 128 of 256 codes of four nominal potentiometers, and their wipers.
    #[test]
    fn nominal_potentiometers_at_mid_scale_make_half_of_their_resistance() {
        let pots = Pots::default();
        assert!((pots.ohms() - (1_055_000.0 + 240.0)).abs() < 1e-6);
    }

    #[test]
    fn what_was_not_taken_is_told_and_a_restart_brings_all_to_mid_scale() {
        let mut pots = Pots::default();
        assert_eq!(pots.hear("W1 7", true), "OK 1 7\n");
        assert!(pots.hear("W1 8", false).starts_with("ERR 5"));
        assert_eq!(pots.hear("R1", true), "VAL 1 7\n");
        pots.restart();
        assert_eq!(pots.hear("R1", true), "READY 1\nVAL 1 128\n");
        assert_eq!(pots.hear("R1", true), "VAL 1 128\n");
    }
}
