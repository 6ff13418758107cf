//! The dial plane's pose, fitted to its tick marks: lines through one point at equal angles, and
//! their common end on a circle about that point.

use super::solve::{Residuals, solve};
use super::view::{UNKNOWNS, View, angle_of, wrap};
use nalgebra::{DMatrix, Vector2};

/// A mark as seen: two points of its middle line, and its end on the common circle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Mark {
    /// Counted in steps of the finest division, from the middle of the scale.
    pub(crate) number: i32,
    pub(crate) points: [Vector2<f64>; 2],
    /// Standard deviation across, in pixels.
    pub(crate) sigma: f64,
    pub(crate) end: Option<Vector2<f64>>,
    /// Standard deviation of the end, in pixels.
    pub(crate) sigma_end: f64,
    /// Length in dial radii.
    pub(crate) length: f64,
}

/// The plane as fitted.
#[derive(Clone, Debug)]
pub(crate) struct Plane {
    pub(crate) view: View,
    /// Angle from one number to the next, in radians.
    pub(crate) step: f64,
    /// Of the view's parameters and the step.
    pub(crate) covariance: DMatrix<f64>,
    /// Robust scatter of the marks across, in pixels.
    pub(crate) rms: f64,
    pub(crate) cost: f64,
}

/// Standard deviations known beforehand: of the logarithm of the focal length about that of the
/// picture's width, and of the radial term about zero.
const FOCAL: f64 = 0.24;
const RADIAL: f64 = 0.02;

/// Sizes of small changes of the parameters and the step.
pub(crate) const SMALL: [f64; UNKNOWNS + 1] =
    [1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 1e-4, 1e-5, 1e-5, 1e-7];

/// The plane from marks, started from `start` (and tilted variants of it, when `wide`).
pub(crate) fn fit(marks: &[Mark], start: View, step: f64, wide: bool) -> Option<Plane> {
    if marks.len() < 5 {
        return None;
    }
    let tilts: &[f64] = if wide { &[-0.24, 0.0, 0.24] } else { &[0.0] };
    let mut best: Option<Plane> = None;
    for about_x in tilts {
        for about_y in tilts {
            let from = match wide {
                true => start.tilted(*about_x, *about_y),
                false => start,
            };
            let Some(plane) = search(marks, from, step, if wide { 25 } else { 40 }) else {
                continue;
            };
            if best.as_ref().is_none_or(|best| plane.cost < best.cost) {
                best = Some(plane);
            }
        }
    }
    best
}

fn search(marks: &[Mark], start: View, step: f64, rounds: usize) -> Option<Plane> {
    let mut unknowns = start.unknowns().to_vec();
    unknowns.push(step);
    let solution = solve(&unknowns, &SMALL, rounds, |unknowns| {
        let (view, step) = split(&start, unknowns);
        residuals(marks, &view, step)
    })?;
    let (view, step) = split(&start, &solution.unknowns);
    let mut across: Vec<f64> = offsets(marks, &view, step).map(f64::abs).collect();
    let rms = super::line::median(&mut across)? * 1.4826;
    let sound = view.tilt() < 0.9 && step > 0.0 && rms.is_finite();
    sound.then_some(Plane {
        view,
        step,
        covariance: solution.covariance,
        rms,
        cost: solution.cost,
    })
}

/// View and step of a list of parameters.
pub(crate) fn split(like: &View, unknowns: &[f64]) -> (View, f64) {
    let step = unknowns.last().copied().unwrap_or(f64::NAN);
    (
        like.with(&unknowns[..unknowns.len().saturating_sub(1)]),
        step,
    )
}

fn residuals(marks: &[Mark], view: &View, step: f64) -> Residuals {
    let lens = view.lens();
    let scale = lens.scale_at(Vector2::zeros());
    let mut data: Vec<f64> = (offsets(marks, view, step)
        .zip(marks.iter().flat_map(|m| [m.sigma; 2])))
    .map(|(offset, sigma)| offset / sigma)
    .collect();
    data.extend(marks.iter().map(|mark| match mark.end {
        Some(end) => (lens.back(end).norm() - 1.0) * scale / mark.sigma_end,
        None => 0.0,
    }));
    let unknowns = view.unknowns();
    let priors = vec![
        (unknowns[6] - view.width().ln()) / FOCAL,
        unknowns[7] / RADIAL,
    ];
    Residuals { data, priors }
}

/// How far the points of the marks lie beside their radial lines, in pixels.
pub(crate) fn offsets(marks: &[Mark], view: &View, step: f64) -> impl Iterator<Item = f64> {
    let lens = view.lens();
    let scale = lens.scale_at(Vector2::zeros());
    marks.iter().flat_map(move |mark| {
        let wanted = f64::from(mark.number) * step;
        mark.points.map(|point| {
            let seen = lens.back(point);
            (wrap(angle_of(seen), wanted) - wanted) * seen.norm() * scale
        })
    })
}

#[cfg(test)]
mod tests {
    use super::super::view::polar;
    use super::*;

    /// Marks on an arc of 100°, seen 15° aslant.
    fn seen() -> (Vec<Mark>, View, f64) {
        let square = View::square((1280, 720), Vector2::new(640.0, 560.0), 400.0, 0.0);
        let (view, step) = (square.tilted(0.2, 0.17), 100f64.to_radians() / 30.0);
        let lens = view.lens();
        let mark = |number: i32| {
            let at = |radius: f64| lens.project(polar(f64::from(number) * step, radius));
            Mark {
                number,
                points: [at(1.0), at(1.08)],
                sigma: 0.02,
                end: Some(at(1.0)),
                sigma_end: 0.25,
                length: 0.08,
            }
        };
        ((-15..=15).map(mark).collect(), square, step)
    }

    #[test]
    fn the_plane_is_found_from_its_marks() {
        let (mut marks, start, step) = seen();
        // One of them is not a mark at all.
        marks[7].points[0].x += 6.0;
        let plane = fit(&marks, start, step * 1.03, true).unwrap();
        assert!(plane.rms < 0.02, "{}", plane.rms);
        let lens = plane.view.lens();
        for mark in marks.iter().filter(|mark| mark.number != -8) {
            let angle = angle_of(lens.back(mark.points[1]));
            assert!((angle / plane.step - f64::from(mark.number)).abs() < 2e-3);
        }
    }

    #[test]
    fn four_marks_are_too_few() {
        let (marks, start, step) = seen();
        assert!(fit(&marks[..4], start, step, true).is_none());
    }
}
