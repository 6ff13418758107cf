//! Circuit algebra: the resistance of a movement from what a bench can read.
//!
//! All formulae are Ohm's law and current division, worked out here. "Fraction" is always the
//! movement's current in the second state divided by that in the first.

use quantity::{Amps, Ohms, Uncertain, Volts};
use thiserror::Error;

/// Why readings give no resistance.
#[derive(Clone, Copy, Debug, Error, PartialEq)]
pub enum CircuitError {
    /// A current ratio that no resistor can make.
    #[error("the movement's current changed by the factor {0}; it must lie between 0 and 1")]
    Fraction(f64),
    /// Readings that no positive resistance explains.
    #[error(
        "these readings lead to a movement of {0}; check that nothing but the stated resistor \
         was changed between them"
    )]
    Resistance(Ohms),
    /// Two readings too alike to compare.
    #[error("the two readings do not differ, so nothing follows from their difference")]
    NoDifference,
}

fn positive(resistance: Ohms) -> Result<Ohms, CircuitError> {
    if resistance.is_finite() && resistance.get() >= 0.0 {
        Ok(resistance)
    } else {
        Err(CircuitError::Resistance(resistance))
    }
}

fn inside(fraction: f64) -> Result<f64, CircuitError> {
    if fraction > 0.0 && fraction < 1.0 {
        Ok(fraction)
    } else {
        Err(CircuitError::Fraction(fraction))
    }
}

/// The half-shunt formula for any fraction and a source that is left alone: `series` is all
/// resistance in series with the movement, the source's own included.
/// R = Rs·Rp·(1 − f)/(f·Rs − (1 − f)·Rp).
///
/// # Errors
/// For a fraction outside 0…1, or readings that contradict each other.
pub fn shunted(series: Ohms, shunt: Ohms, fraction: f64) -> Result<Ohms, CircuitError> {
    let (rest, s, p) = (1.0 - inside(fraction)?, series.get(), shunt.get());
    positive(Ohms::new(s * p * rest / (fraction * s - rest * p)))
}

/// As [`shunted`], with every input uncertain. Not finite or negative for contradicting readings.
pub fn shunted_uncertain(series: &Uncertain, shunt: &Uncertain, fraction: &Uncertain) -> Uncertain {
    let (s, p, f) = (series.value(), shunt.value(), fraction.value());
    let below = f * s - (1.0 - f) * p;
    let partials = [
        (-((1.0 - f) * p / below).powi(2), series),
        (f * (1.0 - f) * (s / below).powi(2), shunt),
        (-s * s * p / (below * below), fraction),
    ];
    Uncertain::combine(s * p * (1.0 - f) / below, &partials)
}

/// The half-shunt formula with the loop current measured in both states, whatever the source
/// does: R = Rp·(I₂/(f·I₁) − 1), where I₁ flows unshunted and I₂ shunted.
///
/// # Errors
/// For a fraction outside 0…1, or readings that contradict each other.
pub fn shunted_measured(
    shunt: Ohms,
    unshunted_loop: Amps,
    shunted_loop: Amps,
    fraction: f64,
) -> Result<Ohms, CircuitError> {
    positive(shunt * (shunted_loop / (inside(fraction)? * unshunted_loop) - 1.0))
}

/// As [`shunted_measured`], with every input uncertain.
pub fn shunted_measured_uncertain(
    shunt: &Uncertain,
    unshunted_loop: &Uncertain,
    shunted_loop: &Uncertain,
    fraction: &Uncertain,
) -> Uncertain {
    shunt * (shunted_loop / (fraction * unshunted_loop) - 1.0)
}

/// What a bench note would have: the same reading taken as if the source were a perfect current
/// source. At half deflection it is the shunt itself, and low by R/(Rs + R).
///
/// # Errors
/// For a fraction outside 0…1.
pub fn shunted_uncorrected(shunt: Ohms, fraction: f64) -> Result<Ohms, CircuitError> {
    let fraction = inside(fraction)?;
    Ok(shunt * ((1.0 - fraction) / fraction))
}

/// The shunt that brings the movement's current to a fraction of its first value.
///
/// # Errors
/// For a fraction outside 0…1.
pub fn shunt_for_fraction(
    series: Ohms,
    movement: Ohms,
    fraction: f64,
) -> Result<Ohms, CircuitError> {
    let fraction = inside(fraction)?;
    Ok(series.parallel(movement) * (fraction / (1.0 - fraction)))
}

/// The half-series method for any fraction: series resistance raised from `first` to `second` at
/// the same voltage. R = (f·Rs₂ − Rs₁)/(1 − f); ill-conditioned unless R is comparable to Rs₁.
///
/// # Errors
/// For a fraction outside 0…1, or readings that contradict each other.
pub fn in_series(first: Ohms, second: Ohms, fraction: f64) -> Result<Ohms, CircuitError> {
    let fraction = inside(fraction)?;
    positive((fraction * second - first) / (1.0 - fraction))
}

/// Slope between two readings of drop and current: a constant offset (thermal EMF) cancels.
///
/// # Errors
/// When the currents are equal or the slope is negative.
pub fn slope(first: (Volts, Amps), second: (Volts, Amps)) -> Result<Ohms, CircuitError> {
    if first.1 == second.1 {
        return Err(CircuitError::NoDifference);
    }
    positive((second.0 - first.0) / (second.1 - first.1))
}

/// Current through a loop of one source and its resistances in series.
pub fn loop_current(source: Volts, resistances: &[Ohms]) -> Amps {
    source / resistances.iter().copied().sum::<Ohms>()
}

/// The movement's share of a current that divides between it and a shunt.
pub fn beside_shunt(total: Amps, movement: Ohms, shunt: Ohms) -> Amps {
    total * (shunt / (shunt + movement))
}

/// A resistance as it appears with a voltmeter of resistance `meter` across it.
pub fn loaded(resistance: Ohms, meter: Ohms) -> Ohms {
    resistance.parallel(meter)
}

/// The resistance behind an apparent one that was read with a voltmeter across it.
///
/// # Errors
/// When the apparent resistance is not below that of the voltmeter.
pub fn unloaded(apparent: Ohms, meter: Ohms) -> Result<Ohms, CircuitError> {
    positive(Ohms::new(apparent.get() / (1.0 - apparent / meter)))
}

/// What a voltmeter shows across a source of open voltage `open` and resistance `source`.
pub fn loaded_reading(open: Volts, source: Ohms, meter: Ohms) -> Volts {
    open * (meter / (meter + source))
}

/// Source resistance and open voltage from readings of voltmeters of two resistances (or of one
/// on two ranges).
///
/// # Errors
/// When both readings took the same current, or they contradict each other.
pub fn remove_loading(
    first: (Volts, Ohms),
    second: (Volts, Ohms),
) -> Result<(Ohms, Volts), CircuitError> {
    let (i1, i2) = (first.0 / first.1, second.0 / second.1);
    if i1 == i2 {
        return Err(CircuitError::NoDifference);
    }
    let source = positive((second.0 - first.0) / (i1 - i2))?;
    Ok((source, first.0 + i1 * source))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_method_finds_the_movement_of_a_solved_circuit() {
        let (movement, series, fraction) = (Ohms::new(1230.0), Ohms::new(9100.0), 0.37);
        let shunt = shunt_for_fraction(series, movement, fraction).unwrap();
        let found = shunted(series, shunt, fraction).unwrap();
        assert!((found - movement).abs().get() < 1e-9);
        // The circuit solved again, by nodes: source 3 V.
        let first = loop_current(Volts::new(3.0), &[series, movement]);
        let second = loop_current(Volts::new(3.0), &[series, movement.parallel(shunt)]);
        assert!((beside_shunt(second, movement, shunt) / first - fraction).abs() < 1e-12);
        let measured = shunted_measured(shunt, first, second, fraction).unwrap();
        assert!((measured - movement).abs().get() < 1e-9);
        let raised = series + (series + movement) * (1.0 / fraction - 1.0);
        assert!(
            (in_series(series, raised, fraction).unwrap() - movement)
                .abs()
                .get()
                < 1e-9
        );
        assert!(
            (unloaded(loaded(movement, Ohms::mega(1.0)), Ohms::mega(1.0)).unwrap() - movement)
                .abs()
                .get()
                < 1e-9
        );
    }

    #[test]
    fn uncertain_forms_have_the_values_and_slopes_of_the_plain_ones() {
        let at = |s: f64, p: f64, f: f64| shunted(Ohms::new(s), Ohms::new(p), f).unwrap().get();
        let inputs = [(9100.0, "s"), (900.0, "p"), (0.4, "f")];
        let [s, p, f] = inputs.map(|(value, name)| Uncertain::normal(value, 1e-5 * value, name));
        let found = shunted_uncertain(&s, &p, &f);
        assert!((found.value() - at(9100.0, 900.0, 0.4)).abs() < 1e-9);
        for row in found.budget() {
            let moved = |name: &str, value: f64| {
                if &*row.source.label == name {
                    value * (1.0 + 1e-5)
                } else {
                    value
                }
            };
            let shift = at(moved("s", 9100.0), moved("p", 900.0), moved("f", 0.4)) - found.value();
            assert!(
                (shift / row.contribution - 1.0).abs() < 1e-3,
                "{row:?} {shift}"
            );
        }
    }

    #[test]
    fn contradicting_readings_are_errors() {
        let (r, k) = (Ohms::new(100.0), Ohms::kilo(1.0));
        assert_eq!(shunted(r, r, 1.0), Err(CircuitError::Fraction(1.0)));
        assert!(matches!(
            shunted(r, k, 0.5),
            Err(CircuitError::Resistance(_))
        ));
        assert!(shunted(r, k, f64::NAN).is_err());
        assert!(shunted_measured(r, Amps::ZERO, Amps::ZERO, 0.5).is_err());
        let same = (Volts::new(1.0), Amps::new(1.0));
        assert_eq!(slope(same, same), Err(CircuitError::NoDifference));
        assert!(unloaded(k, r).is_err());
    }
}
