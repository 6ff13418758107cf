//! Which strokes are the scale: they share one end and follow each other at even steps.

use super::line::median;
use super::proposal::{Tick, long_marks};
use super::unroll::{Blob, Ink, Unrolled};
use nalgebra::{SMatrix, SVector};

/// Which end all marks of a scale share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum End {
    Inner,
    Outer,
}

impl End {
    pub(crate) fn radius(self, blob: &Blob) -> f64 {
        match self {
            Self::Inner => blob.radius_in,
            Self::Outer => blob.radius_out,
        }
    }
}

/// A scale as found: marks with their numbers, counted from the first.
#[derive(Clone, Debug)]
pub(crate) struct Chain {
    pub(crate) end: End,
    pub(crate) marks: Vec<(i32, Blob)>,
    pub(crate) score: f64,
    /// A lone mark beyond a gap was left out at an end.
    pub(crate) trimmed: bool,
}

const TERMS: usize = 5;

/// A smooth curve around the dial: mean, and one and two waves per turn.
struct Curve(SVector<f64, TERMS>);

impl Curve {
    fn basis(angle: f64) -> SVector<f64, TERMS> {
        let two = 2.0 * angle;
        SVector::from([1.0, angle.sin(), angle.cos(), two.sin(), two.cos()])
    }

    fn at(&self, angle: f64) -> f64 {
        self.0.dot(&Self::basis(angle))
    }
}

/// The printed scales that `find` sees in dark and in light ink, the best first.
pub(crate) fn in_either_ink(
    unrolled: &Unrolled,
    find: impl Fn(Ink) -> Vec<Chain>,
) -> Vec<(Chain, Ink)> {
    let seen = |ink| find(ink).into_iter().map(move |chain| (chain, ink));
    let both = seen(Ink::Dark).chain(seen(Ink::Light));
    let mut printed: Vec<(f64, (Chain, Ink))> = both
        .filter_map(|(chain, ink)| {
            let lengths = graduated(&chain);
            let score = chain.score * if lengths { GRADUATED } else { 1.0 };
            (lengths || is_print(unrolled, &chain)).then_some((score, (chain, ink)))
        })
        .collect();
    printed.sort_by(|a, b| b.0.total_cmp(&a.0));
    printed.into_iter().map(|(_, found)| found).collect()
}

/// By how much strokes that are long at even distances are more likely to be marks.
const GRADUATED: f64 = 1.1;

/// Whether every so many strokes one is longer: gaps are all alike, in whatever light.
fn graduated(chain: &Chain) -> bool {
    let ticks = chain.marks.iter().map(|(number, blob)| Tick {
        number: *number,
        length: blob.radius_out - blob.radius_in,
    });
    long_marks(&ticks.collect::<Vec<_>>()).is_some()
}

/// Whether the strokes of a chain are print: where marks are close, the gaps between them are even
/// strokes, too, and those look like the face beyond their free ends. At the shared ends there may be
/// the line of the scale, or a mirror.
fn is_print(unrolled: &Unrolled, chain: &Chain) -> bool {
    let strokes = chain.marks.iter().map(|(_, blob)| blob);
    let face = strokes.flat_map(|blob| {
        let length = blob.radius_out - blob.radius_in;
        let (end, length) = match chain.end {
            End::Inner => (blob.radius_out, length),
            End::Outer => (blob.radius_in, -length),
        };
        (5..=15).map(move |tenth| (blob.angle(), end + length * f64::from(tenth) / 10.0))
    });
    let mut face: Vec<f64> = face
        .filter_map(|(angle, radius)| unrolled.at(angle, radius))
        .collect();
    let Some(face) = median(&mut face) else {
        return true;
    };
    let apart = |pair: &[(i32, Blob)]| -> Option<f64> {
        let [(number, a), (next, b)] = pair else {
            return None;
        };
        let middle = (a.radius_in + a.radius_out) / 2.0;
        let aside = a.angle() + (b.angle() - a.angle()) / (2.0 * f64::from(next - number));
        let (stroke, gap) = (unrolled.at(a.angle(), middle)?, unrolled.at(aside, middle)?);
        Some((stroke - face).abs() - (gap - face).abs())
    };
    // Glare on a few counts for little.
    let mut apart: Vec<f64> = chain.marks.windows(2).filter_map(apart).collect();
    median(&mut apart).is_none_or(|apart| apart >= 0.0)
}

/// What may be scales among the strokes. Angles count from the needle at rest, up-scale.
pub(crate) fn candidates(blobs: &[Blob], reach: f64) -> Vec<Chain> {
    let mut found = Vec::new();
    for end in [End::Inner, End::Outer] {
        for radius in common(blobs, end, reach) {
            found.extend(walk(&on_curve(blobs, end, radius, reach), end));
        }
    }
    found
}

/// What may be straight scales among the strokes; `length` is that of the needle's way. The waves of
/// the curve on which the ends lie are so long that it is a straight line with a slight bend.
pub(crate) fn straight(blobs: &[Blob], length: f64) -> Vec<Chain> {
    let shrunk: Vec<Blob> = blobs
        .iter()
        .map(|blob| Blob {
            angle_in: blob.angle_in / length,
            angle_out: blob.angle_out / length,
            ..*blob
        })
        .collect();
    let mut chains = candidates(&shrunk, length);
    for (_, blob) in chains.iter_mut().flat_map(|chain| &mut chain.marks) {
        blob.angle_in *= length;
        blob.angle_out *= length;
    }
    chains
}

/// The radii at which most strokes end, at most four.
fn common(blobs: &[Blob], end: End, reach: f64) -> Vec<f64> {
    let bin = 0.02 * reach;
    let mut ends: Vec<f64> = blobs.iter().map(|blob| end.radius(blob)).collect();
    ends.sort_by(f64::total_cmp);
    let mut counted: Vec<(usize, f64)> = ends
        .iter()
        .map(|start| {
            let within: Vec<f64> = (ends.iter().copied())
                .filter(|x| (start..&(start + 2.0 * bin)).contains(&x))
                .collect();
            (within.len(), start + bin)
        })
        .collect();
    counted.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)));
    let mut chosen: Vec<f64> = Vec::new();
    for (_, radius) in counted {
        if chosen
            .iter()
            .all(|other| (other - radius).abs() > 1.5 * bin)
            && chosen.len() < 5
        {
            chosen.push(radius);
        }
    }
    chosen
}

/// The strokes whose end lies on a smooth curve near `radius`.
fn on_curve(blobs: &[Blob], end: End, radius: f64, reach: f64) -> Vec<Blob> {
    let mut curve = Curve(SVector::from([radius, 0.0, 0.0, 0.0, 0.0]));
    let mut cut = 0.06 * reach;
    let least = (0.014 * reach).max(2.5);
    for _ in 0..8 {
        let sigma = cut / 3.0;
        let mut information = SMatrix::<f64, TERMS, TERMS>::zeros();
        let mut right = SVector::<f64, TERMS>::zeros();
        for term in 1..TERMS {
            information[(term, term)] = (sigma / (0.035 * reach)).powi(2);
        }
        for blob in blobs {
            let off = (end.radius(blob) - curve.at(blob.angle())) / cut;
            if off.abs() < 1.0 {
                let weight = (1.0 - off * off).powi(2);
                let basis = Curve::basis(blob.angle());
                information += basis * basis.transpose() * weight;
                right += basis * (weight * end.radius(blob));
            }
        }
        let Some(inverse) = information.try_inverse() else {
            return Vec::new();
        };
        curve = Curve(inverse * right);
        cut = (cut * 0.75).max(least);
    }
    let near = |blob: &&Blob| (end.radius(blob) - curve.at(blob.angle())).abs() < cut;
    let mut on: Vec<Blob> = blobs.iter().filter(near).copied().collect();
    on.sort_by(|a, b| a.angle().total_cmp(&b.angle()));
    on
}

/// Finest and coarsest step between marks, in radians.
const STEPS: std::ops::Range<f64> = 0.008..0.6;
/// Marks in a row that may be missing.
const GAP: i32 = 2;

/// The longest row of strokes at even, slowly drifting steps.
fn walk(on: &[Blob], end: End) -> Option<Chain> {
    let mut best: Option<(f64, Vec<(i32, usize)>)> = None;
    for first in 0..on.len() {
        for second in first + 1..on.len().min(first + 5) {
            let step = on[second].angle() - on[first].angle();
            if !STEPS.contains(&step) {
                continue;
            }
            let mut row = vec![(0, first)];
            let behind = follow(on, first, -step);
            row.splice(0..0, behind.into_iter().rev());
            row.extend(follow(on, first, step));
            let span = row.last()?.0 - row.first()?.0 + 1;
            let missing = f64::from(span) - row.len() as f64;
            let score = row.len() as f64 - 1.5 * missing;
            if best.as_ref().is_none_or(|(most, _)| score > *most) {
                best = Some((score, row));
            }
        }
    }
    let (score, mut row) = best?;
    let trimmed = trim(&mut row);
    let begin = row.first()?.0;
    (row.len() >= 5).then(|| Chain {
        end,
        marks: row
            .iter()
            .map(|(number, index)| (number - begin, on[*index]))
            .collect(),
        score,
        trimmed,
    })
}

/// Strokes after `from` at steps of about `step` (negative: downwards).
fn follow(on: &[Blob], from: usize, step: f64) -> Vec<(i32, usize)> {
    let mut row = Vec::new();
    let (mut at, mut number, mut step) = (on[from].angle(), 0, step);
    loop {
        let next = (1..=GAP + 1).find_map(|steps| {
            let wanted = at + step * f64::from(steps);
            let near = nearest(on, wanted)?;
            let off = (on[near].angle() - wanted) / step;
            (off.abs() < 0.17).then_some((steps, near))
        });
        let Some((steps, near)) = next else { break };
        let seen = (on[near].angle() - at) / f64::from(steps);
        step += 0.35 * (seen - step);
        at = on[near].angle();
        number += if step > 0.0 { steps } else { -steps };
        row.push((number, near));
    }
    row
}

/// The stroke nearest to an angle.
fn nearest(on: &[Blob], angle: f64) -> Option<usize> {
    let after = on.partition_point(|blob| blob.angle() < angle);
    let candidates = [after.checked_sub(1), Some(after).filter(|i| *i < on.len())];
    candidates.into_iter().flatten().min_by(|a, b| {
        let off = |i: &usize| (on[*i].angle() - angle).abs();
        off(a).total_cmp(&off(b))
    })
}

/// Leaves out lone marks beyond a gap at either end; true when there were any.
fn trim(row: &mut Vec<(i32, usize)>) -> bool {
    let before = row.len();
    while let [.., a, b] = row[..] {
        if b.0 - a.0 <= 1 {
            break;
        }
        row.pop();
    }
    while let [a, b, ..] = row[..] {
        if b.0 - a.0 <= 1 {
            break;
        }
        row.remove(0);
    }
    row.len() != before
}

#[cfg(test)]
mod tests {
    use super::super::picture::Plane;
    use super::super::unroll::Grid;
    use super::*;
    use nalgebra::Vector2;

    /// Forty marks, four columns wide and four apart, of this tone on a face of the other.
    fn printed(ink: f32, face: f32) -> Unrolled {
        let (width, height) = (400, 120);
        let tone = |index: usize| {
            let (x, y) = (index % width, index / width);
            match (40..360).contains(&x) && (40..80).contains(&y) && x % 8 < 4 {
                true => ink,
                false => face,
            }
        };
        let plane = Plane {
            width,
            height,
            values: (0..width * height).map(tone).collect(),
        };
        let grid = Grid {
            first_angle: 0.0,
            angle_step: 0.005,
            columns: width - 1,
            first_radius: 0.0,
            radius_step: 1.0,
            rows: height - 1,
        };
        Unrolled::new(&plane, grid, |angle, radius| {
            Vector2::new((angle / 0.005).round(), radius)
        })
    }

    #[test]
    fn gaps_between_close_marks_are_no_marks() {
        for (ink, tone, face) in [(Ink::Light, 200.0, 40.0), (Ink::Dark, 40.0, 200.0)] {
            let unrolled = printed(tone, face);
            let find = |ink| candidates(&unrolled.strokes(ink, 10.0), 60.0);
            for other in [Ink::Dark, Ink::Light] {
                let best = find(other)
                    .into_iter()
                    .max_by(|a, b| a.score.total_cmp(&b.score));
                let chain = best.expect("marks and gaps are even strokes alike");
                assert!(chain.marks.len() > 30, "{other:?}: {}", chain.marks.len());
                assert_eq!(is_print(&unrolled, &chain), other == ink);
            }
            let found = in_either_ink(&unrolled, find);
            assert_eq!((found[0].1, found[0].0.marks.len()), (ink, 40));
            assert!(found.iter().all(|(_, found)| *found == ink));
        }
    }
}
