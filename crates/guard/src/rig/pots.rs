//! A series bank of digital potentiometers, as its file states it: variable resistors in a row, each
//! between one end and its wiper.
//!
//! After power-on, and after a reset of the bridge, each stands at its power-up code. Codes above that
//! are never used: a bridge that starts anew by itself can then only lower the current, and the least
//! resistance of a state is that of its codes.

use super::file::{BoxFile, PotsFile, Reader, RigFile};
use super::{RigError, SupplySpec};
use crate::refusal::Refusal;
use drivers::{Resource, Serial};
use quantity::{Amps, Ohms, Volts, Watts};
use toml::Spanned;

/// One digital potentiometer.
#[derive(Clone, Debug, PartialEq)]
pub struct Pot {
    /// Its number at the bridge.
    pub number: u8,
    /// Stated resistance from end to end.
    pub ohms: Ohms,
    /// Tolerance half-width of that, as a fraction.
    pub tolerance: f64,
    /// Largest resistance of the wiper.
    pub wiper: Ohms,
    /// The most current that it may carry where it stands above zero.
    pub current: Amps,
}

/// Digital potentiometers in a row.
#[derive(Clone, Debug)]
pub struct PotBank {
    pub(crate) resource: Resource,
    pub(crate) dialect: String,
    pub(crate) serial: Option<Serial>,
    /// Steps from end to end: a code is so many parts of the whole.
    pub steps: u16,
    /// How far a code may be from the straight line, in steps.
    pub linearity: f64,
    /// Code after power-on and after a reset.
    pub power_up: u16,
    /// The most current that the row is rated for, however it is set.
    pub current: Amps,
    /// The potentiometers, those of the largest resistance first.
    pub pots: Vec<Pot>,
}

impl PotBank {
    /// Whether it is a decade box that a person sets.
    pub fn by_hand(&self) -> bool {
        self.resource == Resource::ByHand
    }

    /// The most current that these codes are rated for.
    pub fn carries(&self, codes: &[u16]) -> Amps {
        let used = self.pots.iter().zip(codes).filter(|(_, code)| **code > 0);
        used.map(|(pot, _)| pot.current)
            .fold(self.current, Amps::min)
    }

    /// The codes after power-on and after a reset.
    pub fn at_power_up(&self) -> Vec<u16> {
        vec![self.power_up; self.pots.len()]
    }

    /// Least resistance at these codes, wipers counted as zero.
    pub fn low(&self, codes: &[u16]) -> Ohms {
        self.sum(codes, |pot, code| {
            pot.ohms * ((1.0 - pot.tolerance) * self.share(code, -self.linearity))
        })
    }

    /// Largest resistance at these codes.
    pub fn high(&self, codes: &[u16]) -> Ohms {
        self.sum(codes, |pot, code| self.pot_high(pot, code))
    }

    /// Stated resistance at these codes.
    pub fn stated(&self, codes: &[u16]) -> Ohms {
        self.sum(codes, |pot, code| pot.ohms * self.share(code, 0.0))
    }

    /// Codes for at most `room` and for `current`, as near to the room as may be; none where the bank
    /// can't be so small. A hand sets no knob for less than a hundredth.
    pub fn within(&self, room: Ohms, current: Amps) -> Option<Vec<u16>> {
        let slight = if self.by_hand() {
            room * 0.01
        } else {
            Ohms::ZERO
        };
        let mut codes = vec![0; self.pots.len()];
        let mut left = room - self.high(&codes);
        if left < Ohms::ZERO {
            return None;
        }
        for (code, pot) in codes.iter_mut().zip(&self.pots) {
            if left < slight || pot.current < current {
                continue;
            }
            let zero = self.pot_high(pot, 0);
            let more = |code: u16| self.pot_high(pot, code) - zero;
            let fits = (1..=self.power_up).rev().find(|&code| more(code) <= left);
            *code = fits.unwrap_or(0);
            left -= more(*code);
        }
        Some(codes)
    }

    /// Whether these codes may be used: one for each, or none at all for a bank that is bypassed, and
    /// none of which a reset would leave less.
    pub(crate) fn admits(&self, codes: &[u16]) -> Result<(), Refusal> {
        if !codes.is_empty() && codes.len() != self.pots.len() {
            return Err(Refusal::Order(
                "give each potentiometer a code, or none any",
            ));
        }
        let above = self.pots.iter().zip(codes);
        match above.into_iter().find(|(_, code)| **code > self.power_up) {
            None => Ok(()),
            Some((pot, code)) => Err(Refusal::Reset {
                number: pot.number,
                code: *code,
                power_up: self.power_up,
            }),
        }
    }

    fn pot_high(&self, pot: &Pot, code: u16) -> Ohms {
        pot.ohms * ((1.0 + pot.tolerance) * self.share(code, self.linearity)) + pot.wiper
    }

    /// Share of the whole at a code that is `off` by so many steps.
    fn share(&self, code: u16, off: f64) -> f64 {
        ((f64::from(code) + off) / f64::from(self.steps)).clamp(0.0, 1.0)
    }

    fn sum(&self, codes: &[u16], one: impl Fn(&Pot, u16) -> Ohms) -> Ohms {
        let each = self.pots.iter().zip(codes);
        each.map(|(pot, code)| one(pot, *code)).sum()
    }
}

/// From the file's shape to a checked bank.
pub(super) fn bank(
    reader: &Reader<'_>,
    file: &RigFile,
    supply: &SupplySpec,
) -> Result<Option<PotBank>, RigError> {
    if let Some(spanned) = &file.series.r#box {
        return decade_box(reader, file, spanned).map(Some);
    }
    let Some(spanned) = &file.series.pots else {
        return Ok(None);
    };
    let pots = spanned.get_ref();
    if !file.series.elements.is_empty() {
        let message = "the series bank is of relays (elements) or of potentiometers (pots), not of \
                       both";
        return Err(reader.error(spanned.span(), message));
    }
    if file.switch.bypass.is_none() {
        let message = "potentiometers carry little current: heavy ones need a way around them, \
                       [switch] bypass = <channel>";
        return Err(reader.error(spanned.span(), message));
    }
    voltage_suffices(reader, pots, supply)?;
    let steps = steps(reader, pots)?;
    let power_up = *pots.power_up.get_ref();
    let mut bank = PotBank {
        resource: reader.parse(&pots.resource)?,
        dialect: pots.dialect.as_ref().clone(),
        serial: reader.serial(&pots.resource, pots.serial.as_ref())?,
        steps,
        linearity: linearity(reader, pots)?,
        power_up,
        current: reader.positive::<Amps>(&pots.current)?,
        pots: each(reader, pots, reader.positive(&pots.current)?)?,
    };
    bank.pots
        .sort_by(|a, b| b.ohms.get().total_cmp(&a.ohms.get()));
    if bank.low(&bank.at_power_up()) > Ohms::ZERO {
        return Ok(Some(bank));
    }
    let message = format!(
        "after a reset the potentiometers may be a short: at code {power_up} of {steps} nothing is left \
         of them for sure; take ones that start at mid-scale"
    );
    Err(reader.error(pots.power_up.span(), message))
}

/// Steps of a knob, from 0 to one less.
const DECADE: u16 = 10;
/// Most knobs that the dialect has.
const KNOBS: usize = 8;

/// A decade box: a row of knobs, each so many steps of its own resistance. Nobody resets it, so any
/// setting may be used.
fn decade_box(
    reader: &Reader<'_>,
    file: &RigFile,
    spanned: &Spanned<BoxFile>,
) -> Result<PotBank, RigError> {
    let decades = spanned.get_ref();
    if !file.series.elements.is_empty() || file.series.pots.is_some() {
        let message = "the series bank is a decade box, or something else, not both";
        return Err(reader.error(spanned.span(), message));
    }
    let knobs = decades.knobs.get_ref();
    if knobs.is_empty() || knobs.len() > KNOBS {
        let message =
            format!("list one knob at least, and {KNOBS} at most, by the resistance of a step");
        return Err(reader.error(decades.knobs.span(), message));
    }
    let tolerance = reader.share(&decades.tolerance, 0.0, 0.1)?;
    let power: Watts = reader.positive(&decades.power)?;
    let wiper = reader.positive(&decades.contact)?;
    let mut pots = Vec::new();
    for (number, knob) in knobs.iter().enumerate() {
        let step: Ohms = reader.positive(knob)?;
        pots.push(Pot {
            number: number as u8,
            ohms: step * f64::from(DECADE),
            tolerance,
            wiper,
            current: Amps::new((power.get() / step.get()).sqrt()),
        });
    }
    if !pots.is_sorted_by(|a, b| a.ohms > b.ohms) {
        let message = "list the knobs from the largest step to the smallest";
        return Err(reader.error(decades.knobs.span(), message));
    }
    let current = pots
        .iter()
        .map(|pot| pot.current)
        .fold(Amps::ZERO, Amps::max);
    Ok(PotBank {
        resource: Resource::ByHand,
        dialect: "by-hand-pots".to_owned(),
        serial: None,
        steps: DECADE,
        linearity: 0.0,
        power_up: DECADE - 1,
        current,
        pots,
    })
}

/// No terminal may see more than the potentiometers' own supply.
fn voltage_suffices(
    reader: &Reader<'_>,
    pots: &PotsFile,
    supply: &SupplySpec,
) -> Result<(), RigError> {
    let stated = reader.positive::<Volts>(&pots.voltage)?;
    let most = supply.highest(supply.max_voltage, Volts::ZERO);
    if most <= stated {
        return Ok(());
    }
    let message = format!(
        "the supply can bring up to {most} to their terminals, which are good for {stated}; state a \
         lower max_voltage in [supply], or take others"
    );
    Err(reader.error(pots.voltage.span(), message))
}

fn steps(reader: &Reader<'_>, pots: &PotsFile) -> Result<u16, RigError> {
    let (steps, power_up) = (*pots.steps.get_ref(), *pots.power_up.get_ref());
    if steps < 2 {
        return Err(reader.error(pots.steps.span(), "there must be 2 steps at least"));
    }
    if power_up > steps {
        let message = format!("code {power_up} lies beyond the last step, {steps}");
        return Err(reader.error(pots.power_up.span(), message));
    }
    Ok(steps)
}

fn linearity(reader: &Reader<'_>, pots: &PotsFile) -> Result<f64, RigError> {
    let linearity = pots.linearity.get_ref();
    let most = f64::from(*pots.steps.get_ref()) / 4.0;
    if (0.0..=most).contains(linearity) {
        return Ok(*linearity);
    }
    let message = format!("{linearity} must lie between 0 and {most} steps");
    Err(reader.error(pots.linearity.span(), message))
}

fn each(reader: &Reader<'_>, file: &PotsFile, current: Amps) -> Result<Vec<Pot>, RigError> {
    if file.each.get_ref().is_empty() {
        return Err(reader.error(file.each.span(), "list one potentiometer at least"));
    }
    let mut pots: Vec<Pot> = Vec::new();
    for pot in file.each.get_ref() {
        let number: &Spanned<u8> = &pot.number;
        if pots.iter().any(|other| other.number == *number.get_ref()) {
            let message = format!("potentiometer {} is there already", number.get_ref());
            return Err(reader.error(number.span(), message));
        }
        pots.push(Pot {
            number: *number.get_ref(),
            ohms: reader.positive(&pot.ohms)?,
            tolerance: reader.share(&pot.tolerance, 0.0, 0.6)?,
            wiper: reader.positive(&pot.wiper)?,
            current,
        });
    }
    Ok(pots)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::Rig;

    const FILE: &str = include_str!("../../../../rigs/simulated-digipots.toml");

    fn bank() -> PotBank {
        let rig = Rig::parse(FILE, "simulated-digipots.toml").unwrap();
        rig.pots.unwrap()
    }

    fn close(found: Ohms, expected: f64) {
        assert!((found.get() - expected).abs() < 1e-6, "{found}");
    }

    /// 1 MΩ, 1 MΩ, 100 kΩ, 10 kΩ at 30 %, 256 steps, 2 of which may be missing or too many.
    #[test]
    fn least_and_largest_resistance_by_hand() {
        let (bank, codes) = (bank(), [64, 0, 1, 128]);
        close(bank.low(&codes), 0.7 * (1e6 * 62.0 + 1e4 * 126.0) / 256.0);
        let high = 1.3 * (1e6 * 66.0 + 1e6 * 2.0 + 1e5 * 3.0 + 1e4 * 130.0) / 256.0;
        close(bank.high(&codes), high + 4.0 * 120.0);
        close(
            bank.stated(&codes),
            (1e6 * 64.0 + 1e5 + 1e4 * 128.0) / 256.0,
        );
        // Bypassed it is not in the circuit at all.
        assert_eq!((bank.low(&[]), bank.high(&[])), (Ohms::ZERO, Ohms::ZERO));
    }

    /// What fits has the largest resistance at its worst, and no code that a reset would lower.
    #[test]
    fn codes_for_a_room_fit_it_and_none_is_above_mid_scale() {
        let bank = bank();
        for kilo in [22.0, 33.0, 100.0, 420.0, 900.0, 5000.0] {
            let room = Ohms::kilo(kilo);
            let codes = bank.within(room, Amps::ZERO).unwrap();
            assert!(bank.high(&codes) <= room, "{kilo}: {codes:?}");
            assert_eq!(bank.admits(&codes), Ok(()));
            // One step more of the smallest does not fit, unless all stand at mid-scale.
            let last = codes.len() - 1;
            let mut more = codes.clone();
            more[last] += 1;
            assert!(codes[last] == 128 || bank.high(&more) > room, "{kilo}");
        }
        assert_eq!(bank.within(Ohms::kilo(21.0), Amps::ZERO), None);
    }

    /// A reset brings each to mid-scale: from any code that is admitted that is no less resistance.
    #[test]
    fn a_reset_can_only_add_resistance() {
        let bank = bank();
        let home = bank.at_power_up();
        for code in 0..256 {
            for pot in 0..4 {
                let mut codes = vec![17; 4];
                codes[pot] = code;
                match bank.admits(&codes) {
                    Ok(()) => assert!(bank.low(&home) >= bank.low(&codes), "{code}"),
                    Err(refusal) => {
                        assert!(code > 128, "{refusal}");
                        let number = bank.pots[pot].number;
                        let power_up = 128;
                        let expected = Refusal::Reset {
                            number,
                            code,
                            power_up,
                        };
                        assert_eq!(refusal, expected);
                    }
                }
            }
        }
        assert!(bank.admits(&[1, 2, 3]).is_err());
        assert_eq!(bank.admits(&[]), Ok(()));
    }

    #[test]
    fn what_a_file_can_get_wrong_is_told_with_its_place() {
        let ohms = "{ ohms = \"1 kΩ\", tolerance = \"1 %\", power = \"1 W\", channel = 199 }";
        for (old, new, told) in [
            ("bypass = 106", "", "need a way around them"),
            (
                "max_voltage = \"5 V\"",
                "max_voltage = \"6 V\"",
                "good for 5.500 V",
            ),
            ("power_up = 128", "power_up = 2", "may be a short"),
            (
                "power_up = 128",
                "power_up = 300",
                "beyond the last step, 256",
            ),
            ("steps = 256 ", "steps = 1 ", "2 steps at least"),
            ("linearity = 2 ", "linearity = 70 ", "between 0 and 64"),
            ("linearity = 2 ", "linearity = nan ", "between 0 and 64"),
            ("number = 3", "number = 2", "there already"),
            (
                "INPROC::pots",
                "INPROC::switch",
                "same address as the switch",
            ),
            ("wiper = \"120 Ω\"", "wiper = \"0 Ω\"", "above zero"),
            (
                "[series.pots]",
                &format!("[series]\nelements = [{ohms}]\n[series.pots]"),
                "not of both",
            ),
        ] {
            let text = FILE.replacen(old, new, 1);
            assert_ne!(text, FILE, "{old}");
            let error = Rig::parse(&text, "rig.toml").unwrap_err();
            assert!(error.message.contains(told), "{error}");
            assert!(error.line > 1, "{error}");
        }
    }
}
