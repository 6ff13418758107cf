//! Do two results agree?

use super::Uncertain;

fn ratio(difference: f64, expanded: f64) -> f64 {
    if difference == 0.0 {
        0.0
    } else {
        difference.abs() / expanded
    }
}

/// Normalised error: |a − b| over the expanded (95 %) uncertainty of the *difference*, in which
/// shared errors cancel. At most 1 when the two agree.
///
/// The ratio is that of ISO 13528 and ISO/IEC 17043 (from memory), whose form for results
/// without shared errors is [`e_n_expanded`]. Infinite when exact values differ.
pub fn e_n(a: &Uncertain, b: &Uncertain) -> f64 {
    let difference = a - b;
    ratio(difference.value(), difference.expanded95())
}

/// Normalised error of two independent results with their expanded uncertainties.
pub fn e_n_expanded(a: f64, expanded_a: f64, b: f64, expanded_b: f64) -> f64 {
    ratio(a - b, expanded_a.hypot(expanded_b))
}
