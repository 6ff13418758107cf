//! From observations to findings. Pure: the same observations give the same findings, today and
//! when a record is worked again.

mod by_drop;
mod by_half_shunt;
mod data;
mod full_scale;
mod kind;

pub use by_drop::Thermal;
pub use full_scale::FullScale;
pub use kind::{Kind, KindChance};

use data::Data;
use evidence::{Observation, Purpose, RigStatement};
use quantity::{Uncertain, e_n};
use serde::{Deserialize, Serialize};

/// A figure, or the reason why it is absent. There are no defaults.
pub type Figure = Result<Uncertain, String>;

/// What a run found out about one movement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Findings {
    /// Kinds with their probabilities, the likeliest first.
    pub kinds: Vec<KindChance>,
    /// Current for the full-scale mark in A: mean of rising and falling.
    pub full_scale: Figure,
    /// Rising, falling and friction in detail, where full scale was reached.
    pub at_mark: Option<FullScale>,
    /// The headline resistance in Ω at the ambient temperature, without self-heating.
    pub resistance: Figure,
    /// By the slope of the four-wire drop, in Ω.
    pub by_drop: Figure,
    /// By the half-shunt method with the exact correction, in Ω.
    pub by_half_shunt: Figure,
    /// The classical half-deflection figure without any correction, in Ω.
    pub half_shunt_uncorrected: Result<f64, String>,
    /// E_n between the two methods; at most 1 when they agree.
    pub agreement: Option<f64>,
    /// Drop across the movement at full scale, in V.
    pub drop_at_full_scale: Figure,
    /// Power in the movement at full scale, in W.
    pub power: Figure,
    /// Rise of the resistance by self-heating at full scale, as a fraction.
    pub self_heating: Option<f64>,
    /// Exponent of deflection against current over the upper scale.
    pub exponent: Option<f64>,
    /// Share of the full-scale current at which a straight scale begins.
    #[serde(default)]
    pub begins: Option<f64>,
    /// Needle at zero current before and after, as fractions of scale.
    pub zero: (Option<f64>, Option<f64>),
    /// What a user should know before using the figures.
    pub warnings: Vec<String>,
}

impl Findings {
    /// The likeliest kind.
    pub fn kind(&self) -> Kind {
        self.kinds
            .first()
            .map_or(Kind::Unknown, |chance| chance.kind)
    }
}

/// Zero shifts below this share of scale are not worth a warning.
const ZERO_SHIFT: f64 = 0.002;
/// Zero offsets below this share of scale are not worth a warning.
const ZERO_OFF: f64 = 0.005;
/// Friction above this share of scale is worth one.
const STICKY: f64 = 0.005;

/// The observations of the last sitting. A run that was resumed began again from its zero: the movement
/// may have been touched in between.
fn latest(observations: &[Observation]) -> &[Observation] {
    let zeros = observations
        .iter()
        .enumerate()
        .filter(|(_, o)| o.purpose == Purpose::ZeroBefore);
    match zeros.map(|(place, _)| place).skip(1).last() {
        Some(place) => &observations[place..],
        None => observations,
    }
}

/// Works out everything that the observations of one run can tell.
pub fn analyse(rig: &RigStatement, observations: &[Observation]) -> Findings {
    let observations = latest(observations);
    let data = Data::new(rig, observations);
    let at_mark = full_scale::full_scale(&data);
    let slope = by_drop::slope(&data);
    let half = by_half_shunt::half_shunt(&data, at_mark.as_ref().ok(), slope.as_ref().ok());
    let full_scale: Figure = at_mark
        .as_ref()
        .map(|m| m.mean.clone())
        .map_err(Clone::clone);
    let by_drop = slope
        .as_ref()
        .map(|s| s.resistance.clone())
        .map_err(Clone::clone);
    let heating = slope.as_ref().ok().and_then(|s| s.rise_at_full_scale);
    let agreement = match (&by_drop, &half) {
        (Ok(a), Ok(b)) => Some(e_n(a, &b.resistance)),
        _ => None,
    };
    let resistance = match (&by_drop, &half) {
        (Err(why), Ok(half)) if why != by_drop::BENDS => Ok(half.resistance.clone()),
        _ => by_drop.clone(),
    };
    let drop_at_full_scale = drop_at_full_scale(&full_scale, &resistance, heating);
    let power = power(&full_scale, &drop_at_full_scale);
    let mut findings = Findings {
        kinds: Vec::new(),
        at_mark: at_mark.ok(),
        by_half_shunt: half
            .as_ref()
            .map(|h| h.resistance.clone())
            .map_err(Clone::clone),
        half_shunt_uncorrected: half.map(|h| h.uncorrected),
        exponent: full_scale::exponent(&data),
        begins: full_scale::suppression(&data),
        zero: (data.zero_before(), data.zero_after()),
        warnings: Vec::new(),
        self_heating: heating,
        full_scale,
        resistance,
        by_drop,
        agreement,
        drop_at_full_scale,
        power,
    };
    findings.kinds = kind::kinds(&data, &findings);
    findings.warnings = warnings(&findings);
    findings
}

fn drop_at_full_scale(full_scale: &Figure, resistance: &Figure, heating: Option<f64>) -> Figure {
    let (current, ohms) = (full_scale.clone()?, resistance.clone()?);
    let warm = 1.0 + heating.unwrap_or(0.0);
    let (i, r) = (current.value(), ohms.value());
    Ok(Uncertain::combine(
        i * r * warm,
        &[(r * warm, &current), (i * warm, &ohms)],
    ))
}

fn power(full_scale: &Figure, drop: &Figure) -> Figure {
    let (current, drop) = (full_scale.clone()?, drop.clone()?);
    let (i, v) = (current.value(), drop.value());
    Ok(Uncertain::combine(i * v, &[(v, &current), (i, &drop)]))
}

fn warnings(findings: &Findings) -> Vec<String> {
    let mut warnings = Vec::new();
    let percent = |share: f64| format!("{:+.2} % of scale", share * 100.0);
    // A needle with suppressed zero rests against its stop, and no screw will move it.
    let suppressed = findings.kind() == Kind::SuppressedZero;
    if !suppressed && let Some(before) = findings.zero.0.filter(|zero| zero.abs() > ZERO_OFF) {
        warnings.push(format!(
            "the needle's zero is off by {}: set it with the front screw and measure again; the \
             full-scale current here is the one for the printed mark as found",
            percent(before)
        ));
    }
    if let (Some(before), Some(after)) = findings.zero
        && (after - before).abs() > ZERO_SHIFT
    {
        warnings.push(format!(
            "the zero moved by {} during the run",
            percent(after - before)
        ));
    }
    if let Some(at_mark) = findings.at_mark.as_ref().filter(|m| m.friction > STICKY) {
        warnings.push(format!(
            "friction holds the needle within ±{:.2} % of scale: tap before reading, or leave it \
             to jobs that need no better",
            at_mark.friction * 100.0
        ));
    }
    if let Some(e_n) = findings.agreement.filter(|e_n| *e_n > 1.0) {
        warnings.push(format!(
            "the two resistance methods disagree (E_n {e_n:.2}): trust neither"
        ));
    }
    if let Some(rise) = findings.self_heating.filter(|rise| *rise > 0.002) {
        warnings.push(format!(
            "the coil warms itself: +{:.1} % resistance at full scale",
            rise * 100.0
        ));
    }
    if findings.at_mark.as_ref().is_some_and(|m| m.reversed) {
        warnings.push("the terminals are marked the wrong way round: plus is minus".to_owned());
    }
    warnings
}
