//! Landmarks of the dial: found again in each picture, they tell how the camera has moved.

use super::line::median;
use super::picture::{Picture, Plane, Tone};
use super::plate::Plate;
use super::refusal::Refusal;
use super::warp::{Pair, Warp};
use nalgebra::{Matrix2, Vector2};

/// Half the side of a landmark, in pixels.
const HALF: usize = 9;
/// How far a landmark is looked for around where it is expected, in pixels.
const REACH: usize = 6;
const SIDE: usize = 2 * HALF + 1;
/// Side of the window in which a landmark is looked for, in pixels.
const WINDOW: usize = 2 * (HALF + REACH + 2) + 1;
/// Most landmarks.
const MOST: usize = 40;
/// Correlation below which a landmark counts as not found.
const ALIKE: f32 = 0.75;
/// Fewest landmarks that must agree on how the camera has moved, where there are so many: a move has
/// eight terms, of which a prior holds four, and four strangers agree on them by chance.
const FEWEST: usize = 6;
/// Farthest that a corner of the picture may move, as a share of its width.
const FARTHEST: f64 = 0.04;
/// Side of the blocks of the small picture in which large shifts are looked for.
const BLOCK: usize = 4;

/// A landmark: a small piece of the clean plate.
struct Patch {
    at: Vector2<f64>,
    /// Deviations from the mean.
    values: Vec<f32>,
    /// Root of the sum of their squares.
    strength: f32,
    gradient: Vec<[f32; 2]>,
    inverse: Matrix2<f64>,
}

/// All landmarks, and the plate made small.
pub(crate) struct Landmarks {
    patches: Vec<Patch>,
    small: Plane,
    width: f64,
    height: f64,
}

impl Landmarks {
    /// Picks landmarks from the plate, outside of where the needle sweeps.
    pub(crate) fn new(plate: &Plate, swept: impl Fn(Vector2<f64>) -> bool) -> Self {
        let print = plate.picture.plane(Tone::PRINT);
        let mut corners = corners(&print, plate, &swept);
        if corners.len() < 12 {
            corners = self::corners(&print, plate, &|_| false);
        }
        let patches = corners.iter().take(MOST);
        let patches = patches.filter_map(|at| patch(&print, *at));
        Self {
            patches: patches.collect(),
            small: small(&plate.picture),
            width: print.width as f64,
            height: print.height as f64,
        }
    }

    /// How many there are.
    pub(crate) fn count(&self) -> usize {
        self.patches.len()
    }

    /// How the picture has moved against the plate.
    ///
    /// # Errors
    /// When too few landmarks are found again, or the picture has moved too far.
    pub(crate) fn locate(&self, picture: &Picture) -> Result<Warp, Refusal> {
        let needed = (self.patches.len() * 2 / 5).max(FEWEST.min(self.patches.len()));
        let mut warp = self.from(picture, |at| at);
        if warp.as_ref().is_none_or(|warp| warp.used < needed) {
            let far = self.far(picture);
            warp = self.from(picture, |at| at + far);
        }
        if let Some(rough) = warp.filter(|warp| self.needs_another_look(warp)) {
            warp = self.again(picture, rough);
        }
        let found = warp.as_ref().map_or(0, |warp| warp.used);
        let Some(warp) = warp.filter(|warp| warp.used >= needed) else {
            return Err(Refusal::Moved {
                found,
                of: self.patches.len(),
            });
        };
        let moved = warp.farthest(self.width, self.height);
        if moved > FARTHEST * self.width {
            return Err(Refusal::Shifted(moved));
        }
        Ok(warp)
    }

    /// Whether landmarks may have been missed, or mistaken for others, because they were looked for
    /// too far from where they are.
    fn needs_another_look(&self, warp: &Warp) -> bool {
        let most = warp.farthest(self.width, self.height);
        most > REACH as f64 / 2.0 || warp.used * 10 < self.patches.len() * 9
    }

    /// Looks for all landmarks where `rough` has them, until no more of them agree. After a large
    /// move only a large majority counts: a few neighbours can agree on a wrong turn, and all marks of
    /// a scale on one by a division.
    fn again(&self, picture: &Picture, rough: Warp) -> Option<Warp> {
        let mut best = rough;
        for _ in 0..4 {
            let next = self.from(picture, |at| best.apply(at))?;
            let better = next.used > best.used;
            best = next;
            if !better {
                break;
            }
        }
        let far = best.farthest(self.width, self.height) > REACH as f64;
        let inside = (self.patches.iter())
            .filter(|patch| window(self.width, self.height, best.apply(patch.at)).is_some())
            .count();
        (!far || best.used * 10 >= inside * 7).then_some(best)
    }

    /// The warp, when landmarks are looked for where `expected` says.
    fn from(
        &self,
        picture: &Picture,
        expected: impl Fn(Vector2<f64>) -> Vector2<f64>,
    ) -> Option<Warp> {
        let pairs: Vec<Pair> = (self.patches.iter())
            .filter_map(|patch| {
                let seen = patch.follow(picture, expected(patch.at))?;
                Some(Pair {
                    plate: patch.at,
                    seen,
                })
            })
            .collect();
        let middle = Vector2::new(self.width / 2.0, self.height / 2.0);
        Warp::fit(&pairs, middle)
    }

    /// The shift in whole blocks at which the small pictures agree best.
    fn far(&self, picture: &Picture) -> Vector2<f64> {
        let seen = edges(&small(picture));
        let known = edges(&self.small);
        let reach = (FARTHEST * self.width / BLOCK as f64).ceil() as isize + 1;
        let (width, height) = (known.width as isize, known.height as isize);
        let mut strong: Vec<f64> = known
            .values
            .iter()
            .step_by(5)
            .map(|v| f64::from(*v))
            .collect();
        let limit = 3.0 * median(&mut strong).unwrap_or(0.0) as f32;
        let places: Vec<(isize, isize, f32)> = (reach..height - reach)
            .flat_map(|y| (reach..width - reach).map(move |x| (x, y)))
            .map(|(x, y)| (x, y, known.values[(y * width + x) as usize]))
            .filter(|(.., value)| *value > limit)
            .collect();
        let places: Vec<_> = places.iter().step_by(places.len() / 1500 + 1).collect();
        let mut best = (f32::MIN, 0, 0);
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let (mut both, mut own) = (0.0, 1e-6f32);
                for (x, y, value) in &places {
                    let there = seen.values[((y + dy) * width + x + dx) as usize];
                    both += value * there;
                    own += there * there;
                }
                let score = both / own.sqrt();
                if score > best.0 {
                    best = (score, dx, dy);
                }
            }
        }
        Vector2::new(best.1 as f64, best.2 as f64) * BLOCK as f64
    }
}

impl Patch {
    /// Where the landmark is in the picture, looked for around `near`.
    fn follow(&self, picture: &Picture, near: Vector2<f64>) -> Option<Vector2<f64>> {
        let size = (picture.width() as f64, picture.height() as f64);
        let [left, top] = window(size.0, size.1, near)?;
        let window = cut(picture, left as usize, top as usize, WINDOW);
        let mut at = near - Vector2::new(left, top);
        let start = at;
        let mut alike = 0.0;
        for _ in 0..8 {
            let (step, correlation) = self.step(&window, at)?;
            at -= step;
            alike = correlation;
            if (at - start).amax() > REACH as f64 {
                return None;
            }
            if step.norm() < 0.004 {
                break;
            }
        }
        (alike > ALIKE).then(|| at + Vector2::new(left, top))
    }

    /// One step of alignment, and how alike window and landmark are before it.
    fn step(&self, window: &Plane, at: Vector2<f64>) -> Option<(Vector2<f64>, f32)> {
        let (x, y) = (at.x - HALF as f64, at.y - HALF as f64);
        let (column, row) = (x.floor() as usize, y.floor() as usize);
        let (fx, fy) = ((x - x.floor()) as f32, (y - y.floor()) as f32);
        let mut seen = [0.0f32; SIDE * SIDE];
        let mut sum = 0.0;
        for j in 0..SIDE {
            let from = (row + j) * window.width + column;
            let upper = &window.values[from..=from + SIDE];
            let lower = &window.values[from + window.width..=from + window.width + SIDE];
            for i in 0..SIDE {
                let top = upper[i] + (upper[i + 1] - upper[i]) * fx;
                let bottom = lower[i] + (lower[i + 1] - lower[i]) * fx;
                let value = top + (bottom - top) * fy;
                seen[j * SIDE + i] = value;
                sum += value;
            }
        }
        let mean = sum / (SIDE * SIDE) as f32;
        let (mut square, mut both) = (0.0, 0.0);
        for (value, known) in seen.iter_mut().zip(&self.values) {
            *value -= mean;
            square += *value * *value;
            both += *value * known;
        }
        let strength = square.sqrt();
        if strength < 1e-3 {
            return None;
        }
        let gain = self.strength / strength;
        let (mut gx, mut gy) = (0.0, 0.0);
        for ((value, known), gradient) in seen.iter().zip(&self.values).zip(&self.gradient) {
            let off = value * gain - known;
            gx += off * gradient[0];
            gy += off * gradient[1];
        }
        let step = self.inverse * Vector2::new(f64::from(gx), f64::from(gy));
        Some((step, both / (strength * self.strength)))
    }
}

/// Left and top of the window around `near` in which a landmark is looked for; none when it does not
/// lie in a picture of this size.
fn window(width: f64, height: f64, near: Vector2<f64>) -> Option<[f64; 2]> {
    let margin = (WINDOW / 2) as f64;
    let (left, top) = (near.x.round() - margin, near.y.round() - margin);
    let inside = left >= 0.0
        && top >= 0.0
        && left + (WINDOW as f64) < width
        && top + (WINDOW as f64) < height;
    inside.then_some([left, top])
}

/// A square of the picture in one tone.
fn cut(picture: &Picture, left: usize, top: usize, side: usize) -> Plane {
    let mut values = Vec::with_capacity(side * side);
    for row in top..top + side {
        let first = row * picture.width() + left;
        values.extend((first..first + side).map(|index| picture.tone(index, Tone::PRINT)));
    }
    Plane {
        width: side,
        height: side,
        values,
    }
}

/// Good places for landmarks, the best first; one at most in each cell of a coarse grid, and none that
/// shows the same as a better one.
fn corners(
    print: &Plane,
    plate: &Plate,
    swept: &impl Fn(Vector2<f64>) -> bool,
) -> Vec<Vector2<f64>> {
    let mut candidates = candidates(print, plate, swept);
    candidates.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut apart: Vec<Vector2<f64>> = Vec::new();
    for (at, _) in candidates {
        if apart.iter().all(|other| (at - other).amax() > HALF as f64) {
            apart.push(at);
        }
    }
    apart
}

/// The best place in each cell, with its quality.
fn candidates(
    print: &Plane,
    plate: &Plate,
    swept: &impl Fn(Vector2<f64>) -> bool,
) -> Vec<(Vector2<f64>, f64)> {
    let margin = HALF + REACH + 4;
    let cell = (print.width / 16).max(24);
    let mut found = Vec::new();
    for top in (margin..print.height.saturating_sub(margin)).step_by(cell) {
        for left in (margin..print.width.saturating_sub(margin)).step_by(cell) {
            let mut best: Option<(Vector2<f64>, f64)> = None;
            for y in (top..(top + cell).min(print.height - margin)).step_by(3) {
                for x in (left..(left + cell).min(print.width - margin)).step_by(3) {
                    let at = Vector2::new(x as f64, y as f64);
                    if swept(at) || !unlit(plate, x, y) {
                        continue;
                    }
                    let quality = quality(print, x, y);
                    if best.is_none_or(|(_, most)| quality > most) {
                        best = Some((at, quality));
                    }
                }
            }
            // Noise alone gives half of its variance.
            let floor = 2.0 * f64::from(plate.noise).powi(2) + 5.0;
            found.extend(best.filter(|(_, quality)| *quality > floor));
        }
    }
    found
}

/// Whether nothing is saturated around the place.
fn unlit(plate: &Plate, x: usize, y: usize) -> bool {
    let at = |dx: f32, dy: f32| plate.sound_at(x as f32 + dx, y as f32 + dy);
    let far = HALF as f32;
    at(0.0, 0.0) && at(-far, -far) && at(far, -far) && at(-far, far) && at(far, far)
}

/// Smaller eigenvalue of the mean gradient tensor: how well a place is fixed in both directions.
fn quality(print: &Plane, x: usize, y: usize) -> f64 {
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    let mut count = 0.0;
    for row in (y - HALF..=y + HALF).step_by(2) {
        for column in (x - HALF..=x + HALF).step_by(2) {
            let at = row * print.width + column;
            let gx = f64::from(print.values[at + 1] - print.values[at - 1]) / 2.0;
            let gy =
                f64::from(print.values[at + print.width] - print.values[at - print.width]) / 2.0;
            xx += gx * gx;
            xy += gx * gy;
            yy += gy * gy;
            count += 1.0;
        }
    }
    let half = (xx + yy) / 2.0;
    (half - ((xx - yy).powi(2) / 4.0 + xy * xy).sqrt()) / count
}

fn patch(print: &Plane, at: Vector2<f64>) -> Option<Patch> {
    let (x, y) = (at.x as usize, at.y as usize);
    let mut values = Vec::with_capacity(SIDE * SIDE);
    let mut gradient = Vec::with_capacity(SIDE * SIDE);
    let mut tensor = Matrix2::<f64>::zeros();
    for row in y - HALF..=y + HALF {
        for column in x - HALF..=x + HALF {
            let index = row * print.width + column;
            let gx = (print.values[index + 1] - print.values[index - 1]) / 2.0;
            let gy = (print.values[index + print.width] - print.values[index - print.width]) / 2.0;
            let slope = Vector2::new(f64::from(gx), f64::from(gy));
            tensor += slope * slope.transpose();
            values.push(print.values[index]);
            gradient.push([gx, gy]);
        }
    }
    let mean = values.iter().sum::<f32>() / values.len() as f32;
    values.iter_mut().for_each(|value| *value -= mean);
    let strength = values.iter().map(|value| value * value).sum::<f32>().sqrt();
    Some(Patch {
        at,
        values,
        strength,
        gradient,
        inverse: tensor.try_inverse()?,
    })
}

/// The picture in blocks of [`BLOCK`] pixels a side, four samples each.
fn small(picture: &Picture) -> Plane {
    let (width, height) = (picture.width() / BLOCK, picture.height() / BLOCK);
    let mut values = Vec::with_capacity(width * height);
    for row in 0..height {
        for column in 0..width {
            let first = row * BLOCK * picture.width() + column * BLOCK;
            let at =
                |dx: usize, dy: usize| picture.tone(first + dy * picture.width() + dx, Tone::PRINT);
            values.push((at(0, 0) + at(2, 0) + at(0, 2) + at(2, 2)) / 4.0);
        }
    }
    Plane {
        width,
        height,
        values,
    }
}

/// Strength of edges: what remains of a picture when the light changes.
fn edges(plane: &Plane) -> Plane {
    let mut values = vec![0.0; plane.values.len()];
    for row in 1..plane.height - 1 {
        for column in 1..plane.width - 1 {
            let at = row * plane.width + column;
            let gx = plane.values[at + 1] - plane.values[at - 1];
            let gy = plane.values[at + plane.width] - plane.values[at - plane.width];
            values[at] = (gx.abs() + gy.abs()).min(80.0);
        }
    }
    Plane {
        width: plane.width,
        height: plane.height,
        values,
    }
}
