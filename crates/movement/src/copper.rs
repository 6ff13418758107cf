//! Copper: resistance and temperature (IEC 60028). Temperatures in degrees Celsius.

use quantity::{Ohms, Uncertain};

/// Temperature coefficient of standard annealed copper at 20 °C, per kelvin (IEC 60028).
pub const ALPHA_20: f64 = 0.00393;

/// Resistivity of standard annealed copper at 20 °C, Ω·mm²/m (IEC 60028).
pub const RESISTIVITY_20: f64 = 1.0 / 58.0;

/// Temperature coefficient per kelvin of the resistance at the reference temperature `celsius`.
pub fn alpha_at(celsius: f64) -> f64 {
    ALPHA_20 / (1.0 + ALPHA_20 * (celsius - 20.0))
}

/// A copper resistance known at one temperature, at another.
pub fn at_temperature(resistance: Ohms, from: f64, to: f64) -> Ohms {
    resistance * ((1.0 + ALPHA_20 * (to - 20.0)) / (1.0 + ALPHA_20 * (from - 20.0)))
}

/// A copper resistance measured at `celsius`, corrected to 20 °C. Only for a coil known to be
/// bare copper. The coefficient counts as exact.
pub fn at_20(resistance: &Uncertain, celsius: &Uncertain) -> Uncertain {
    resistance / (1.0 + ALPHA_20 * (celsius - 20.0))
}

/// Total resistance to which a copper coil must be padded with resistance that does not change
/// with temperature (swamping), for a temperature coefficient of `target` per kelvin at 20 °C.
/// None unless the target is above zero and below that of copper.
pub fn swamped_total(coil: Ohms, target: f64) -> Option<Ohms> {
    (target > 0.0 && target < ALPHA_20).then(|| coil * (ALPHA_20 / target))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn correction_carries_both_uncertainties() {
        let warm = Uncertain::normal(107.86, 0.01, "ohms");
        let corrected = at_20(&warm, &Uncertain::normal(40.0, 0.5, "ambient"));
        assert!((corrected.value() - 100.0).abs() < 1e-12);
        // 0.5 K of 0.393 %/K, at 40 °C.
        let expected = (0.01 / 1.0786f64).hypot(100.0 * 0.5 * alpha_at(40.0));
        assert!((corrected.u() - expected).abs() < 1e-12);
    }

    #[test]
    fn a_padded_coil_changes_as_asked() {
        let total = swamped_total(Ohms::new(200.0), 0.001).unwrap();
        let warm = total - Ohms::new(200.0) + at_temperature(Ohms::new(200.0), 20.0, 21.0);
        assert!((warm / total - 1.001).abs() < 1e-12);
        assert_eq!(swamped_total(Ohms::new(200.0), 0.01), None);
    }
}
