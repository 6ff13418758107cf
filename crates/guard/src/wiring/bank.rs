//! Resistors as found against resistors as stated, and what may explain the difference. Pure.

use super::{Seen, Verdict};
use crate::rig::Element;
use quantity::engineering;

/// A value whose doubt is more than this share of what is stated says nothing about it.
const TELLING: f64 = 0.3;
/// Two values closer than this share are taken for the same resistor.
const SAME: f64 = 0.03;

/// What a resistor measured as.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Found {
    /// Ohms, and the doubt of the measurement alone.
    Ohms(f64, f64),
    /// Nothing flows through it.
    Open,
    /// It conducts, but no value can be told at this level.
    Conducts,
    /// It can't be looked at, for this reason.
    Hidden(&'static str),
}

/// How the elements of a bank are connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// A closed relay puts the element into the circuit, beside others that are closed.
    Beside,
    /// A closed relay shorts the element.
    InRow,
}

/// One bank.
pub(super) struct Bank<'a> {
    /// "path", "series", "sense" or "shunt".
    pub name: &'static str,
    pub kind: Kind,
    pub elements: Vec<&'a Element>,
}

pub(super) fn ohms(value: f64) -> String {
    engineering(value, "Ω", 4)
}

/// A stated value, without the zeros behind its point.
fn stated(ohms: f64) -> String {
    let text = engineering(ohms, "Ω", 4);
    match text.split_once(' ') {
        Some((number, unit)) if number.contains('.') => {
            let number = number.trim_end_matches('0').trim_end_matches('.');
            format!("{number} {unit}")
        }
        _ => text,
    }
}

impl Bank<'_> {
    /// Name of an element for people.
    pub fn part(&self, index: usize) -> String {
        let element = self.elements[index];
        let ohms = stated(element.ohms.get());
        format!("{} {ohms} (channel {})", self.name, element.channel)
    }

    /// What the measurement of one element came to.
    pub fn judge(&self, index: usize, found: Found) -> Seen {
        let element = self.elements[index];
        let nominal = element.ohms.get();
        let tolerance = nominal * element.tolerance + element.contact.get();
        let percent = element.tolerance * 100.0;
        let expected = format!("{} within {percent} %", stated(element.ohms.get()));
        let seen = |verdict, found: String, look_at| Seen {
            part: self.part(index),
            verdict,
            expected: expected.clone(),
            found,
            look_at,
        };
        match found {
            Found::Hidden(why) => seen(Verdict::Unseen, why.to_owned(), None),
            Found::Conducts => {
                let text = "conducts; its value can't be told at this current";
                seen(Verdict::Unseen, text.to_owned(), None)
            }
            Found::Open => seen(
                Verdict::Wrong,
                "nothing flows".to_owned(),
                Some(self.open(index)),
            ),
            Found::Ohms(value, doubt) => {
                let text = format!("{} ± {}", ohms(value), ohms(doubt));
                if (value - nominal).abs() > tolerance + doubt {
                    let look_at = self.explain(index, value, doubt);
                    return seen(Verdict::Wrong, text, Some(look_at));
                }
                let telling = doubt <= TELLING * nominal;
                let verdict = if telling {
                    Verdict::Good
                } else {
                    Verdict::Unseen
                };
                seen(verdict, text, None)
            }
        }
    }

    fn open(&self, index: usize) -> String {
        let channel = self.elements[index].channel;
        match self.kind {
            Kind::Beside => format!(
                "the relay on channel {channel} does not close (coil, coil supply, wire), or the \
                 resistor is missing or broken"
            ),
            Kind::InRow => format!(
                "the resistor across channel {channel} is missing or broken, or a wire to it is off"
            ),
        }
    }

    /// What may be behind a wrong value.
    fn explain(&self, index: usize, value: f64, doubt: f64) -> String {
        let own = self.elements[index];
        let near = |a: f64, b: f64| (a - b).abs() <= SAME * b + 2.0 * doubt;
        let others = || self.elements.iter().filter(|e| e.channel != own.channel);
        let distance = |e: &&&Element| (value - e.ohms.get()).abs();
        let alike = others()
            .filter(|e| near(value, e.ohms.get()))
            .min_by(|a, b| distance(a).total_cmp(&distance(b)));
        if let Some(other) = alike {
            return format!(
                "the file has {} on channel {}: channels {} and {} look swapped",
                other.ohms, other.channel, own.channel, other.channel
            );
        }
        let nominal = own.ohms.get();
        let beside = |e: &&&Element| near(value, nominal * e.ohms.get() / (nominal + e.ohms.get()));
        if self.kind == Kind::Beside
            && value < nominal
            && let Some(other) = others().find(beside)
        {
            return format!(
                "it looks as if the contact of channel {} stays closed beside it",
                other.channel
            );
        }
        if self.kind == Kind::InRow && value.abs() <= doubt.max(nominal * SAME) {
            return format!(
                "the relay on channel {} stays closed, or does not move, or the resistor is \
                 shorted",
                own.channel
            );
        }
        format!(
            "the resistor on channel {} or what the file says of it",
            own.channel
        )
    }
}

/// The constant that fits best to `(stated - found, doubt)` of several elements: the weighted
/// median, which a few wrong ones don't move.
pub(super) fn common(differences: &[(f64, f64)]) -> f64 {
    let cost = |c: f64| -> f64 { differences.iter().map(|(d, u)| (d - c).abs() / u).sum() };
    let best = differences.iter().map(|(d, _)| *d);
    best.min_by(|a, b| cost(*a).total_cmp(&cost(*b)))
        .unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use quantity::{Ohms, Watts};

    fn element(ohms: f64, channel: u32) -> Element {
        Element {
            ohms: Ohms::new(ohms),
            tolerance: 0.01,
            power: Watts::new(1.0),
            contact: Ohms::milli(100.0),
            channel,
        }
    }

    fn look_at(kind: Kind, index: usize, found: Found) -> (Verdict, String) {
        let elements = [element(100.0, 1), element(300.0, 2), element(1000.0, 3)];
        let elements = elements.iter().collect();
        let seen = Bank {
            name: "test",
            kind,
            elements,
        }
        .judge(index, found);
        (seen.verdict, seen.look_at.unwrap_or_default())
    }

    #[test]
    fn a_value_within_tolerance_and_doubt_is_good_and_beyond_is_wrong() {
        let verdict = |value, doubt| look_at(Kind::Beside, 1, Found::Ohms(value, doubt)).0;
        // 1 % of 300 Ω, 0.1 Ω of contact, 2 Ω of doubt.
        assert_eq!(verdict(305.0, 2.0), Verdict::Good);
        assert_eq!(verdict(305.2, 2.0), Verdict::Wrong);
        assert_eq!(verdict(305.0, 91.0), Verdict::Unseen);
    }

    /// 300 Ω beside 1 kΩ are 230.8 Ω.
    #[test]
    fn what_explains_a_wrong_value_is_named() {
        let (_, swapped) = look_at(Kind::InRow, 1, Found::Ohms(1003.0, 2.0));
        assert!(
            swapped.contains("channels 2 and 3 look swapped"),
            "{swapped}"
        );
        let (_, stuck) = look_at(Kind::Beside, 1, Found::Ohms(231.0, 2.0));
        assert!(stuck.contains("channel 3 stays closed"), "{stuck}");
        let (_, shorted) = look_at(Kind::InRow, 1, Found::Ohms(0.5, 2.0));
        assert!(shorted.contains("channel 2 stays closed"), "{shorted}");
        let (_, open) = look_at(Kind::Beside, 1, Found::Open);
        assert!(open.contains("channel 2 does not close"), "{open}");
    }

    #[test]
    fn few_wrong_values_do_not_move_what_is_common() {
        let found = common(&[
            (1.0, 0.5),
            (1.1, 0.5),
            (-40.0, 0.5),
            (9.0, 100.0),
            (1.05, 0.5),
        ]);
        assert!((found - 1.05).abs() < 0.06, "{found}");
    }
}
