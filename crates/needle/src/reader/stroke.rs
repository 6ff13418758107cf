//! The needle as a line in one set-up picture, and the pivot where such lines meet.

use super::line::{self, Sample};
use super::plate::Plate;
use nalgebra::{Matrix2, Vector2};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Share of the needle's contrast above which a pixel belongs to it.
const BELONGS: f32 = 0.45;
/// Smallest contrast of a needle, in steps of brightness.
const FAINTEST: f32 = 12.0;
/// Length of the pieces into which a line is cut, in pixels.
const PIECE: f64 = 2.0;

/// A needle's line: through `foot` along `along` (unit vector towards the tip).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stroke {
    pub(crate) foot: Vector2<f64>,
    pub(crate) along: Vector2<f64>,
    /// Extent of the needle along the line, from `foot`.
    pub(crate) span: (f64, f64),
    /// Line fitted across: offset, slope and their covariance, in `s` along.
    covariance: [f64; 3],
    /// Scatter of the middles of the pieces.
    pub(crate) rms: f64,
    /// Typical half-width of the needle across the line.
    pub(crate) half_width: f64,
}

impl Stroke {
    /// Unit vector across.
    pub(crate) fn across(&self) -> Vector2<f64> {
        Vector2::new(-self.along.y, self.along.x)
    }

    /// The tip.
    pub(crate) fn tip(&self) -> Vector2<f64> {
        self.foot + self.along * self.span.1
    }

    fn sigma_at(&self, s: f64) -> f64 {
        let [aa, ab, bb] = self.covariance;
        (aa + 2.0 * ab * s + bb * s * s).max(1e-6).sqrt()
    }
}

/// A pixel that belongs to a needle.
#[derive(Clone, Copy)]
struct Spot {
    at: Vector2<f64>,
    weight: f64,
}

/// The needle in set-up picture `frame` of the plate.
///
/// # Errors
/// What was seen instead, in words.
pub(crate) fn find(plate: &Plate, frame: usize) -> Result<Stroke, String> {
    if plate.contrast < FAINTEST.max(6.0 * plate.noise) {
        return Err(format!(
            "the needle stands out by {:.0} steps of brightness only",
            plate.contrast
        ));
    }
    let plane = &plate.frames[frame];
    let limit = BELONGS * plate.contrast;
    let values = plane.values.iter().zip(&plate.plane.values).enumerate();
    let spots = values.filter_map(|(index, (frame, plate))| {
        let above = frame - plate;
        (above > limit).then(|| Spot {
            at: Vector2::new((index % plane.width) as f64, (index / plane.width) as f64),
            weight: f64::from(above.min(1.5 * limit / BELONGS)),
        })
    });
    through(&spots.collect::<Vec<_>>())
}

/// The line of the places where `sign` times the value is above `limit`.
///
/// # Errors
/// What was seen instead, in words.
pub(crate) fn of_spots(
    width: usize,
    values: &[f32],
    sign: f32,
    limit: f32,
) -> Result<Stroke, String> {
    let above = values.iter().map(|value| sign * value).enumerate();
    let spots = above
        .filter(|(_, value)| *value > limit)
        .map(|(index, value)| Spot {
            at: Vector2::new((index % width) as f64, (index / width) as f64),
            weight: f64::from(value.min(3.0 * limit)),
        });
    through(&spots.collect::<Vec<_>>())
}

/// The line that covers the greatest length of spots.
fn through(spots: &[Spot]) -> Result<Stroke, String> {
    if spots.len() < 60 {
        return Err("no needle, or it stands where it stood in another picture".to_owned());
    }
    let (foot, along) = longest(spots).ok_or("the spots make no line")?;
    let mut stroke = Stroke {
        foot,
        along,
        span: (0.0, 0.0),
        covariance: [0.0; 3],
        rms: 0.0,
        half_width: 3.0,
    };
    let mut reach = 9.0;
    for _ in 0..3 {
        stroke = refined(spots, &stroke, reach)?;
        reach = (2.5 * stroke.half_width + 3.0).clamp(5.0, 30.0);
    }
    if stroke.rms > 2.5 {
        return Err(format!("a crooked line ({:.1} pixels)", stroke.rms));
    }
    Ok(stroke)
}

/// The best of many lines through two spots, by the length of it that is covered.
fn longest(spots: &[Spot]) -> Option<(Vector2<f64>, Vector2<f64>)> {
    let mut random = ChaCha8Rng::seed_from_u64(spots.len() as u64);
    let thin = spots.len().div_ceil(1500);
    let few: Vec<Spot> = spots.iter().step_by(thin).copied().collect();
    let mut best: Option<(usize, Vector2<f64>, Vector2<f64>)> = None;
    for _ in 0..400 {
        let first = few[random.random_range(0..few.len())].at;
        let second = few[random.random_range(0..few.len())].at;
        let apart = (second - first).norm();
        if apart < 25.0 {
            continue;
        }
        let along = (second - first) / apart;
        let score = covered(&few, first, along, 2.5 * thin as f64);
        if best.is_none_or(|(most, ..)| score > most) {
            best = Some((score, first, along));
        }
    }
    best.map(|(_, foot, along)| (foot, along))
}

/// Pieces along the line that hold a spot within two pixels of it.
fn covered(spots: &[Spot], foot: Vector2<f64>, along: Vector2<f64>, piece: f64) -> usize {
    let mut pieces: Vec<i32> = spots
        .iter()
        .filter_map(|spot| {
            let from = spot.at - foot;
            let across = from.x * along.y - from.y * along.x;
            (across.abs() < 2.0).then(|| (from.dot(&along) / piece).floor() as i32)
        })
        .collect();
    pieces.sort_unstable();
    pieces.dedup();
    pieces.len()
}

/// The line through the middles of the pieces near `stroke`.
fn refined(spots: &[Spot], stroke: &Stroke, reach: f64) -> Result<Stroke, String> {
    let across = stroke.across();
    let near = spots.iter().filter_map(|spot| {
        let from = spot.at - stroke.foot;
        let d = from.dot(&across);
        (d.abs() < reach).then(|| (from.dot(&stroke.along), d, spot.weight))
    });
    let mut near: Vec<(f64, f64, f64)> = near.collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut pieces = Vec::new();
    let mut halves = Vec::new();
    for piece in near.chunk_by(|a, b| (a.0 / PIECE).floor() == (b.0 / PIECE).floor()) {
        let weight: f64 = piece.iter().map(|x| x.2).sum();
        let mean = |of: fn(&(f64, f64, f64)) -> f64| {
            piece.iter().map(|x| of(x) * x.2).sum::<f64>() / weight
        };
        let (s, d) = (mean(|x| x.0), mean(|x| x.1));
        let wide = piece
            .iter()
            .fold(0.0f64, |wide, x| wide.max((x.1 - d).abs()));
        halves.push(wide + 0.5);
        pieces.push(Sample { s, d, weight: 1.0 });
    }
    let fit = line::fit(&pieces, 3.0, None).ok_or("too short a line")?;
    let span = run(&pieces, |s| fit.at(s)).ok_or("a line full of gaps")?;
    let turned = (stroke.along + across * fit.b).normalize();
    let foot = stroke.foot + across * fit.a;
    Ok(Stroke {
        foot,
        along: turned,
        span,
        covariance: fit.covariance,
        rms: fit.rms,
        half_width: line::median(&mut halves).unwrap_or(3.0),
    })
}

/// First and last place of the pieces that lie on the line, leaving out lone ones far away.
fn run(pieces: &[Sample], at: impl Fn(f64) -> f64) -> Option<(f64, f64)> {
    let on: Vec<f64> = pieces
        .iter()
        .filter(|piece| (piece.d - at(piece.s)).abs() < 3.0)
        .map(|piece| piece.s)
        .collect();
    let whole = on.last()? - on.first()?;
    // Glints and lettering may cut a needle; something far off belongs to something else.
    let gap = (0.25 * whole).max(12.0);
    let runs = on.chunk_by(|a, b| b - a < gap);
    let longest = runs.max_by_key(|run| run.len())?;
    Some((*longest.first()?, *longest.last()?))
}

/// Where the needle's lines meet.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pivot {
    pub(crate) at: Vector2<f64>,
    pub(crate) covariance: Matrix2<f64>,
}

/// What set-up pictures say of the needle's motion.
pub(crate) enum Motion {
    /// About a pivot.
    Turning(Pivot),
    /// Sideways: a straight scale.
    Sliding,
}

/// Second to first singular value below which lines that don't meet near where they are count as
/// parallel: seen from above or below, those of a sliding needle lean towards each other.
const PARALLEL: f64 = 0.12;

/// How the needle moves, and its strokes turned so that `along` points from pivot to tip.
pub(crate) fn motion(strokes: &mut [Stroke]) -> Option<Motion> {
    let mut spread = Matrix2::zeros();
    for stroke in strokes.iter() {
        let across = stroke.across();
        spread += across * across.transpose();
    }
    let values = spread.symmetric_eigenvalues();
    if (values.min().max(0.0) / values.max()).sqrt() < PARALLEL && !converge(strokes) {
        return Some(Motion::Sliding);
    }
    let pivot = meet(strokes)?;
    for stroke in strokes.iter_mut() {
        let from = (pivot.at - stroke.foot).dot(&stroke.along);
        let (low, high) = (stroke.span.0 - from, stroke.span.1 - from);
        if low.abs() > high.abs() {
            stroke.along = -stroke.along;
            stroke.span = (-stroke.span.1, -stroke.span.0);
            stroke.covariance[1] = -stroke.covariance[1];
        }
    }
    Some(Motion::Turning(pivot))
}

/// Whether nearly parallel lines still meet near where they are: small motion about a pivot.
fn converge(strokes: &[Stroke]) -> bool {
    let Some(pivot) = meet(strokes) else {
        return false;
    };
    let length = strokes
        .iter()
        .map(|stroke| stroke.span.1 - stroke.span.0)
        .fold(0.0, f64::max);
    let far = strokes
        .iter()
        .map(|stroke| {
            (stroke.foot + stroke.along * (stroke.span.0 + stroke.span.1) / 2.0 - pivot.at).norm()
        })
        .fold(0.0, f64::max);
    far < 4.0 * length
}

/// Weighted least squares of the distances of a point from all lines.
fn meet(strokes: &[Stroke]) -> Option<Pivot> {
    let mut at: Option<Vector2<f64>> = None;
    let mut covariance = Matrix2::identity();
    for _ in 0..4 {
        let mut information = Matrix2::zeros();
        let mut right = Vector2::zeros();
        let mut square = 0.0;
        for stroke in strokes {
            let across = stroke.across();
            let sigma = at.map_or(1.0, |at| {
                stroke
                    .sigma_at((at - stroke.foot).dot(&stroke.along))
                    .max(0.05)
            });
            let weight = 1.0 / (sigma * sigma);
            let offset = across.dot(&stroke.foot);
            information += across * across.transpose() * weight;
            right += across * (weight * offset);
            if let Some(at) = at {
                square += weight * (across.dot(&at) - offset).powi(2);
            }
        }
        let inverse = information.try_inverse()?;
        at = Some(inverse * right);
        let free = strokes.len().saturating_sub(2).max(1) as f64;
        covariance = inverse * (square / free).max(1.0);
    }
    Some(Pivot {
        at: at?,
        covariance,
    })
}
