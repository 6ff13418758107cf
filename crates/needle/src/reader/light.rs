//! How the light of a picture differs from that of the plate: gain, its slope over the picture,
//! and an offset.

use super::line::median;
use nalgebra::{Matrix4, Vector4};

/// A place where both are known; x and y from −1 to 1 over the picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pair {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) plate: f64,
    pub(crate) seen: f64,
}

/// seen = (gain + across·x + down·y)·plate + offset.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Light {
    terms: Vector4<f64>,
    /// Robust scatter about it.
    pub(crate) sigma: f64,
}

impl Light {
    /// What a tone of the plate is in this light.
    pub(crate) fn of(&self, plate: f64, x: f64, y: f64) -> f64 {
        let t = &self.terms;
        (t[0] + t[1] * x + t[2] * y) * plate + t[3]
    }

    /// Gain in the middle of the picture.
    pub(crate) fn gain(&self) -> f64 {
        self.terms[0]
    }

    /// The light that most pairs agree on; none when there are too few.
    pub(crate) fn fit(pairs: &[Pair]) -> Option<Self> {
        if pairs.len() < 50 {
            return None;
        }
        let mut ratios: Vec<f64> = (pairs.iter())
            .filter(|pair| pair.plate.abs() > 15.0)
            .map(|pair| pair.seen / pair.plate)
            .collect();
        let gain = median(&mut ratios).unwrap_or(1.0);
        let mut light = Self {
            terms: Vector4::new(gain, 0.0, 0.0, 0.0),
            sigma: 0.0,
        };
        light.sigma = light.scatter(pairs);
        for wide in [24.0, 16.0, 10.0, 6.0, 0.0, 0.0, 0.0] {
            light = light.improved(pairs, wide)?;
        }
        Some(light)
    }

    fn scatter(&self, pairs: &[Pair]) -> f64 {
        let mut off: Vec<f64> = pairs
            .iter()
            .map(|pair| (pair.seen - self.of(pair.plate, pair.x, pair.y)).abs())
            .collect();
        (median(&mut off).unwrap_or(0.0) * 1.4826).max(0.5)
    }

    /// One round of reweighted least squares; `wide` keeps early rounds from deciding too soon what
    /// is off.
    fn improved(&self, pairs: &[Pair], wide: f64) -> Option<Self> {
        // Where the face is plain, gain and offset can't be told apart: slight priors decide.
        let variance = self.sigma * self.sigma;
        let priors = [0.0, 0.3, 0.3, 8.0].map(|sigma: f64| match sigma > 0.0 {
            true => variance / (sigma * sigma),
            false => 0.0,
        });
        let mut information = Matrix4::from_diagonal(&Vector4::from(priors));
        let mut right = Vector4::zeros();
        let cut = (4.0 * self.sigma).max(wide);
        for pair in pairs {
            let off = (pair.seen - self.of(pair.plate, pair.x, pair.y)) / cut;
            if off.abs() >= 1.0 {
                continue;
            }
            let weight = (1.0 - off * off).powi(2);
            let row = Vector4::new(pair.plate, pair.plate * pair.x, pair.plate * pair.y, 1.0);
            information += row * row.transpose() * weight;
            right += row * (weight * pair.seen);
        }
        let mut next = Self {
            terms: information.cholesky()?.solve(&right),
            sigma: 0.0,
        };
        next.sigma = next.scatter(pairs);
        Some(next)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gain_slope_and_offset_are_found_beside_a_needle() {
        let pair = |index: usize| {
            let (x, y) = (
                (index % 40) as f64 / 20.0 - 1.0,
                (index / 40) as f64 / 20.0 - 1.0,
            );
            let plate = if index % 7 < 2 { 40.0 } else { 190.0 };
            let seen = (0.6 + 0.1 * x) * plate + 9.0;
            // A fifth of the places are covered by something dark.
            let seen = if index.is_multiple_of(5) { 20.0 } else { seen };
            Pair { x, y, plate, seen }
        };
        let pairs: Vec<Pair> = (0..1600).map(pair).collect();
        let light = Light::fit(&pairs).unwrap();
        for (plate, x) in [(40.0, -0.8), (190.0, 0.8)] {
            let wanted = (0.6 + 0.1 * x) * plate + 9.0;
            assert!((light.of(plate, x, 0.0) - wanted).abs() < 0.5, "{light:?}");
        }
    }
}
