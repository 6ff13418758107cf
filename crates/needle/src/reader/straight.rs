//! Straight scales: the needle slides across them.
//!
//! Parallax does not cancel here, since nothing turns. A person looks square-on with the needle at
//! two places far apart; the difference to what the reader read there is taken off.

use super::chain::{self, Chain, End};
use super::line::{self, Sample};
use super::picture::{Plane, Tone};
use super::plate::Plate;
use super::proposal::{self, Tick};
use super::refusal::SetupError;
use super::setup::{DialSetup, FoundMark, Geometry};
use super::stroke::Stroke;
use super::table::{Layout, Table};
use super::trace::Trace;
use super::unroll::{Blob, Grid, Ink, Unrolled};
use super::view;
use super::warp::Warp;
use nalgebra::{Matrix3, Vector2, Vector3};
use serde::{Deserialize, Serialize};

/// A straight scale in the picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Straight {
    /// Where the marks begin at distance 0 along the scale.
    pub origin: [f64; 2],
    /// Unit vector along the scale, up-scale.
    pub way: [f64; 2],
    /// Unit vector along the needle, from the marks' common end towards the needle's other end.
    pub needle: [f64; 2],
    /// Place of the needle's ends along `needle`, from the line of the common ends, in pixels.
    pub span: [f64; 2],
    /// number = (p0 + p1·s)/(1 + p2·s) for a distance s along the scale, in pixels.
    pub map: [f64; 3],
    /// Offset and gain of the eye check, as fractions of full scale; none before it.
    #[serde(default)]
    pub eye: Option<[f64; 2]>,
}

/// The doubt that an eye check takes away.
pub(crate) const UNCHECKED: &str = "a straight scale needs an eye check at zero and at full scale";
/// Standard uncertainty of a person's reading in an eye check, of full scale.
const EYE: f64 = 0.0006;
/// Uncertainty of parallax before an eye check, of full scale.
const PARALLAX: f64 = 0.004;

impl Straight {
    /// Where the mark with this number begins.
    pub(crate) fn place(&self, number: f64) -> [f64; 2] {
        let [p0, p1, p2] = self.map;
        let s = (number - p0) / (p1 - number * p2);
        (Vector2::from(self.origin) + Vector2::from(self.way) * s).into()
    }

    fn number(&self, s: f64) -> f64 {
        let [p0, p1, p2] = self.map;
        (p0 + p1 * s) / (1.0 + p2 * s)
    }

    /// Takes over an eye check: what was read and what a person saw, at two places.
    pub(crate) fn check(&mut self, pairs: [(f64, f64); 2]) -> Result<(), SetupError> {
        let [(read, seen), (read_2, seen_2)] = pairs;
        let wrong = |what: &str| Err(SetupError::Correction(format!("the eye check {what}")));
        if (seen_2 - seen).abs() < 0.5 || (read_2 - read).abs() < 0.4 {
            return wrong("needs two places at least half a scale apart");
        }
        let gain = (seen_2 - seen) / (read_2 - read);
        let offset = seen - gain * read;
        if !(0.9..1.1).contains(&gain) || offset.abs() > 0.08 {
            return wrong("and the reader disagree grossly; look at zero and full scale again");
        }
        let before = self.eye.unwrap_or([0.0, 1.0]);
        self.eye = Some([offset + gain * before[0], gain * before[1]]);
        Ok(())
    }
}

/// The set-up of a straight scale.
///
/// # Errors
/// When no row of marks is found.
pub(crate) fn propose(plate: &Plate, strokes: &[Stroke]) -> Result<DialSetup, SetupError> {
    let no_scale = |why: &str| SetupError::NoScale(why.to_owned());
    let (first, last) = (&strokes[0], &strokes[strokes.len() - 1]);
    let along = strokes
        .iter()
        .fold(Vector2::zeros(), |sum: Vector2<f64>, stroke| {
            sum + stroke.along * stroke.along.dot(&first.along).signum()
        });
    let needle = along.normalize();
    let centre =
        |stroke: &Stroke| stroke.foot + stroke.along * (stroke.span.0 + stroke.span.1) / 2.0;
    let travel = centre(last) - centre(first);
    let way = (travel - needle * travel.dot(&needle)).normalize();
    let moved = travel.dot(&way);
    if moved < 20.0 {
        return Err(no_scale("the needle moved by less than 20 pixels"));
    }
    let length = first.span.1 - first.span.0;
    let origin = centre(first);
    let print = plate.picture.plane(Tone::PRINT);
    let frame = Frame {
        origin,
        way,
        needle,
    };
    let (chain, _) = marks(&print, &frame, moved, length)
        .ok_or_else(|| no_scale("no row of evenly spaced marks"))?;
    let number = |index: i32| index - chain.marks.last().map_or(0, |(n, _)| *n) / 2;
    // The common ends make a line of their own, which the needle need not cross at right angles.
    let ends: Vec<(i32, Vector2<f64>)> = (chain.marks.iter())
        .map(|(index, blob)| (number(*index), frame.end(blob, chain.end)))
        .collect();
    let line = frame
        .line(&ends)
        .ok_or_else(|| no_scale("the marks share no line"))?;
    let places: Vec<(f64, f64)> = (ends.iter())
        .map(|(number, end)| (f64::from(*number), line.along(*end)))
        .collect();
    let (map, rms) = projective(&places).ok_or_else(|| no_scale("the marks are not even"))?;
    let level = (line.origin - origin).dot(&needle);
    let straight = Straight {
        origin: line.origin.into(),
        way: line.way.into(),
        needle: needle.into(),
        span: [-length / 2.0 - level, length / 2.0 - level],
        map,
        eye: None,
    };
    let at = |stroke: &Stroke| straight.number(line.crossed_by(stroke));
    let ticks = chain.marks.iter().map(|(index, blob)| Tick {
        number: number(*index),
        length: blob.radius_out - blob.radius_in,
    });
    let (ticks, seen) = (ticks.collect::<Vec<_>>(), [at(first), at(last)]);
    proposed(plate, &ticks, straight, rms, seen)
}

/// The set-up from the marks and the numbers at which the needle rested and stood last.
fn proposed(
    plate: &Plate,
    ticks: &[Tick],
    straight: Straight,
    rms: f64,
    [rest, highest]: [f64; 2],
) -> Result<DialSetup, SetupError> {
    let proposal = proposal::propose(ticks, rest, highest)
        .ok_or_else(|| SetupError::NoScale("no mark above the one at rest".to_owned()))?;
    let mut doubts = proposal.doubts;
    doubts.push(UNCHECKED.to_owned());
    let marks = ticks.iter().map(|tick| FoundMark {
        number: tick.number,
        at: straight.place(f64::from(tick.number)),
        long: proposal.long.contains(&tick.number),
    });
    Ok(DialSetup {
        size: [plate.plane.width, plate.plane.height],
        zero: f64::from(proposal.zero),
        full_scale: f64::from(proposal.full_scale),
        rest,
        full_scale_text: None,
        confirmed: false,
        doubts,
        mark_rms: rms,
        marks: marks.collect(),
        geometry: Geometry::Straight(straight),
    })
}

/// Axes in the picture: along the scale and along the needle.
struct Frame {
    origin: Vector2<f64>,
    way: Vector2<f64>,
    needle: Vector2<f64>,
}

impl Frame {
    /// Where the end of a mark is in the picture.
    fn end(&self, blob: &Blob, end: End) -> Vector2<f64> {
        let along = match end {
            End::Inner => blob.angle_in,
            End::Outer => blob.angle_out,
        };
        self.origin + self.way * along + self.needle * (end.radius(blob) - OFFSET)
    }

    /// The line on which the ends lie; it begins where it crosses the needle's place at rest.
    fn line(&self, ends: &[(i32, Vector2<f64>)]) -> Option<Line> {
        /// A mark whose end lies farther off is none, in pixels.
        const OFF: f64 = 4.0;
        let samples: Vec<Sample> = (ends.iter())
            .map(|(_, end)| Sample {
                s: (end - self.origin).dot(&self.way),
                d: (end - self.origin).dot(&self.needle),
                weight: 1.0,
            })
            .collect();
        let fit = line::fit(&samples, OFF, None)?;
        Some(Line {
            origin: self.origin + self.needle * fit.a,
            way: (self.way + self.needle * fit.b).normalize(),
        })
    }
}

/// A straight line in the picture.
struct Line {
    origin: Vector2<f64>,
    way: Vector2<f64>,
}

impl Line {
    fn along(&self, place: Vector2<f64>) -> f64 {
        (place - self.origin).dot(&self.way)
    }

    /// Distance along the line at which the needle crosses it.
    fn crossed_by(&self, stroke: &Stroke) -> f64 {
        let across = stroke.across();
        across.dot(&(stroke.foot - self.origin)) / across.dot(&self.way)
    }
}

/// Added to places along the needle, so that a row's place is positive as a radius is.
const OFFSET: f64 = 10_000.0;

/// The row of marks beside the needle's way; distances along the scale stand for angles.
fn marks(print: &Plane, frame: &Frame, moved: f64, length: f64) -> Option<(Chain, Ink)> {
    let before = 0.35 * moved;
    let grid = Grid {
        first_angle: -before,
        angle_step: 0.7,
        columns: ((1.9 * moved + before) / 0.7) as usize,
        first_radius: OFFSET - 1.2 * length,
        radius_step: 1.0,
        rows: (2.4 * length) as usize,
    };
    let unrolled = Unrolled::new(print, grid, |along, row| {
        frame.origin + frame.way * along + frame.needle * (row - OFFSET)
    });
    let rows = chain::in_either_ink(&unrolled, |ink| {
        let blobs = unrolled.strokes_within(ink, 4.0, 0.035 * moved, 5);
        chain::straight(&blobs, moved)
    });
    rows.into_iter().next()
}

/// The map from distance to number, and the scatter of the marks about it in pixels.
fn projective(places: &[(f64, f64)]) -> Option<([f64; 3], f64)> {
    let mut map = Vector3::new(0.0, 0.0, 0.0);
    let mut cut = f64::MAX;
    let mut rms = 0.0;
    for _ in 0..6 {
        let mut information = Matrix3::zeros();
        let mut right = Vector3::zeros();
        for (number, s) in places {
            let row = Vector3::new(1.0, *s, -number * s);
            let off = (row.dot(&map) - number).abs();
            if off > cut {
                continue;
            }
            information += row * row.transpose();
            right += row * *number;
        }
        map = information.try_inverse()? * right;
        let mut offs: Vec<f64> = places
            .iter()
            .map(|(number, s)| ((map[0] + map[1] * s) / (1.0 + map[2] * s) - number).abs())
            .collect();
        let scatter = 1.4826 * line::median(&mut offs)?;
        cut = (4.0 * scatter).max(0.01);
        rms = scatter / map[1].abs();
    }
    rms.is_finite().then_some((map.into(), rms))
}

/// A straight scale, ready to be read.
pub(crate) struct Rail {
    straight: Straight,
    zero: f64,
    full_scale: f64,
}

/// From row to row along the needle, in pixels.
const ROW: f64 = 2.0;

impl Rail {
    pub(crate) fn new(setup: &DialSetup, straight: &Straight) -> Self {
        Self {
            straight: straight.clone(),
            zero: setup.zero,
            full_scale: setup.full_scale,
        }
    }

    /// Distance along the scale of a number.
    fn distance(&self, number: f64) -> f64 {
        let [p0, p1, p2] = self.straight.map;
        (number - p0) / (p1 - number * p2)
    }

    fn length(&self) -> f64 {
        (self.distance(self.full_scale) - self.distance(self.zero)).abs()
    }

    pub(crate) fn table(&self, plate: &Plate) -> Table {
        let (zero, full_scale) = (self.distance(self.zero), self.distance(self.full_scale));
        let beyond = 0.09 * self.length();
        let (low, high) = (zero.min(full_scale) - beyond, zero.max(full_scale) + beyond);
        let [from, to] = self.straight.span;
        let rows = ((to - from) / ROW).max(0.0) as usize;
        let along: Vec<f64> = (0..rows).map(|row| from + row as f64 * ROW).collect();
        let layout = Layout {
            first: low,
            step: 1.0,
            columns: (high - low) as usize + 1,
            across: vec![1.0; rows],
            along,
        };
        let origin = Vector2::from(self.straight.origin);
        let (way, needle) = (
            Vector2::from(self.straight.way),
            Vector2::from(self.straight.needle),
        );
        let rows = layout.along.clone();
        Table::new(layout, plate, |s, row| {
            origin + way * s + needle * rows[row]
        })
    }

    /// Standard uncertainty of the needle's place along the scale, in pixels, from what is not known of the
    /// picture's move.
    pub(crate) fn shifted(&self, trace: &Trace, warp: &Warp) -> f64 {
        let (at, way) = self.place(trace);
        warp.sigma_along(at, way)
    }

    /// By how much the needle may move before its scale, in pixels, when the camera slides.
    pub(crate) fn parallax(&self, trace: &Trace, warp: &Warp) -> f64 {
        let (at, way) = self.place(trace);
        let moved = (warp.apply(at) - at).dot(&way).abs();
        let away = warp.width() / (self.length() / 2.0);
        moved * view::parallax(away)
    }

    /// Where the needle crosses the scale, and the scale's direction.
    fn place(&self, trace: &Trace) -> (Vector2<f64>, Vector2<f64>) {
        let way = Vector2::from(self.straight.way);
        (Vector2::from(self.straight.origin) + way * trace.peak, way)
    }

    /// Half the way over which edges are looked for, in pixels.
    pub(crate) fn window(&self) -> f64 {
        (0.05 * self.length()).max(20.0)
    }

    /// Place along the needle at which it is read: at the common ends of the marks.
    pub(crate) fn level(&self) -> f64 {
        0.0
    }

    /// What no other term covers: parallax.
    pub(crate) fn floor(&self) -> f64 {
        match self.straight.eye {
            Some(_) => EYE,
            None => PARALLAX,
        }
    }

    /// Uncertainty of the map along the scale: small beside parallax.
    pub(crate) fn geometry(&self) -> Vec<(f64, f64)> {
        vec![(0.5, 0.0002)]
    }

    /// Deflection, and deflection per pixel.
    pub(crate) fn deflection(&self, trace: &Trace) -> (f64, f64) {
        let s = trace.peak + trace.fit.at(self.level());
        let raw = (self.straight.number(s) - self.zero) / (self.full_scale - self.zero);
        let [offset, gain] = self.straight.eye.unwrap_or([0.0, 1.0]);
        (offset + gain * raw, 1.0 / self.length())
    }
}
