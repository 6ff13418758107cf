//! How a picture has moved against the plate: shift, turn and size, and for larger moves the
//! perspective terms of a turning camera.

use super::line::median;
use nalgebra::{SMatrix, SVector, Vector2};

/// A place on the plate and where it is seen.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pair {
    pub(crate) plate: Vector2<f64>,
    pub(crate) seen: Vector2<f64>,
}

/// Shift (2), size, turn, and two terms of perspective, all in units of the half-width.
const TERMS: usize = 6;

/// A move of the picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Warp {
    terms: SVector<f64, TERMS>,
    middle: Vector2<f64>,
    /// Landmarks that agree.
    pub(crate) used: usize,
    /// How well, in pixels (each coordinate).
    pub(crate) rms: f64,
}

/// The two rows of the model at a place given from the middle in half-widths.
fn rows(at: Vector2<f64>) -> [SVector<f64, TERMS>; 2] {
    let (x, y) = (at.x, at.y);
    [
        SVector::from([1.0, 0.0, x, -y, x * x, x * y]),
        SVector::from([0.0, 1.0, y, x, x * y, y * y]),
    ]
}

impl Warp {
    /// No move at all.
    pub(crate) fn still() -> Self {
        Self {
            terms: SVector::zeros(),
            middle: Vector2::new(1.0, 1.0),
            used: 0,
            rms: 0.0,
        }
    }

    /// Where a place of the plate is seen.
    pub(crate) fn apply(&self, place: Vector2<f64>) -> Vector2<f64> {
        let [x, y] = rows((place - self.middle) / self.middle.x);
        place + Vector2::new(x.dot(&self.terms), y.dot(&self.terms))
    }

    /// Largest move of a corner of the picture, in pixels.
    pub(crate) fn farthest(&self, width: f64, height: f64) -> f64 {
        let corners = [(0.0, 0.0), (width, 0.0), (0.0, height), (width, height)];
        let moved = corners.map(|(x, y)| {
            let place = Vector2::new(x, y);
            (self.apply(place) - place).norm()
        });
        moved.into_iter().fold(0.0, f64::max)
    }

    /// The move on which most pairs agree.
    pub(crate) fn fit(pairs: &[Pair], middle: Vector2<f64>) -> Option<Self> {
        if pairs.len() < 4 {
            return None;
        }
        let mut across: Vec<f64> = pairs.iter().map(|p| p.seen.x - p.plate.x).collect();
        let mut down: Vec<f64> = pairs.iter().map(|p| p.seen.y - p.plate.y).collect();
        let mut terms = SVector::<f64, TERMS>::zeros();
        terms[0] = median(&mut across)?;
        terms[1] = median(&mut down)?;
        let mut warp = Self {
            terms,
            middle,
            used: 0,
            rms: 0.0,
        };
        let mut cut = 6.0;
        for _ in 0..8 {
            warp = warp.improved(pairs, cut)?;
            cut = (3.0 * warp.rms).clamp(0.25, cut);
        }
        Some(warp)
    }

    /// One round of reweighted least squares; pairs beyond `cut` pixels don't count.
    fn improved(&self, pairs: &[Pair], cut: f64) -> Option<Self> {
        // The perspective terms are as large as the shift times half-width over focal length,
        // squared; a prior keeps them near zero when nothing moved.
        let shift = Vector2::new(self.terms[0], self.terms[1]).norm();
        let mut information = SMatrix::<f64, TERMS, TERMS>::zeros();
        let mut right = SVector::<f64, TERMS>::zeros();
        let sigma: f64 = 0.1;
        for term in 4..TERMS {
            information[(term, term)] = (sigma / (0.3 * shift + 0.02)).powi(2);
        }
        let (mut square, mut weights, mut used) = (0.0, 0.0, 0);
        for pair in pairs {
            let off = pair.seen - self.apply(pair.plate);
            let share = off.norm() / cut;
            if share >= 1.0 {
                continue;
            }
            let weight = (1.0 - share * share).powi(2);
            let moved = pair.seen - pair.plate;
            for (row, value) in rows((pair.plate - self.middle) / self.middle.x)
                .iter()
                .zip([moved.x, moved.y])
            {
                information += row * row.transpose() * weight;
                right += row * (weight * value);
            }
            square += weight * off.norm_squared() / 2.0;
            weights += weight;
            used += 1;
        }
        if used < 3 {
            return None;
        }
        Some(Self {
            terms: information.try_inverse()? * right,
            middle: self.middle,
            used,
            rms: (square / weights).sqrt().max(0.003),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shift_and_turn_are_found_beside_wrong_pairs() {
        let middle = Vector2::new(640.0, 360.0);
        let pair = |index: usize| {
            let plate = Vector2::new((index % 6) as f64 * 220.0, (index / 6) as f64 * 130.0);
            let from = plate - middle;
            let (s, c) = 0.002f64.sin_cos();
            let turned = Vector2::new(c * from.x - s * from.y, s * from.x + c * from.y);
            let mut seen = middle + turned + Vector2::new(3.0, -2.0);
            if index.is_multiple_of(5) {
                seen.x += 4.0;
            }
            Pair { plate, seen }
        };
        let pairs: Vec<Pair> = (0..36).map(pair).collect();
        let warp = Warp::fit(&pairs, middle).unwrap();
        for pair in pairs
            .iter()
            .skip(1)
            .filter(|p| (p.seen.x - p.plate.x).abs() < 5.0)
        {
            let off = (warp.apply(pair.plate) - pair.seen).norm();
            assert!(!(0.02..3.9).contains(&off), "{off}");
        }
        assert!(warp.used >= 28, "{}", warp.used);
    }
}
