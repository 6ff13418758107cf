//! Sightings before a dial is set up: by what angle the needle has left its rest.
//!
//! Two pictures are enough: in their difference the needle shows twice, where it was and where it
//! is. The angle between the two lines is measured in the picture; how the camera stands to the
//! dial is not known yet and is in the uncertainty.

use super::picture::{Picture, Tone};
use super::refusal::Refusal;
use super::stroke::{self, Stroke};
use super::view::{angle_of, wrap};
use nalgebra::Vector2;

/// Tilt of up to 25° changes an angle by at most this share of it.
const TILT: f64 = 0.10;
/// Smallest change that is more than noise, in steps of brightness.
const FAINT: f32 = 14.0;
/// Angle below which the two places of the needle cover each other, in radians.
const BLIND: f64 = 0.03;

/// How far the needle has turned since the picture at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn {
    /// Radians, clockwise positive; 0 when no motion was seen.
    pub angle: f64,
    /// Standard uncertainty in radians.
    pub u: f64,
    /// Whether motion was seen. No motion seen is weak evidence: a needle that is stuck or not in
    /// the picture looks the same.
    pub moved: bool,
}

/// The angle from the needle's place in `rest` to its place in `now`.
///
/// # Errors
/// When the pictures don't fit each other, or the change is no needle that has turned.
pub fn turn(rest: &Picture, now: &Picture) -> Result<Turn, Refusal> {
    if !rest.fits(now) {
        return Err(Refusal::OtherPicture);
    }
    let change = Change::new(rest, now)?;
    if change.spots < 80 {
        return Ok(Turn {
            angle: 0.0,
            u: BLIND,
            moved: false,
        });
    }
    let brighter = change.stroke(1.0);
    let darker = change.stroke(-1.0);
    let (Ok(brighter), Ok(darker)) = (brighter, darker) else {
        return Err(Refusal::NoNeedle(0.0));
    };
    let (before, after) = match change.left_first(&brighter, &darker) {
        true => (brighter, darker),
        false => (darker, brighter),
    };
    between(&before, &after)
}

/// The angle between two lines that meet at a pivot, from the first to the second.
fn between(before: &Stroke, after: &Stroke) -> Result<Turn, Refusal> {
    let mut pair = [*before, *after];
    let Some(stroke::Motion::Turning(pivot)) = stroke::motion(&mut pair) else {
        return Err(Refusal::Crooked(0.0));
    };
    let from = |stroke: &Stroke| angle_of(stroke.tip() - pivot.at);
    let angle = wrap(from(&pair[1]) - from(&pair[0]), 0.0);
    let lengths = pair.map(|stroke| stroke.span.1 - stroke.span.0);
    // Where the two places touch, the difference shows only a part of either.
    let blur = pair
        .iter()
        .map(|stroke| stroke.rms.max(0.3))
        .fold(0.0, f64::max);
    let line = 3.0 * blur / lengths[0].min(lengths[1]).max(1.0);
    Ok(Turn {
        angle,
        u: (TILT / 2.0 * angle).hypot(line.max(BLIND / 3.0)),
        moved: true,
    })
}

/// What differs between two pictures.
struct Change {
    width: usize,
    /// Now minus rest, in steps of brightness.
    values: Vec<f32>,
    limit: f32,
    spots: usize,
    rest: Picture,
    now: Picture,
}

impl Change {
    fn new(rest: &Picture, now: &Picture) -> Result<Self, Refusal> {
        let pixels = rest.width() * rest.height();
        let mut values: Vec<f32> = (0..pixels)
            .map(|index| now.tone(index, Tone::PRINT) - rest.tone(index, Tone::PRINT))
            .collect();
        let mut few: Vec<f64> = values.iter().step_by(31).map(|v| f64::from(*v)).collect();
        let shift = super::line::median(&mut few).unwrap_or(0.0) as f32;
        values.iter_mut().for_each(|value| *value -= shift);
        let mut off: Vec<f64> = values
            .iter()
            .step_by(31)
            .map(|v| f64::from(v.abs()))
            .collect();
        let noise = 1.4826 * super::line::median(&mut off).unwrap_or(0.0) as f32;
        let limit = FAINT.max(6.0 * noise);
        let spots = values.iter().filter(|value| value.abs() > limit).count();
        // A needle is thin: when a good part of the picture has changed, it is something else.
        if spots * 12 > pixels || shift.abs() > 60.0 {
            return Err(Refusal::Light(shift.abs()));
        }
        Ok(Self {
            width: rest.width(),
            values,
            limit,
            spots,
            rest: rest.clone(),
            now: now.clone(),
        })
    }

    /// The line of what became brighter (1) or darker (−1).
    fn stroke(&self, sign: f32) -> Result<Stroke, String> {
        stroke::of_spots(self.width, &self.values, sign, self.limit)
    }

    /// Whether the first line is where the needle was in the picture at rest: there it stood out
    /// against its surroundings, as it does at the second line now.
    fn left_first(&self, first: &Stroke, second: &Stroke) -> bool {
        let as_first = contrast(&self.rest, first) + contrast(&self.now, second);
        let as_second = contrast(&self.rest, second) + contrast(&self.now, first);
        as_first > as_second
    }
}

/// How much a line stands out from its surroundings in a picture.
fn contrast(picture: &Picture, stroke: &Stroke) -> f64 {
    let tone = |at: Vector2<f64>| picture.tone_at(at.x as f32, at.y as f32, Tone::PRINT);
    let aside = stroke.across() * (3.0 * stroke.half_width + 4.0);
    let mut sum = 0.0;
    for step in 0..40 {
        let share = f64::from(step) / 39.0;
        let s = stroke.span.0 + (stroke.span.1 - stroke.span.0) * share;
        let at = stroke.foot + stroke.along * s;
        if let (Some(on), Some(left), Some(right)) = (tone(at), tone(at - aside), tone(at + aside))
        {
            sum += f64::from(on - (left + right) / 2.0);
        }
    }
    sum.abs()
}
