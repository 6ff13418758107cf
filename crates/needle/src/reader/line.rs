//! Robust straight lines.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A point on a line to be: where along (`s`), how far across (`d`), weight.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    pub(crate) s: f64,
    pub(crate) d: f64,
    pub(crate) weight: f64,
}

/// What is known of `d` at `s = 0` beforehand.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Prior {
    pub(crate) at_zero: f64,
    pub(crate) sigma: f64,
}

/// d = a + b·s.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fit {
    pub(crate) a: f64,
    pub(crate) b: f64,
    /// Covariance of a and b: aa, ab, bb; from the scatter of the samples.
    pub(crate) covariance: [f64; 3],
    /// Robust scatter of the samples about the line.
    pub(crate) rms: f64,
    /// Samples that count.
    pub(crate) used: usize,
}

impl Fit {
    /// Value at `s`.
    pub(crate) fn at(&self, s: f64) -> f64 {
        self.a + self.b * s
    }

    /// Standard uncertainty of the value at `s`.
    pub(crate) fn sigma_at(&self, s: f64) -> f64 {
        let [aa, ab, bb] = self.covariance;
        (aa + 2.0 * ab * s + bb * s * s).max(0.0).sqrt()
    }
}

/// Random starts of a fit.
const STARTS: usize = 60;

/// A line through the samples that most of them agree on: started from the pair of samples that
/// has the most weight close to it, then reweighted (Tukey's biweight). None when fewer than
/// four samples, or no spread along the line.
pub(crate) fn fit(samples: &[Sample], reach: f64, prior: Option<Prior>) -> Option<Fit> {
    if samples.len() < 4 {
        return None;
    }
    let (mut a, mut b) = start(samples, 0.4 * reach)?;
    let mut scale = scatter(samples, a, b, reach).clamp(0.05, reach / 2.0);
    let mut fitted = None;
    for _ in 0..8 {
        let solved = weighted(samples, a, b, 4.7 * scale, scale, prior)?;
        (a, b) = (solved.a, solved.b);
        scale = scatter(samples, a, b, reach).max(1e-3);
        fitted = Some(solved);
    }
    fitted.map(|fit| Fit { rms: scale, ..fit })
}

/// The pair of samples whose line has the most weight near it.
fn start(samples: &[Sample], reach: f64) -> Option<(f64, f64)> {
    let mut random = ChaCha8Rng::seed_from_u64(samples.len() as u64);
    let span = samples.iter().fold((f64::MAX, f64::MIN), |(low, high), x| {
        (low.min(x.s), high.max(x.s))
    });
    let apart = 0.25 * (span.1 - span.0);
    let mut best: Option<(f64, f64, f64)> = None;
    for _ in 0..STARTS {
        let first = samples[random.random_range(0..samples.len())];
        let second = samples[random.random_range(0..samples.len())];
        if (first.s - second.s).abs() < apart.max(1e-9) {
            continue;
        }
        let b = (second.d - first.d) / (second.s - first.s);
        let a = first.d - b * first.s;
        let score: f64 = samples
            .iter()
            .map(|x| {
                let off = (x.d - a - b * x.s) / reach;
                x.weight * (1.0 - off * off).max(0.0)
            })
            .sum();
        if best.is_none_or(|(most, ..)| score > most) {
            best = Some((score, a, b));
        }
    }
    best.map(|(_, a, b)| (a, b))
}

/// Weighted least squares about a line that is nearly right; samples beyond `cut` don't count.
fn weighted(
    samples: &[Sample],
    a: f64,
    b: f64,
    cut: f64,
    sigma: f64,
    prior: Option<Prior>,
) -> Option<Fit> {
    let (mut w, mut ws, mut wss, mut wd, mut wsd) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut square, mut used) = (0.0, 0);
    let mean = samples.iter().map(|x| x.weight).sum::<f64>() / samples.len() as f64;
    for x in samples {
        let off = (x.d - a - b * x.s) / cut;
        if off.abs() >= 1.0 || mean <= 0.0 {
            continue;
        }
        let weight = x.weight / mean * (1.0 - off * off).powi(2);
        w += weight;
        ws += weight * x.s;
        wss += weight * x.s * x.s;
        wd += weight * x.d;
        wsd += weight * x.s * x.d;
        square += weight * (x.d - a - b * x.s).powi(2);
        used += 1;
    }
    // Scale that makes the information of the samples one over a variance.
    let variance = (square / w.max(1e-12)).max(sigma * sigma * 0.25).max(1e-8);
    let (mut i00, i01, i11) = (w / variance, ws / variance, wss / variance);
    let (mut r0, r1) = (wd / variance, wsd / variance);
    if let Some(prior) = prior {
        let information = 1.0 / (prior.sigma * prior.sigma);
        i00 += information;
        r0 += information * prior.at_zero;
    }
    let determinant = i00 * i11 - i01 * i01;
    if used < 3 || determinant.abs() < 1e-9 * i00 * i11 {
        return None;
    }
    Some(Fit {
        a: (r0 * i11 - r1 * i01) / determinant,
        b: (r1 * i00 - r0 * i01) / determinant,
        covariance: [i11 / determinant, -i01 / determinant, i00 / determinant],
        rms: variance.sqrt(),
        used,
    })
}

/// 1.48 times the median distance from the line, of the samples within `reach`.
fn scatter(samples: &[Sample], a: f64, b: f64, reach: f64) -> f64 {
    let mut off: Vec<f64> = samples
        .iter()
        .map(|x| (x.d - a - b * x.s).abs())
        .filter(|off| *off < reach)
        .collect();
    median(&mut off).unwrap_or(reach) * 1.4826
}

/// The middle value; reorders the values.
pub(crate) fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let (_, value, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// d = 0.4 − 0.02·s at s = 0…59, every third one far off.
    fn third_off() -> Vec<Sample> {
        let sample = |index: i32| {
            let s = f64::from(index);
            let off = if index % 3 == 0 { 1.9 } else { 0.0 };
            let d = 0.4 - 0.02 * s + off;
            Sample { s, d, weight: 1.0 }
        };
        (0..60).map(sample).collect()
    }

    #[test]
    fn a_third_of_the_samples_far_off_leaves_the_line() {
        let fit = fit(&third_off(), 2.5, None).unwrap();
        assert!((fit.a - 0.4).abs() < 1e-3, "{fit:?}");
        assert!((fit.b + 0.02).abs() < 1e-4, "{fit:?}");
    }

    #[test]
    fn a_firm_prior_holds_the_line_at_zero() {
        let prior = Prior {
            at_zero: 0.0,
            sigma: 1e-4,
        };
        let fit = fit(&third_off(), 2.5, Some(prior)).unwrap();
        assert!(fit.a.abs() < 0.02, "{fit:?}");
    }

    #[test]
    fn no_line_through_three_samples_or_one_place() {
        assert!(fit(&third_off()[..3], 2.5, None).is_none());
        let one_place = vec![third_off()[1]; 20];
        assert!(fit(&one_place, 2.5, None).is_none());
    }
}
