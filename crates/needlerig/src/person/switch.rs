//! Leads that a person plugs and pulls: the other end of the wire that the dialect `by-hand-switch` speaks
//! on. A channel is the number on a lead's tag.

use super::console::{Console, Until, shown};
use super::wire::Hand;
use super::words::quantities;
use guard::{Lead, Part, Rig};
use quantity::{Ohms, Seconds};
use std::collections::BTreeSet;

/// What is typed of a resistor may be off by so much more than its tolerance: the meter that measured it.
const MEASURED_WITHIN: f64 = 0.01;
/// What it takes to move a lead.
const MOVED: Seconds = Seconds::new(5.0);

/// What is known of the leads, and what is wanted of them.
pub(crate) struct HandSwitch {
    console: Console,
    leads: Vec<Lead>,
    /// The most that the movement's leads may have together.
    leads_high: Ohms,
    /// Plugged as the person last told; none before anything was told.
    plugged: Option<BTreeSet<u32>>,
    wanted: BTreeSet<u32>,
    measured: bool,
}

impl Hand for HandSwitch {
    fn told(&mut self, line: &str) -> bool {
        let (word, channels) = line.split_once(' ').unwrap_or((line, ""));
        let channels = list(channels);
        match word {
            "PLUG" => self.wanted.extend(channels),
            "PULL" => self.wanted.retain(|channel| !channels.contains(channel)),
            _ => return false,
        }
        true
    }

    async fn asked(&mut self, line: &str) -> Option<String> {
        match line.split_once(' ').unwrap_or((line, "")) {
            ("WHO", _) => Some("PERSON leads by hand".to_owned()),
            ("PLUGGED?", channels) => {
                let plugged = self.moved().await?;
                let state = |channel: &u32| u8::from(plugged.contains(channel)).to_string();
                let states: Vec<String> = list(channels).iter().map(state).collect();
                Some(states.join(","))
            }
            _ => Some("NO".to_owned()),
        }
    }
}

impl HandSwitch {
    pub fn new(console: Console, rig: &Rig) -> Self {
        Self {
            console,
            leads: rig.leads(),
            leads_high: rig.leads_high(),
            plugged: None,
            wanted: BTreeSet::new(),
            measured: false,
        }
    }

    /// The leads that are plugged, once they are those that are wanted.
    async fn moved(&mut self) -> Option<BTreeSet<u32>> {
        let Some(plugged) = &self.plugged else {
            return self.begin().await;
        };
        if *plugged == self.wanted {
            return self.plugged.clone();
        }
        let moves = |from: &BTreeSet<u32>, to: &BTreeSet<u32>| -> Vec<Lead> {
            let lead = |lead: &&Lead| to.contains(&lead.channel) && !from.contains(&lead.channel);
            self.leads.iter().filter(lead).cloned().collect()
        };
        let (pulls, plugs) = (moves(&self.wanted, plugged), moves(plugged, &self.wanted));
        let orders: Vec<String> = pulls
            .iter()
            .map(|lead| order(lead, false))
            .chain(plugs.iter().map(|lead| order(lead, true)))
            .collect();
        let resistors: Vec<(Ohms, f64)> = plugs
            .iter()
            .filter(|lead| lead.part != Part::Series)
            .filter_map(|lead| lead.resistor)
            .collect();
        let orders = format!("With the supply at zero,\n  {}", orders.join("\n  "));
        if resistors.is_empty() {
            let question = format!("{orders}\nDone? y");
            self.console.ask(&question, self.until(), yes).await?;
        } else {
            let question = format!(
                "{orders}\nWhat is printed on the resistors plugged now, or measured, in this order, such as \
                 4.7 kΩ"
            );
            let right = |line: &str| right(line, &resistors);
            self.console.ask(&question, self.until(), right).await?;
        }
        self.console
            .takes(MOVED * (pulls.len() + plugs.len()) as f64)
            .await;
        self.plugged = Some(self.wanted.clone());
        self.plugged.clone()
    }

    /// What is plugged at the start, which must be nothing; and once the movement's leads.
    async fn begin(&mut self) -> Option<BTreeSet<u32>> {
        let question = "All leads out, those of the supply first, and the clip on the movement's two \
                        terminals, which shorts it. Is it so? y";
        self.console.ask(question, Until::Answered, yes).await?;
        if !self.measured {
            let most = self.leads_high;
            let question = "The movement's two leads, away from the movement: plug them into each other and \
                            measure them together.\nHow much have they, in Ω";
            let fits = |line: &str| match quantities::<Ohms>(line, 1)?[..] {
                [ohms] if ohms < Ohms::ZERO => Err(format!("{ohms} is less than nothing")),
                [ohms] if ohms > most => Err(format!(
                    "{ohms} is more than the {most} that the rig file lets count: take shorter leads, or \
                     state a larger main_contact in [switch]"
                )),
                _ => Ok(()),
            };
            self.console.ask(question, Until::Answered, fits).await?;
            self.measured = true;
        }
        self.plugged = Some(BTreeSet::new());
        self.plugged.clone()
    }

    /// With all leads to be out, the questions go on though the run is to end.
    fn until(&self) -> Until {
        match self.wanted.is_empty() {
            true => Until::Answered,
            false => Until::RunEnds,
        }
    }
}

fn list(channels: &str) -> Vec<u32> {
    channels
        .split(',')
        .filter_map(|channel| channel.parse().ok())
        .collect()
}

fn yes(line: &str) -> Result<(), String> {
    match line.to_ascii_lowercase().as_str() {
        "y" | "yes" => Ok(()),
        _ => Err(format!("\"{}\" is not y", shown(line))),
    }
}

/// Whether these are the resistors that are meant.
fn right(line: &str, resistors: &[(Ohms, f64)]) -> Result<(), String> {
    let read: Vec<Ohms> = quantities(line, resistors.len())?;
    let wrong = |(read, (ohms, tolerance)): &(&Ohms, &(Ohms, f64))| {
        ((**read / *ohms) - 1.0).abs() > tolerance + MEASURED_WITHIN
    };
    match read.iter().zip(resistors).find(wrong) {
        None => Ok(()),
        Some((read, (ohms, tolerance))) => Err(format!(
            "{read} is not the {ohms} (within {:.1} %) that belongs there: take it out again",
            tolerance * 100.0
        )),
    }
}

/// What to do with one lead.
fn order(lead: &Lead, plug: bool) -> String {
    let Lead { channel, part, .. } = lead;
    let ohms = lead
        .resistor
        .map_or(String::new(), |(ohms, _)| format!("{ohms} "));
    let (what, to) = match (part, plug) {
        (Part::Short, true) => ("the clip that shorts the movement".to_owned(), "take off"),
        (Part::Short, false) => ("the clip that shorts the movement".to_owned(), "put on"),
        (Part::Reverse, true) => ("the movement's two leads".to_owned(), "cross"),
        (Part::Reverse, false) => ("the movement's two leads".to_owned(), "uncross"),
        (Part::Series, true) => (format!("{ohms}series resistor"), "bridge"),
        (Part::Series, false) => (format!("bridge over the {ohms}series resistor"), "take off"),
        (Part::Bypass, true) => ("the whole series bank".to_owned(), "bridge"),
        (Part::Bypass, false) => ("bridge over the whole series bank".to_owned(), "take off"),
        (Part::Source, _) => ("both leads of the supply".to_owned(), plugs(plug)),
        (Part::Movement, _) => ("the movement's lead".to_owned(), plugs(plug)),
        (Part::Shunt, _) => ("the lead of the shunt".to_owned(), plugs(plug)),
        (Part::Fixed, _) => (format!("{ohms}fixed resistor"), plugs(plug)),
        (Part::Sense, _) => (format!("{ohms}sense resistor"), plugs(plug)),
        (Part::ShuntElement, _) => (format!("{ohms}shunt resistor"), plugs(plug)),
    };
    format!("{to}: {what} (tag {channel})")
}

fn plugs(plug: bool) -> &'static str {
    if plug { "plug in" } else { "pull out" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_resistor_than_is_meant_is_told() {
        let meant = [(Ohms::kilo(40.0), 0.01), (Ohms::kilo(1.0), 0.001)];
        assert_eq!(right("40 kΩ 1 kΩ", &meant), Ok(()));
        assert_eq!(right("40.3kohm 1.009 kΩ", &meant), Ok(()));
        for (line, why) in [
            ("4 kΩ 1 kΩ", "4.000 kΩ is not the 40.00 kΩ"),
            ("40 kΩ 10 kΩ", "10.00 kΩ is not the 1.000 kΩ"),
            ("1 kΩ 40 kΩ", "is not the"),
            ("40 kΩ", "not 2 readings"),
            ("40 kΩ 1", "no unit"),
            ("y", "not 2 readings"),
        ] {
            let told = right(line, &meant).unwrap_err();
            assert!(told.contains(why), "{line}: {told}");
        }
    }
}
