//! What kind of movement it is: probabilities with the evidence for each, never from the print.

use super::Findings;
use super::by_drop::{BENDS, NO_CURRENT};
use super::data::Data;
use evidence::Observation;
use serde::{Deserialize, Serialize};

/// Kinds that direct current at the terminals can tell apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Moving coil, nothing else in the case.
    BareMovingCoil,
    /// Moving coil with an internal shunt.
    InternalShunt,
    /// Moving coil with an internal multiplier.
    InternalMultiplier,
    /// Deflection by the square of the current: moving iron, thermal, dynamometer.
    SquareLaw,
    /// Moving coil whose scale begins above zero current.
    SuppressedZero,
    /// A rectifier before the coil, or diodes across it.
    Diodes,
    /// Current flows, nothing moves.
    StuckNeedle,
    /// No current flows.
    OpenOrNothing,
    /// None of these can be told.
    Unknown,
}

impl Kind {
    /// In the trade's words.
    pub fn words(self) -> &'static str {
        match self {
            Self::BareMovingCoil => "bare moving coil",
            Self::InternalShunt => "moving coil with internal shunt",
            Self::InternalMultiplier => "moving coil with internal multiplier",
            Self::SquareLaw => "square law (moving iron or thermal)",
            Self::SuppressedZero => "moving coil with suppressed zero",
            Self::Diodes => "rectifier or diodes inside",
            Self::StuckNeedle => "stuck needle",
            Self::OpenOrNothing => "open coil, or nothing connected",
            Self::Unknown => "cannot be told",
        }
    }
}

/// Further than this from its zero, as a share of scale, a needle at rest was moved by the current.
const MOVED: f64 = 0.008;

/// One kind with its probability.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KindChance {
    /// The kind.
    pub kind: Kind,
    /// Its probability by the evidence, 0 to 1.
    pub probability: f64,
    /// What speaks for it.
    pub evidence: String,
}

/// Weighs the kinds.
pub(super) fn kinds(data: &Data<'_>, findings: &Findings) -> Vec<KindChance> {
    let (Ok(current), Ok(drop)) = (&findings.full_scale, &findings.drop_at_full_scale) else {
        return without_full_scale(data, findings);
    };
    let exponent = findings.exponent.unwrap_or(1.0);
    let begins = findings.begins.unwrap_or(0.0);
    let suppressed = rising(begins, 0.12, 0.02);
    let square = bell(exponent, 2.0, 0.12) * (1.0 - suppressed);
    let linear = bell(exponent, 1.0, 0.05).max(0.001) * (1.0 - suppressed);
    // Common practice: bare coils stand 20 to 200 mV and seldom need more than some milliamperes;
    // with the shunt inside the current is larger, with a multiplier the drop is volts.
    let amps = current.value().log10();
    let volts = drop.value().log10();
    let bare = linear * falling(amps, -1.8, 0.15) * falling(volts, -0.3, 0.12);
    let shunt = linear * rising(amps, -1.8, 0.15) * falling(volts, -0.3, 0.12);
    let multiplier = linear * rising(volts, -0.3, 0.12);
    let law = format!("deflection grows as the current to the power {exponent:.2}");
    let level = format!(
        "{} at full scale, dropping {}",
        show(current.value(), "A"),
        show(drop.value(), "V")
    );
    let weights = [
        (
            Kind::BareMovingCoil,
            bare,
            format!("{law}; {level}, as a bare coil does"),
        ),
        (
            Kind::InternalShunt,
            shunt,
            format!("{law}; {level}: more current than a coil carries"),
        ),
        (
            Kind::InternalMultiplier,
            multiplier,
            format!("{law}; {level}: more than a coil drops"),
        ),
        (
            Kind::SuppressedZero,
            suppressed,
            format!(
                "a straight scale that begins at {:.0} % of {level}",
                begins * 100.0
            ),
        ),
        (Kind::SquareLaw, square, format!("{law}; {level}")),
        (Kind::Unknown, 0.005, "fits none of the others".to_owned()),
    ];
    normalised(weights)
}

fn without_full_scale(data: &Data<'_>, findings: &Findings) -> Vec<KindChance> {
    let zero = data.zero_before().unwrap_or(0.0);
    let away = |o: &Observation| {
        o.needle
            .is_some_and(|needle| needle.deflection - zero > MOVED)
    };
    let moved = data.rests().any(away);
    match (&findings.by_drop, moved) {
        (Err(why), _) if why == BENDS => normalised([
            (Kind::Diodes, 0.95, why.clone()),
            (Kind::Unknown, 0.05, "fits none of the others".to_owned()),
        ]),
        (Err(why), false) if why == NO_CURRENT => normalised([
            (Kind::OpenOrNothing, 0.9, why.clone()),
            (
                Kind::Diodes,
                0.07,
                "silicon lets next to nothing flow at so small a drop".to_owned(),
            ),
            (
                Kind::Unknown,
                0.03,
                "the rig's own wiring may be open".to_owned(),
            ),
        ]),
        (Ok(ohms), false) => normalised([
            (
                Kind::StuckNeedle,
                0.7,
                format!(
                    "{} and current flows, but nothing moves",
                    show(ohms.value(), "Ω")
                ),
            ),
            (
                Kind::Unknown,
                0.3,
                "another berth may be in the picture, or full scale lies beyond the rig".to_owned(),
            ),
        ]),
        _ => normalised([(
            Kind::Unknown,
            1.0,
            "the run ended before the needle was known".to_owned(),
        )]),
    }
}

fn normalised<const N: usize>(weights: [(Kind, f64, String); N]) -> Vec<KindChance> {
    let sum: f64 = weights.iter().map(|(_, weight, _)| weight).sum();
    let chance = |(kind, weight, evidence)| KindChance {
        kind,
        probability: weight / sum,
        evidence,
    };
    let mut chances: Vec<KindChance> = weights
        .into_iter()
        .map(chance)
        .filter(|c| c.probability >= 0.005)
        .collect();
    chances.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    chances
}

fn bell(x: f64, centre: f64, width: f64) -> f64 {
    (-0.5 * ((x - centre) / width).powi(2)).exp()
}

fn rising(x: f64, centre: f64, width: f64) -> f64 {
    1.0 / (1.0 + (-(x - centre) / width).exp())
}

fn falling(x: f64, centre: f64, width: f64) -> f64 {
    1.0 - rising(x, centre, width)
}

fn show(value: f64, unit: &str) -> String {
    quantity::engineering(value, unit, 3)
}
