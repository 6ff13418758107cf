//! Statistics of repeated readings (JCGM 100:2008, 4.2).

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// Arithmetic mean; none without values.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Sample standard deviation of one reading (n − 1); none with fewer than two values.
pub fn sample_sd(values: &[f64]) -> Option<f64> {
    Some(covariance(values, values)?.sqrt())
}

/// Standard deviation of the mean; none with fewer than two values.
pub fn mean_sd(values: &[f64]) -> Option<f64> {
    Some(sample_sd(values)? / (values.len() as f64).sqrt())
}

/// Sample covariance of paired readings; none with fewer than two pairs or unequal numbers.
pub fn covariance(a: &[f64], b: &[f64]) -> Option<f64> {
    if a.len() != b.len() || a.len() < 2 {
        return None;
    }
    let (mean_a, mean_b) = (mean(a)?, mean(b)?);
    let sum: f64 = a
        .iter()
        .zip(b)
        .map(|(x, y)| (x - mean_a) * (y - mean_b))
        .sum();
    Some(sum / (a.len() - 1) as f64)
}

/// Standard deviation from several groups, each given as its standard deviation and degrees of
/// freedom, and the total degrees of freedom; none without any.
pub fn pooled_sd(groups: &[(f64, f64)]) -> Option<(f64, f64)> {
    let dof: f64 = groups.iter().map(|group| group.1).sum();
    let sum: f64 = groups.iter().map(|(s, dof)| s * s * dof).sum();
    (dof > 0.0).then(|| ((sum / dof).sqrt(), dof))
}

/// Standard deviation of a sample standard deviation of `n` normal readings, relative to it
/// (JCGM 100, E.4.3); none with fewer than two.
pub fn relative_sd_of_sd(n: u32) -> Option<f64> {
    if n < 2 {
        return None;
    }
    // Γ(n/2)/Γ((n−1)/2) by its recursion from n = 2.
    let ratio = (2..n).fold(1.0 / std::f64::consts::PI.sqrt(), |ratio, k| {
        f64::from(k - 1) / 2.0 / ratio
    });
    let bias = (2.0 / f64::from(n - 1)).sqrt() * ratio;
    Some((1.0 - bias * bias).sqrt() / bias)
}

/// Largest difference to expect (95 %) between two readings of standard deviation `s`: 2√2·s.
pub fn repeatability_limit(s: f64) -> f64 {
    2.0 * 2f64.sqrt() * s
}

/// Value that the ratio of two variances of the given degrees of freedom stays below with the
/// given probability; none outside its domain.
pub fn variance_ratio_limit(probability: f64, above: f64, below: f64) -> Option<f64> {
    let valid = (0.0..1.0).contains(&probability);
    let distribution = FisherSnedecor::new(above, below).ok().filter(|_| valid)?;
    Some(distribution.inverse_cdf(probability))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_few_readings_have_no_spread() {
        assert_eq!(mean(&[]), None);
        assert_eq!((mean(&[3.0]), sample_sd(&[3.0])), (Some(3.0), None));
        assert_eq!(sample_sd(&[1.0, 3.0]), Some(2f64.sqrt()));
        assert_eq!(covariance(&[1.0, 2.0], &[1.0]), None);
        assert_eq!((relative_sd_of_sd(1), pooled_sd(&[])), (None, None));
        assert_eq!(variance_ratio_limit(1.0, 3.0, 4.0), None);
    }

    #[test]
    fn groups_weigh_by_their_degrees_of_freedom() {
        assert_eq!(
            pooled_sd(&[(1.0, 1.0), (3.0, 3.0)]),
            Some((7f64.sqrt(), 4.0))
        );
    }
}
