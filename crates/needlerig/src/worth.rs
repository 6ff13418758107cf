//! What a movement is good for, in one sentence. The grades are common practice.

use movement::analysis::{Findings, Kind};
use quantity::engineering;

/// Friction, as a fraction of scale, from which a needle has to be tapped.
const TAP: f64 = 0.005;
/// Friction from which a reading is an indication only.
const INDICATION: f64 = 0.015;

/// What this movement is good for; none without full-scale current and drop.
pub fn good_for(findings: &Findings) -> Option<String> {
    let current = findings.full_scale.as_ref().ok()?.value();
    let drop = findings.drop_at_full_scale.as_ref().ok()?.value();
    let (amps, volts) = (engineering(current, "A", 3), engineering(drop, "V", 3));
    let job = match findings.kind() {
        Kind::SquareLaw => format!(
            "an ammeter of {amps} as it stands, for direct or alternating current; the lower \
             part of its scale is cramped"
        ),
        Kind::InternalShunt => format!(
            "an ammeter of {amps} as it stands; a second shunt beside it reads more, at {volts} \
             of burden"
        ),
        Kind::InternalMultiplier => format!(
            "a voltmeter of {volts} as it stands; another multiplier in front reads more, at \
             {} per volt",
            engineering(1.0 / current, "Ω", 3)
        ),
        Kind::SuppressedZero => suppressed(current, findings.begins, &volts),
        _ => bare(current, &volts),
    };
    Some(job + sticking(findings))
}

fn bare(current: f64, volts: &str) -> String {
    let per_volt = engineering(1.0 / current, "Ω", 3);
    let grade = match current {
        i if i <= 60e-6 => "high sensitivity",
        i if i <= 250e-6 => "good sensitivity",
        i if i <= 1.5e-3 => "ordinary sensitivity",
        _ => {
            return format!(
                "low sensitivity: best as an ammeter with a shunt, at {volts} of burden; as a \
                 voltmeter it would load the circuit with {per_volt} per volt"
            );
        }
    };
    format!(
        "{grade}: makes a voltmeter of {per_volt} per volt, or with a shunt an ammeter at {volts} \
         of burden"
    )
}

/// Nothing shows below where the scale begins, so it suits a quantity that stays above.
fn suppressed(current: f64, begins: Option<f64>, volts: &str) -> String {
    let percent = begins.unwrap_or(0.0) * 100.0;
    let per_volt = engineering(1.0 / current, "Ω", 3);
    format!(
        "watching a voltage that never falls below {percent:.0} % of full scale, with a multiplier \
         of {per_volt} per volt, or a current with a shunt at {volts} of burden"
    )
}

fn sticking(findings: &Findings) -> &'static str {
    match findings.at_mark.as_ref().map(|mark| mark.friction) {
        Some(friction) if friction > INDICATION => "; it sticks: fit for indication only",
        Some(friction) if friction > TAP => "; it sticks: fit for indication only, unless tapped",
        _ => "",
    }
}
