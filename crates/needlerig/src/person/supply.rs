//! A supply that a person sets: the other end of the wire that the dialect `by-hand-supply` speaks on.
//!
//! Commands only say what is wanted. It is the question after each that asks the person, so that the
//! one command that can't wait, to switch off, is told at once, whatever is being asked.

use super::console::{Console, Until, shown};
use super::wire::Hand;
use guard::SupplySpec;
use quantity::{Seconds, Volts};

/// What a look at a display takes.
const LOOKED: Seconds = Seconds::new(0.1);

/// What is known of the supply, and what is wanted of it.
pub(crate) struct HandSupply {
    console: Console,
    /// How near a hand must set it.
    within: Volts,
    most: Volts,
    /// How long a turn takes, up and down.
    slowly: [Seconds; 2],
    /// Set-point as the person last told, and the one wanted.
    volts: (Volts, Volts),
    /// Whether the output is on, as the person last told, and whether it should be.
    on: (Option<bool>, bool),
}

impl Hand for HandSupply {
    fn told(&mut self, line: &str) -> bool {
        match line.split_once(' ').unwrap_or((line, "")) {
            ("SET", volts) => self.volts.1 = volts.parse().map_or(self.volts.1, Volts::new),
            ("ON", _) => self.on.1 = true,
            ("OFF", _) => self.off(),
            _ => return false,
        }
        true
    }

    async fn asked(&mut self, line: &str) -> Option<String> {
        let volts = |volts: Option<Volts>| volts.map(|volts| volts.get().to_string());
        match line {
            "WHO" => Some("PERSON supply by hand".to_owned()),
            "SET?" => volts(self.set().await),
            "ON?" => self.switched().await.map(|on| u8::from(on).to_string()),
            "SHOWN?" => volts(self.display().await),
            _ => Some("NO".to_owned()),
        }
    }
}

impl HandSupply {
    pub fn new(console: Console, supply: &SupplySpec, slowly: [Seconds; 2]) -> Self {
        Self {
            console,
            within: supply.resolution * 0.5,
            most: supply.max_voltage,
            slowly,
            volts: (Volts::ZERO, Volts::ZERO),
            on: (None, false),
        }
    }

    fn off(&mut self) {
        let live = self.on.0 != Some(false);
        if self.on.1 {
            self.console.tell(
                "SWITCH THE SUPPLY OFF NOW, by its output button or its mains switch; then pull the \
                 lead of the movement",
            );
        }
        self.on.1 = false;
        if live {
            self.on.0 = None;
        }
    }

    /// The set-point, once the display shows what is wanted.
    async fn set(&mut self) -> Option<Volts> {
        let (now, wanted) = self.volts;
        // A supply that is off, or is to be, is turned down when it is switched on.
        if now == wanted || !self.on.1 && wanted == Volts::ZERO {
            self.volts.0 = wanted;
            return Some(wanted);
        }
        let [up, down] = self.slowly;
        let (way, over) = match wanted > now {
            true => ("up", up),
            false => ("down", down),
        };
        let (from, to) = (self.shown(now), self.shown(wanted));
        let question = format!(
            "Turn the supply {way} slowly, over some {:.0} s, from {from} to {to}.\nWhat does its display \
             show, in V",
            over.get()
        );
        let near = |line: &str| {
            let volts = self.volts_in(line)?;
            match (volts - wanted).abs() <= self.within * 1.001 {
                true => Ok(volts),
                false => Err(format!("{} is not {to}", self.shown(volts))),
            }
        };
        let volts = self.console.ask(&question, self.until(), near).await?;
        self.console.takes(over).await;
        self.volts.0 = wanted;
        Some(volts)
    }

    /// Whether the output is on, once it is what is wanted.
    async fn switched(&mut self) -> Option<bool> {
        if self.on.0 == Some(self.on.1) {
            return self.on.0;
        }
        let wanted = self.on.1;
        let question = match wanted {
            true => {
                "Turn the supply's voltage to 0 V, and then its output on. Is it on, and shows 0 V? y"
            }
            false => "Is the supply's output off? y",
        };
        let yes = |line: &str| match line.to_ascii_lowercase().as_str() {
            "y" | "yes" => Ok(()),
            _ => Err(format!("\"{}\" is not y", shown(line))),
        };
        self.console.ask(question, self.until(), yes).await?;
        self.on.0 = Some(wanted);
        if wanted {
            self.volts.0 = Volts::ZERO;
        }
        Some(wanted)
    }

    /// What the display shows at the terminals.
    async fn display(&mut self) -> Option<Volts> {
        let question = "What does the supply's display show, in V";
        let read = |line: &str| self.volts_in(line);
        let volts = self.console.ask(question, self.until(), read).await;
        self.console.takes(LOOKED).await;
        volts
    }

    /// With the supply to be off, the questions whether it is go on though the run is to end.
    fn until(&self) -> Until {
        match self.on.1 {
            true => Until::RunEnds,
            false => Until::Answered,
        }
    }

    /// A voltage with the digits that matter.
    fn shown(&self, volts: Volts) -> String {
        let digits = (-(self.within.get() * 2.0).log10()).ceil().clamp(0.0, 6.0) as usize;
        format!("{:.digits$} V", volts.get())
    }

    /// A voltage that a display can show.
    fn volts_in(&self, line: &str) -> Result<Volts, String> {
        let text = line.trim().replace(',', ".");
        let number = text.strip_suffix(['V', 'v']).unwrap_or(&text).trim();
        match number.parse::<f64>() {
            Ok(volts) if volts.abs() <= self.most.get() * 1.5 => Ok(Volts::new(volts)),
            Ok(_) => Err(format!(
                "{} V is beyond what this supply gives",
                shown(number)
            )),
            Err(_) => Err(format!("\"{}\" is no number, such as 1.25", shown(&text))),
        }
    }
}
