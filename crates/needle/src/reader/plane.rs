//! The dial plane's pose, fitted to its tick marks: lines through one point at equal angles, and
//! their common end on a circle about that point.

use super::solve::{Residuals, solve};
use super::stroke::Pivot;
use super::view::{HEIGHT, Lens, UNKNOWNS, View, angle_of, wrap};
use nalgebra::{DMatrix, DVector, Vector2};

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
    /// Degrees of freedom that the cost has.
    free: usize,
}

/// Standard deviations known beforehand: of the logarithm of the focal length about that of the
/// picture's width, and of the radial term about zero.
const FOCAL: f64 = 0.24;
const RADIAL: f64 = 0.02;
/// By how much a scale's centre misses the needle's axis, in dial radii, as a standard deviation: a
/// tenth of a millimetre on the usual dial (common practice).
const ECCENTRIC: f64 = 0.002;
/// Square of the distance, in standard deviations, from which on a view is another one.
const FAR: f64 = 9.0;
/// By how much neighbouring marks that err alike make a difference of costs look larger.
const CORRELATED: f64 = 2.0;

/// Sizes of small changes of the parameters and the step.
pub(crate) const SMALL: [f64; UNKNOWNS + 1] =
    [1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 1e-4, 1e-5, 1e-5, 1e-7];

/// Where a search begins besides at the view given: tilts about either axis in radians, and factors
/// of the focal length. The marks of a short arc fit nearly as well in a wrong view that is tilted
/// more through a wider lens; the right one is found by trying both.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Starts {
    /// Only there.
    Here,
    /// From a square view that knows no tilt.
    Wide,
    /// About a view that fits, for others that fit as well.
    About,
}

impl Starts {
    fn tilts(self) -> &'static [f64] {
        match self {
            Self::Here => &[0.0],
            Self::Wide => &[-0.24, 0.0, 0.24],
            Self::About => &[-0.08, 0.0, 0.08],
        }
    }

    fn focals(self) -> &'static [f64] {
        match self {
            Self::Here | Self::Wide => &[1.0],
            Self::About => &[0.65, 1.0, 1.55],
        }
    }
}

/// What a plane is fitted to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Seen<'a> {
    pub(crate) marks: &'a [Mark],
    /// Where the needle's axis appears, at the needle's height.
    pub(crate) pivot: Pivot,
}

impl Seen<'_> {
    /// The plane, searched for about `start`.
    pub(crate) fn fit(&self, start: View, step: f64, starts: Starts) -> Option<Plane> {
        if self.marks.len() < 5 {
            return None;
        }
        let rounds = if starts == Starts::Wide { 25 } else { 40 };
        let mut planes = Vec::new();
        for about_x in starts.tilts() {
            for about_y in starts.tilts() {
                for focal in starts.focals() {
                    let from = match (*about_x, *about_y) {
                        (0.0, 0.0) => start,
                        _ => start.tilted(*about_x, *about_y),
                    };
                    planes.extend(self.search(from.longer(*focal), step, rounds));
                }
            }
        }
        planes.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        let mut all = planes.into_iter();
        let mut best = all.next()?;
        if let Some(other) = all.find(|other| best.is_elsewhere(other)) {
            best.doubt(&other);
        }
        Some(best)
    }

    fn search(&self, start: View, from: f64, rounds: usize) -> Option<Plane> {
        let mut unknowns = start.unknowns().to_vec();
        unknowns.push(from);
        let solution = solve(&unknowns, &SMALL, rounds, |unknowns| {
            let (view, step) = split(&start, unknowns);
            self.residuals(&view, step)
        })?;
        let (view, step) = split(&start, &solution.unknowns);
        let mut across: Vec<f64> = offsets(self.marks, &view, step).map(f64::abs).collect();
        let rms = super::line::median(&mut across)? * 1.4826;
        let sound = view.tilt() < 0.9 && step * from > 0.0 && rms.is_finite();
        // Two points of every mark, such ends as were found, the pivot's two places and two priors.
        let ends = self.marks.iter().filter(|mark| mark.end.is_some()).count();
        let known = 2 * self.marks.len() + ends + 4;
        sound.then_some(Plane {
            view,
            step,
            covariance: solution.covariance,
            rms,
            cost: solution.cost,
            free: known.saturating_sub(SMALL.len()).max(1),
        })
    }

    fn residuals(&self, view: &View, step: f64) -> Residuals {
        let (marks, lens) = (self.marks, view.lens());
        let scale = lens.scale_at(Vector2::zeros());
        let mut data: Vec<f64> = (offsets(marks, view, step)
            .zip(marks.iter().flat_map(|m| [m.sigma; 2])))
        .map(|(offset, sigma)| offset / sigma)
        .collect();
        data.extend(marks.iter().map(|mark| match mark.end {
            Some(end) => (lens.back(end).norm() - 1.0) * scale / mark.sigma_end,
            None => 0.0,
        }));
        data.extend(self.off_axis(&lens, scale));
        let unknowns = view.unknowns();
        let priors = vec![
            (unknowns[6] - view.width().ln()) / FOCAL,
            unknowns[7] / RADIAL,
        ];
        Residuals { data, priors }
    }

    /// How far the pivot appears from where a needle of the usual height turns about the centre: along
    /// the way in which height moves it, and across.
    fn off_axis(&self, lens: &Lens, scale: f64) -> [f64; 2] {
        let (height, spread) = HEIGHT;
        let (low, high) = (lens.above(height - spread), lens.above(height + spread));
        let way = (high - low) / 2.0;
        let along = way.try_normalize(1e-9).unwrap_or_else(Vector2::x);
        let across = Vector2::new(along.y, -along.x);
        let off = self.pivot.at - (low + high) / 2.0;
        let in_units = |towards: &Vector2<f64>, more: f64| {
            let square = towards.dot(&(self.pivot.covariance * towards));
            off.dot(towards) / square.sqrt().hypot(ECCENTRIC * scale).hypot(more)
        };
        [in_units(&along, way.norm()), in_units(&across, 0.0)]
    }
}

impl Plane {
    /// By how much marks, pivot and what is known beforehand contradict each other: the cost per
    /// degree of freedom, about 1 where all is as it should be.
    pub(crate) fn misfit(&self) -> f64 {
        self.cost / self.free as f64
    }

    fn unknowns(&self) -> DVector<f64> {
        let view = self.view.unknowns();
        DVector::from_iterator(view.len() + 1, view.into_iter().chain([self.step]))
    }

    /// Whether the other is another view, not this one found again.
    fn is_elsewhere(&self, other: &Self) -> bool {
        let apart = other.unknowns() - self.unknowns();
        let square = self
            .covariance
            .clone()
            .cholesky()
            .map(|root| apart.dot(&root.solve(&apart)));
        square.is_some_and(|square| square > FAR)
    }

    /// Counts another view in, by how likely the marks make it beside this one.
    fn doubt(&mut self, other: &Self) {
        let odds = (-0.5 * (other.cost - self.cost) / CORRELATED).exp();
        let apart = other.unknowns() - self.unknowns();
        self.covariance += &apart * apart.transpose() * (odds / (1.0 + odds));
    }
}

/// View and step of a list of parameters.
pub(crate) fn split(like: &View, unknowns: &[f64]) -> (View, f64) {
    let step = unknowns.last().copied().unwrap_or(f64::NAN);
    (
        like.with(&unknowns[..unknowns.len().saturating_sub(1)]),
        step,
    )
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
    use nalgebra::Matrix2;

    /// Marks on an arc of 100°, seen 15° aslant; up-scale is clockwise when `way` is 1.
    fn seen(way: f64) -> (Vec<Mark>, View, f64) {
        let square = View::square((1280, 720), Vector2::new(640.0, 560.0), 400.0, 0.0);
        let (view, step) = (square.tilted(0.2, 0.17), way * 100f64.to_radians() / 30.0);
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

    fn fitted(marks: &[Mark], start: View, step: f64) -> Option<Plane> {
        let pivot = Pivot {
            at: start.tilted(0.2, 0.17).lens().above(0.03),
            covariance: Matrix2::identity() * 0.01,
        };
        Seen { marks, pivot }.fit(start, step, Starts::Wide)
    }

    #[test]
    fn a_scale_that_runs_anticlockwise_is_found_as_well() {
        let (marks, start, step) = seen(-1.0);
        let plane = fitted(&marks, start, step * 1.03).unwrap();
        assert!((plane.step / step - 1.0).abs() < 1e-3 && plane.misfit() < 1.0);
    }

    /// The worse of two views counts by its odds: as likely as the best, it makes half of the square of
    /// their distance uncertain; at a cost higher by 20, next to nothing.
    #[test]
    fn a_view_that_fits_as_well_makes_the_best_one_uncertain() {
        let (marks, start, step) = seen(1.0);
        let best = fitted(&marks, start, step).unwrap();
        let mut other = best.clone();
        other.view = best.view.longer(1.2);
        let apart = (&other.unknowns() - best.unknowns())[6];
        let grown = |cost: f64| {
            let (mut plane, mut other) = (best.clone(), other.clone());
            other.cost += cost;
            assert!(plane.is_elsewhere(&other) && !plane.is_elsewhere(&plane));
            plane.doubt(&other);
            (plane.covariance[(6, 6)] - best.covariance[(6, 6)]) / (apart * apart)
        };
        assert!((grown(0.0) - 0.5).abs() < 1e-9 && grown(20.0) < 0.01);
    }

    #[test]
    fn the_plane_is_found_from_its_marks() {
        let (mut marks, start, step) = seen(1.0);
        // One of them is not a mark at all.
        marks[7].points[0].x += 6.0;
        let plane = fitted(&marks, start, step * 1.03).unwrap();
        assert!(plane.rms < 0.02, "{}", plane.rms);
        let lens = plane.view.lens();
        for mark in marks.iter().filter(|mark| mark.number != -8) {
            let angle = angle_of(lens.back(mark.points[1]));
            assert!((angle / plane.step - f64::from(mark.number)).abs() < 2e-3);
        }
    }

    #[test]
    fn four_marks_are_too_few() {
        let (marks, start, step) = seen(1.0);
        assert!(fitted(&marks[..4], start, step).is_none());
    }
}
