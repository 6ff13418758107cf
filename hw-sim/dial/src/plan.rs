//! The dial as polygons in space: marks, lines, numerals, needle.

use crate::letters;
use crate::scene::{Dial, Needle, Scene, Shape, Sweep};
use crate::space::{Camera, Point, Spot};

/// Longest edge after projection, px: straight edges are bent by the lens.
const LONGEST_EDGE: f64 = 6.0;

/// A polygon in space as it appears in the picture.
pub(crate) fn seen(camera: &Camera, outline: &[Point]) -> Vec<Spot> {
    let mut spots = Vec::with_capacity(outline.len() * 4);
    for (at, &end) in outline.iter().enumerate() {
        let start = outline[(at + outline.len() - 1) % outline.len()];
        let (a, b) = (camera.project(start), camera.project(end));
        let pieces = ((b[0] - a[0]).hypot(b[1] - a[1]) / LONGEST_EDGE)
            .ceil()
            .clamp(1.0, 4096.0);
        for piece in 1..=pieces as usize {
            let share = piece as f64 / pieces;
            let between = |k: usize| start[k] + share * (end[k] - start[k]);
            spots.push(camera.project([between(0), between(1), between(2)]));
        }
    }
    spots
}

/// A flat outline, lifted to a height.
pub(crate) fn lift(outline: &[[f64; 2]], height: f64) -> Vec<Point> {
    outline.iter().map(|[x, y]| [*x, *y, height]).collect()
}

impl Dial {
    /// Length of a major or minor mark, with its sign.
    pub(crate) fn length_of(&self, major: bool) -> f64 {
        if major {
            self.tick_length.0
        } else {
            self.tick_length.1
        }
    }

    /// The marks of the main scale.
    pub(crate) fn marks(&self) -> Vec<Vec<Point>> {
        let steps = self.majors * self.minors;
        let mark = |step: usize| {
            let major = step.is_multiple_of(self.minors);
            let width = if major {
                self.tick_width.0
            } else {
                self.tick_width.1
            };
            let ends = (1.0, 1.0 + self.length_of(major));
            stroke(&self.sweep, step as f64 / steps as f64, ends, width)
        };
        (0..=steps).map(mark).collect()
    }

    /// Everything printed besides the marks: lines, numerals, unit, the second scale.
    pub(crate) fn lettering(&self) -> Vec<Vec<Point>> {
        let mut all = Vec::new();
        if let Some(width) = self.line {
            all.push(self.band(1.0 - 0.5 * width, 1.0 + 0.5 * width));
        }
        for step in 0..=self.majors {
            let value = figure(self.full_scale, step, self.majors);
            let [x, y] = self.beside(step, letters::width(&value, self.numeral));
            all.extend(letters::write(&value, [x, y], self.numeral));
        }
        let place = match self.sweep {
            Sweep::Turn { start, arc } => {
                let (s, c) = (start + 0.5 * arc).sin_cos();
                let out = if self.tick_length.0 > 0.0 { 0.64 } else { 0.46 };
                [out * s, -out * c]
            }
            Sweep::Slide { start, length } => [start + 0.5 * length, 0.1],
        };
        all.extend(letters::write(&self.unit, place, 1.5 * self.numeral));
        if let Some(radius) = self.second {
            all.push(self.band(radius - 0.004, radius + 0.004));
            for step in 0..=12 {
                let fraction = 0.03 + 0.92 * (f64::from(step) / 12.0).powf(1.3);
                all.push(stroke(&self.sweep, fraction, (radius, radius - 0.05), 0.01));
            }
        }
        all
    }

    /// Where a numeral of this width stands: clear of the major mark, at its end.
    fn beside(&self, major: usize, width: f64) -> [f64; 2] {
        let fraction = major as f64 / self.majors as f64;
        let [x0, y0, _] = self.sweep.point(fraction, 0.0, 0.0, 0.0);
        let [x1, y1, _] = self.sweep.point(fraction, 1.0, 0.0, 0.0);
        let half = 0.5 * (width * (x1 - x0).abs() + self.numeral * (y1 - y0).abs());
        let gap = half + 0.3 * self.numeral;
        let out = if self.tick_length.0 > 0.0 {
            1.0 + self.tick_length.0 + gap
        } else {
            1.0 + self.tick_length.0 - gap
        };
        let [x, y, _] = self.sweep.point(fraction, out, 0.0, 0.0);
        [x, y]
    }

    /// The band between two radii, over the whole scale.
    pub(crate) fn band(&self, inner: f64, outer: f64) -> Vec<Point> {
        let steps = match self.sweep {
            Sweep::Turn { arc, .. } => (arc / 0.01).ceil() as usize,
            Sweep::Slide { .. } => 1,
        };
        let point = |out: f64| {
            move |step: usize| self.sweep.point(step as f64 / steps as f64, out, 0.0, 0.0)
        };
        let back = (0..=steps).rev().map(point(inner));
        (0..=steps).map(point(outer)).chain(back).collect()
    }
}

/// A straight mark along the needle's direction.
fn stroke(sweep: &Sweep, fraction: f64, ends: (f64, f64), width: f64) -> Vec<Point> {
    let corner = |out, aside| sweep.point(fraction, out, aside, 0.0);
    let half = 0.5 * width;
    vec![
        corner(ends.0, -half),
        corner(ends.1, -half),
        corner(ends.1, half),
        corner(ends.0, half),
    ]
}

/// The number printed at a major mark.
pub(crate) fn figure(full_scale: f64, major: usize, majors: usize) -> String {
    let text = format!("{:.3}", full_scale * major as f64 / majors as f64);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

impl Needle {
    /// Half outline: distance along the needle and half width there.
    fn profile(&self) -> Vec<(f64, f64)> {
        let (from, to) = self.reach;
        let half = 0.5 * self.width;
        match self.shape {
            Shape::Bar => vec![(from, half), (to, half)],
            Shape::Lance => {
                let head = to - (to - from.max(0.0)) * 0.3;
                vec![
                    (from, 0.35 * half),
                    (head, 0.35 * half),
                    (head + 0.25 * (to - head), half),
                    (to, 0.05 * half),
                ]
            }
            Shape::Knife => vec![(from, half), (to, 0.5 * half)],
        }
    }

    /// The needle at this deflection, `height` above the dial, moved aside by `way` in the plane.
    pub(crate) fn outline(
        &self,
        sweep: &Sweep,
        deflection: f64,
        height: f64,
        way: (f64, f64),
    ) -> Vec<Point> {
        let profile = self.profile();
        let point = |(out, aside): (f64, f64)| {
            let [x, y, height] = sweep.point(deflection, out, aside, height);
            [x + way.0, y + way.1, height]
        };
        let back = profile.iter().rev().map(|(out, half)| (*out, -half));
        profile.iter().copied().chain(back).map(point).collect()
    }
}

impl Scene {
    /// Frame of the case around the face: its outline, widened.
    pub(crate) fn case(&self) -> Vec<[f64; 2]> {
        let face = &self.dial.face;
        let count = face.len() as f64;
        let middle = |k: usize| face.iter().map(|p| p[k]).sum::<f64>() / count;
        let (x, y) = (middle(0), middle(1));
        let reach = |k: usize, m: f64| face.iter().fold(0.0, |r: f64, p| r.max((p[k] - m).abs()));
        let rim = 0.09;
        let (wide, high) = (1.0 + rim / reach(0, x), 1.0 + rim / reach(1, y));
        let grown = |p: &[f64; 2]| [x + wide * (p[0] - x), y + high * (p[1] - y)];
        face.iter().map(grown).collect()
    }
}
