//! A decade box that a person sets: the other end of the wire that the dialect `by-hand-pots` speaks on, in
//! the words of the bridge to potentiometers.

use super::console::{Console, Until};
use super::wire::Hand;
use super::words::quantities;
use guard::PotBank;
use quantity::{Ohms, Seconds};

/// Knobs that the dialect has; those beyond the box's own are never named.
const KNOBS: usize = 8;
/// Settings of a knob.
const SETTINGS: u16 = 10;
/// What it takes to set the box.
const SET: Seconds = Seconds::new(10.0);

/// What is known of the box, and what is wanted of it.
pub(crate) struct HandBox {
    console: Console,
    /// One step of each knob.
    steps: Vec<Ohms>,
    /// Settings as the person last told; none before anything was told.
    told: Option<Vec<u16>>,
    wanted: Vec<u16>,
}

impl Hand for HandBox {
    /// All that is said to it is answered.
    fn told(&mut self, _: &str) -> bool {
        false
    }

    async fn asked(&mut self, line: &str) -> Option<String> {
        if line == "ID" || line == "WHO" {
            return Some(format!("PERSON box {KNOBS} {SETTINGS}"));
        }
        let (word, rest) = line.split_at_checked(1).unwrap_or((line, ""));
        let (knob, code) = rest.split_once(' ').unwrap_or((rest, ""));
        let place = knob
            .parse()
            .ok()
            .filter(|place: &usize| *place < self.steps.len());
        match (word, place, code.parse::<u16>()) {
            ("W", Some(place), Ok(code)) if code < SETTINGS => {
                self.wanted[place] = code;
                Some(format!("OK {knob} {code}"))
            }
            ("R", Some(place), _) => {
                let settings = self.set().await?;
                Some(format!("VAL {knob} {}", settings[place]))
            }
            _ => Some("ERR 1 not understood".to_owned()),
        }
    }
}

impl HandBox {
    pub fn new(console: Console, bank: &PotBank) -> Self {
        let step = |pot: &guard::Pot| pot.ohms * (1.0 / f64::from(SETTINGS));
        Self {
            console,
            steps: bank.pots.iter().map(step).collect(),
            told: None,
            wanted: bank.at_power_up(),
        }
    }

    /// The settings, once they are those that are wanted. Whoever asks sees to it that one question turns
    /// knobs up only, or down only: whatever the order of the knobs, the resistance then never is less
    /// than both before and after.
    async fn set(&mut self) -> Option<Vec<u16>> {
        if self.told.as_ref() == Some(&self.wanted) {
            return self.told.clone();
        }
        let each = self.steps.iter().zip(&self.wanted).enumerate();
        let turns: Vec<String> = each
            .filter(|(knob, (_, wanted))| self.told.as_ref().is_none_or(|t| t[*knob] != **wanted))
            .map(|(_, (step, wanted))| format!("x {step}: {wanted}"))
            .collect();
        let total = self.total(&self.wanted);
        let question = format!(
            "Decade box, with the supply at zero: set\n  {}\nand leave the other knobs. At how much does it \
             stand now, such as 12340 Ω",
            turns.join("\n  ")
        );
        let least = self
            .steps
            .iter()
            .copied()
            .fold(total + self.steps[0], Ohms::min);
        let right = |line: &str| match quantities::<Ohms>(line, 1)?[..] {
            [read] if (read - total).abs() <= least * 0.01 => Ok(()),
            [read] => Err(format!(
                "{} Ω is not the {} Ω that is needed now",
                read.get(),
                total.get().round()
            )),
            _ => Err("one value is needed".to_owned()),
        };
        self.console.ask(&question, Until::RunEnds, right).await?;
        self.console.takes(SET).await;
        self.told = Some(self.wanted.clone());
        self.told.clone()
    }

    fn total(&self, settings: &[u16]) -> Ohms {
        let each = self.steps.iter().zip(settings);
        each.map(|(step, setting)| *step * f64::from(*setting))
            .sum()
    }
}
