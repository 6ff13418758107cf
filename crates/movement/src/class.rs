//! Accuracy class (IEC 60051): fiducial error and a stated decision rule.

use quantity::{Amps, Uncertain};
use serde::{Deserialize, Serialize};

/// Class indices, IEC 60051-1, *from memory*: show that wherever they are used.
pub const CLASSES_FROM_MEMORY: [f64; 11] = [0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 5.0];

/// Largest share of the class index that the reference may use up (IEC 60051-9:2019, 4.2).
pub const REFERENCE_SHARE: f64 = 0.2;

/// Fiducial value of a scale with the given end values (IEC 60051-2:2018, 5.2.3): the upper limit
/// when zero is at or outside one end, the sum of both limits without sign when it is inside.
pub fn fiducial_value(lower: f64, upper: f64) -> f64 {
    if lower * upper < 0.0 {
        lower.abs() + upper.abs()
    } else {
        lower.abs().max(upper.abs())
    }
}

/// Fiducial error in percent: indication minus true current, over the fiducial value.
pub fn fiducial_error(indication: Amps, current: Amps, fiducial: Amps) -> f64 {
    100.0 * ((indication - current) / fiducial)
}

/// Smallest class of the series (from memory) that holds an error given in percent; none when the
/// error is larger than all of them.
pub fn smallest_class(largest_error: f64) -> Option<f64> {
    CLASSES_FROM_MEMORY
        .into_iter()
        .find(|class| largest_error.abs() <= *class)
}

/// Largest error of the reference, in the unit of `fiducial`, with which a class can be judged.
pub fn reference_limit(class: f64, fiducial: Amps) -> Amps {
    fiducial * (REFERENCE_SHARE * class / 100.0)
}

/// Whether an instrument keeps a class.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Every error lies within the class, with its whole 95 % interval.
    Within,
    /// At least one error lies outside, with its whole 95 % interval.
    Outside,
    /// The measurement cannot tell.
    Undecided(Doubt),
}

/// Why a class is left undecided.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// No errors were given.
    NoMarks,
    /// The reference uses up more than [`REFERENCE_SHARE`] of the class.
    Reference,
    /// An interval straddles the limit.
    Limit,
}

/// Judges fiducial errors (percent, both directions, all marks) against a class index. The rule:
/// the whole 95 % interval decides, and only when the reference's own limit of error, in percent
/// of the fiducial value, is at most [`REFERENCE_SHARE`] of the class.
pub fn verdict(class: f64, errors: &[Uncertain], reference_error: f64) -> Verdict {
    if errors.is_empty() {
        return Verdict::Undecided(Doubt::NoMarks);
    }
    // Rounding must not refuse a reference exactly at its limit.
    let allowed = REFERENCE_SHARE * class * (1.0 + 1e-9);
    if reference_error.is_nan() || reference_error.abs() > allowed {
        return Verdict::Undecided(Doubt::Reference);
    }
    let intervals: Vec<_> = errors.iter().map(Uncertain::interval95).collect();
    if intervals
        .iter()
        .any(|(low, high)| *low > class || *high < -class)
    {
        return Verdict::Outside;
    }
    if intervals
        .iter()
        .all(|(low, high)| *low >= -class && *high <= class)
    {
        return Verdict::Within;
    }
    Verdict::Undecided(Doubt::Limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_interval_decides() {
        let error = |value: f64| Uncertain::normal(value, 0.1, "reading");
        let judge = |values: &[f64]| {
            let errors: Vec<_> = values.iter().copied().map(error).collect();
            verdict(1.0, &errors, 0.2)
        };
        assert_eq!(judge(&[0.1, -0.7]), Verdict::Within);
        assert_eq!(judge(&[0.1, -0.9]), Verdict::Undecided(Doubt::Limit));
        assert_eq!(judge(&[0.9, -1.3]), Verdict::Outside);
        assert_eq!(judge(&[]), Verdict::Undecided(Doubt::NoMarks));
        assert_eq!(judge(&[f64::NAN]), Verdict::Undecided(Doubt::Limit));
        assert_eq!(
            verdict(1.0, &[error(0.0)], 0.21),
            Verdict::Undecided(Doubt::Reference)
        );
    }

    #[test]
    fn scales_with_zero_inside_are_related_to_both_ends() {
        assert_eq!(fiducial_value(0.0, 100.0), 100.0);
        assert_eq!(fiducial_value(-50.0, 50.0), 100.0);
        assert_eq!(fiducial_value(20.0, 100.0), 100.0);
        assert_eq!(smallest_class(7.0), None);
    }
}
