//! What a person does at the terminal: reads the needle and meters, sets the supply, plugs leads, sets a
//! decade box.

mod console;
mod decade;
mod meter;
mod supply;
mod switch;
mod wire;
mod words;

pub(crate) use console::Console;
pub use console::Terminal;
pub(crate) use decade::HandBox;
pub(crate) use supply::HandSupply;
pub(crate) use switch::HandSwitch;
pub(crate) use wire::{Hand, serve};

use console::{Until, shown};
use evidence::{Needle, ProbeFuture, Probed, Sight, SightFuture, Sighting};
use guard::PersonSpec;

/// Beyond these shares of scale there is no needle.
const SOMEWHERE: std::ops::RangeInclusive<f64> = -0.2..=1.3;

/// A person before the dial.
pub(crate) struct Person {
    spec: PersonSpec,
    console: Console,
}

impl Person {
    pub fn new(spec: PersonSpec, console: Console) -> Self {
        Self { spec, console }
    }

    async fn answer(&mut self, about: &str) -> Sighting {
        let question = format!(
            "{about}.\nWhere does the needle stand, once it rests? 0 to {}, or in % of scale with %",
            self.spec.full_scale
        );
        let understood = |line: &str| understood(line, &self.spec);
        match self
            .console
            .ask(&question, Until::RunEnds, understood)
            .await
        {
            Some(deflection) => Sighting {
                age: 0.0,
                seen: Ok(Needle {
                    deflection,
                    u: self.spec.u(),
                    u_shared: self.spec.shared,
                }),
            },
            // The end of the run ends this wait.
            None => std::future::pending().await,
        }
    }
}

impl Sight for Person {
    fn look(&mut self) -> SightFuture<'_> {
        self.ask("The needle is to be read")
    }

    fn name(&self) -> String {
        let PersonSpec {
            full_scale,
            division,
            ..
        } = self.spec;
        format!("person, at a scale of 0 to {full_scale} in steps of {division}")
    }

    fn by_person(&self) -> bool {
        true
    }

    fn ask<'a>(&'a mut self, about: &'a str) -> SightFuture<'a> {
        Box::pin(self.answer(about))
    }

    fn probe<'a>(&'a mut self, about: &'a str, places: &'a [Probed]) -> ProbeFuture<'a> {
        Box::pin(meter::read(&self.console, about, places))
    }
}

/// What a line says about a scale: a share of it, or why it says nothing.
fn understood(line: &str, spec: &PersonSpec) -> Result<f64, String> {
    let text = line.trim().replace(',', ".");
    let percent = text.strip_suffix('%');
    let number = percent.unwrap_or(&text).trim();
    let full = percent.map_or(spec.full_scale, |_| 100.0);
    match number.parse::<f64>() {
        Ok(value) if SOMEWHERE.contains(&(value / full)) => Ok(value / full),
        Ok(_) => Err(format!(
            "\"{}\" lies off the scale, which goes from 0 to {}",
            shown(number),
            spec.full_scale
        )),
        Err(_) => Err(format!(
            "\"{}\" is no number, such as 12.5 or 25 %",
            shown(&text)
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCALE: PersonSpec = PersonSpec {
        full_scale: 50.0,
        division: 1.0,
        shared: 0.002,
    };

    #[test]
    fn numbers_of_the_scale_and_percent_mean_the_same() {
        for line in ["12.5", "12,5", " 25 %", "25%", "1.25e1"] {
            assert_eq!(understood(line, &SCALE), Ok(0.25), "{line}");
        }
        assert_eq!(understood("-1", &SCALE), Ok(-0.02));
    }

    #[test]
    fn what_is_no_place_on_the_scale_is_told_why() {
        for (line, why) in [
            ("", "no number"),
            ("twelve", "no number"),
            ("12 13", "no number"),
            ("NaN", "off the scale"),
            ("inf", "off the scale"),
            ("500", "off the scale"),
            ("-30 %", "off the scale"),
            ("\u{1b}[A", "no number"),
        ] {
            let told = understood(line, &SCALE).unwrap_err();
            assert!(told.contains(why), "{line:?}: {told}");
            assert!(!told.contains('\u{1b}'), "{told:?}");
        }
    }
}
