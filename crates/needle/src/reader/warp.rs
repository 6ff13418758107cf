//! How a picture has moved against the plate: shift, turn and size, and for larger moves what a plane
//! aslant before a camera that slides and turns shows besides: stretch, shear and perspective.

use super::line::median;
use nalgebra::{SMatrix, SVector, Vector2};

/// A place on the plate and where it is seen.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pair {
    pub(crate) plate: Vector2<f64>,
    pub(crate) seen: Vector2<f64>,
}

/// Shift (2), size, turn, stretch, shear, and two terms of perspective, all in units of the half-width:
/// to first order every move of a plane.
const TERMS: usize = 8;
/// The first of those terms that a picture has only when the camera was moved.
const OF_MOVES: usize = 4;

/// A move of the picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Warp {
    terms: SVector<f64, TERMS>,
    middle: Vector2<f64>,
    /// Landmarks that agree.
    pub(crate) used: usize,
    /// How well, in pixels (each coordinate).
    pub(crate) rms: f64,
    /// Of the terms, in square pixels.
    covariance: SMatrix<f64, TERMS, TERMS>,
}

/// The two rows of the model at a place given from the middle in half-widths.
fn rows(at: Vector2<f64>) -> [SVector<f64, TERMS>; 2] {
    let (x, y) = (at.x, at.y);
    [
        SVector::from([1.0, 0.0, x, -y, x, y, x * x, x * y]),
        SVector::from([0.0, 1.0, y, x, -y, x, x * y, y * y]),
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
            covariance: SMatrix::zeros(),
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

    /// Width of the picture in pixels.
    pub(crate) fn width(&self) -> f64 {
        2.0 * self.middle.x
    }

    /// Standard uncertainty, in pixels, of where `end` is seen beside the line from `start`, by which a
    /// direction between them is uncertain.
    pub(crate) fn sigma_across(&self, start: Vector2<f64>, end: Vector2<f64>) -> f64 {
        let along = (end - start).try_normalize(1e-9).unwrap_or_else(Vector2::x);
        let [x, y] = rows((end - self.middle) / self.middle.x);
        let [x0, y0] = rows((start - self.middle) / self.middle.x);
        let across = (y - y0) * along.x - (x - x0) * along.y;
        across.dot(&(self.covariance * across)).max(0.0).sqrt()
    }

    /// Standard uncertainty, in pixels, of where a place is seen along a direction of length 1.
    pub(crate) fn sigma_along(&self, place: Vector2<f64>, along: Vector2<f64>) -> f64 {
        let [x, y] = rows((place - self.middle) / self.middle.x);
        let row = x * along.x + y * along.y;
        row.dot(&(self.covariance * row)).max(0.0).sqrt()
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
            covariance: SMatrix::zeros(),
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
        // A turn makes perspective terms as large as the shift times half-width over focal length,
        // squared; a slide makes stretch and shear as large as the shift times half-width over focal
        // length times the tangent of the tilt. A prior keeps them near zero when nothing moved.
        let shift = Vector2::new(self.terms[0], self.terms[1]).norm();
        let mut prior = SMatrix::<f64, TERMS, TERMS>::zeros();
        let mut right = SVector::<f64, TERMS>::zeros();
        let sigma: f64 = 0.1;
        for term in OF_MOVES..TERMS {
            prior[(term, term)] = (sigma / (0.3 * shift + 0.02)).powi(2);
        }
        let mut information = prior;
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
        let inverse = information.try_inverse()?;
        let rms = (square / weights).sqrt().max(0.003);
        // Two coordinates of each landmark, less what the terms take up; the prior's share of these is
        // what it brings. Without anything over, the scatter says nothing, and the prior's does.
        let free = 2.0 * used as f64 - TERMS as f64 + prior.component_mul(&inverse).sum();
        let scatter = match free >= 1.0 {
            true => square.max(0.0) * 2.0 / free * (used as f64 / weights),
            false => sigma * sigma,
        };
        let covariance = (information - prior) / scatter.max(rms * rms) + prior / (sigma * sigma);
        Some(Self {
            terms: inverse * right,
            middle: self.middle,
            used,
            rms,
            covariance: covariance.try_inverse()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A pinhole camera of 1280 pixels' focal length slides sideways by 1/40 of its distance before a plane
    /// that leans by 0.25 rad: by Δx = f · t / z the picture moves by some 32 pixels, more where the
    /// plane is near. All places outside of the landmarks must be followed too.
    #[test]
    fn a_camera_that_slides_before_a_slanting_plane_is_followed() {
        let middle = Vector2::new(640.0, 360.0);
        let slid = |plate: Vector2<f64>| {
            let off = plate - middle;
            // Of the plane z = 1 + tan(0.25)·(x + y)/√2, with places in units of the distance.
            let lean = 0.25f64.tan() / 2f64.sqrt();
            let nearness = 1.0 - lean * (off.x + off.y) / 1280.0;
            plate + Vector2::new(32.0 * nearness, 0.0)
        };
        let pairs: Vec<Pair> = (0..24)
            .map(|index| {
                Vector2::new(
                    200.0 + (index % 6) as f64 * 160.0,
                    100.0 + (index / 6) as f64 * 90.0,
                )
            })
            .map(|plate| Pair {
                plate,
                seen: slid(plate),
            })
            .collect();
        let warp = Warp::fit(&pairs, middle).unwrap();
        for place in [
            Vector2::new(60.0, 650.0),
            Vector2::new(1200.0, 650.0),
            middle,
        ] {
            let off = (warp.apply(place) - slid(place)).norm();
            assert!(off < 0.02, "{place}: {off}");
        }
    }

    /// Landmarks that scatter by 0.05 px, many times: the direction and the place that are found scatter
    /// about the true ones as widely as is said, also where few landmarks leave little to judge it by.
    #[test]
    fn direction_and_place_are_as_uncertain_as_stated() {
        let middle = Vector2::new(640.0, 360.0);
        let (start, end) = (Vector2::new(600.0, 500.0), Vector2::new(800.0, 200.0));
        let along = (end - start).normalize();
        let mut random = ChaCha8Rng::seed_from_u64(7);
        for count in [8, 12, 30] {
            let (mut across, mut place) = (0.0, 0.0);
            const TRIALS: u32 = 400;
            for _ in 0..TRIALS {
                let mut noise = || {
                    (0..12)
                        .map(|_| random.random_range(-0.05..0.05))
                        .sum::<f64>()
                };
                let pairs: Vec<Pair> = (0..count)
                    .map(|index| {
                        let (column, row) = (f64::from(index % 6), f64::from(index / 6));
                        let plate = Vector2::new(
                            140.0 + 200.0 * column,
                            110.0 + 130.0 * row + 60.0 * (column % 2.0),
                        );
                        let seen =
                            plate + Vector2::new(20.0, -9.0) + Vector2::new(noise(), noise()) * 0.5;
                        Pair { plate, seen }
                    })
                    .collect();
                let warp = Warp::fit(&pairs, middle).unwrap();
                let moved = |at: Vector2<f64>| warp.apply(at) - at - Vector2::new(20.0, -9.0);
                let turned = moved(end) - moved(start);
                let off = turned.y * along.x - turned.x * along.y;
                across += (off / warp.sigma_across(start, end)).powi(2);
                place += (moved(end).x / warp.sigma_along(end, Vector2::x())).powi(2);
            }
            for (what, square) in [("across", across), ("place", place)] {
                let rms = (square / f64::from(TRIALS)).sqrt();
                assert!(
                    (0.6..1.3).contains(&rms),
                    "{count} landmarks, {what}: {rms}"
                );
            }
        }
    }

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
