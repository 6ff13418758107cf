//! The printed scale: found about the pivot, then fitted as a plane and measured mark by mark.

use super::chain::{self, Chain, End};
use super::mark::{Gauge, Place};
use super::picture::Plane as Pixels;
use super::plane::{Mark, Plane, Seen, Starts, offsets};
use super::refusal::SetupError;
use super::setup::MISFIT;
use super::stroke::Pivot;
use super::unroll::{Blob, Grid, Ink, Unrolled};
use super::view::{View, angle_of, polar, wrap};
use nalgebra::Vector2;
use std::f64::consts::TAU;

/// What the needle's places say about where the scale is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct About {
    /// Width and height of the picture.
    pub(crate) size: (usize, usize),
    pub(crate) pivot: Pivot,
    /// Angle of the needle at rest.
    pub(crate) rest: f64,
    /// 1 when up-scale is clockwise, −1 when not.
    pub(crate) way: f64,
    /// From pivot to tip, in pixels.
    pub(crate) reach: f64,
}

/// A scale as found and measured.
#[derive(Clone, Debug)]
pub(crate) struct Scale {
    pub(crate) plane: Plane,
    pub(crate) marks: Vec<Mark>,
    pub(crate) end: End,
    pub(crate) ink: Ink,
    /// Marks at an end that stood alone beyond a gap were left out.
    pub(crate) trimmed: bool,
}

/// The angle before the needle at rest at which the search begins, in radians.
const BEFORE: f64 = 1.05;
/// So many rows of strokes are tried.
const ROWS: usize = 6;

/// Finds the scale.
///
/// # Errors
/// When there is no row of even marks, or they fit no plane.
pub(crate) fn find(print: &Pixels, about: About) -> Result<Scale, SetupError> {
    let nothing = SetupError::NoScale("no row of evenly spaced marks".to_owned());
    let mut first = Err(nothing);
    for (chain, ink) in first_look(print, about).into_iter().take(ROWS) {
        let found = measured(print, &chain, ink, about);
        // A row of numerals looks like marks, too, but is no scale about the pivot.
        if found
            .as_ref()
            .is_ok_and(|scale| scale.plane.misfit() <= MISFIT)
        {
            return found;
        }
        first = first.or(found);
    }
    first
}

/// The scale whose marks are the strokes of this row.
fn measured(print: &Pixels, chain: &Chain, ink: Ink, about: About) -> Result<Scale, SetupError> {
    let (marks, start, step) = as_marks(chain, about);
    let seen = Seen {
        marks: &marks,
        pivot: about.pivot,
    };
    let plane = seen
        .fit(start, step, Starts::Wide)
        .ok_or_else(|| SetupError::NoFit(format!("{} marks", marks.len())))?;
    let mut scale = Scale {
        plane,
        marks,
        end: chain.end,
        ink,
        trimmed: chain.trimmed,
    };
    for starts in [Starts::Here, Starts::Here, Starts::About] {
        scale = remeasured(print, &scale, about.pivot, starts)?;
    }
    Ok(scale)
}

/// The rows of marks in the picture unrolled about the pivot, the best first.
fn first_look(print: &Pixels, about: About) -> Vec<(Chain, Ink)> {
    let angle_step = 0.7 / about.reach;
    let grid = Grid {
        first_angle: -BEFORE,
        angle_step,
        columns: (TAU / angle_step) as usize,
        first_radius: 0.5 * about.reach,
        radius_step: 1.0,
        rows: (1.1 * about.reach) as usize,
    };
    let unrolled = Unrolled::new(print, grid, |angle, radius| {
        about.pivot.at + polar(about.rest + about.way * angle, radius)
    });
    chain::in_either_ink(&unrolled, |ink| {
        let blobs = unrolled.strokes(ink, (0.02 * about.reach).max(3.0));
        chain::candidates(&blobs, about.reach)
    })
}

/// The chain as marks in the picture, numbered from its middle, and a first view of the plane.
fn as_marks(chain: &Chain, about: About) -> (Vec<Mark>, View, f64) {
    let last = chain.marks.last().map_or(0, |(number, _)| *number);
    let middle = last / 2;
    let place =
        |angle: f64, radius: f64| about.pivot.at + polar(about.rest + about.way * angle, radius);
    let mark = |(number, blob): &(i32, Blob)| {
        let inner = place(blob.angle_in, blob.radius_in);
        let outer = place(blob.angle_out, blob.radius_out);
        Mark {
            number: number - middle,
            points: [inner, outer],
            sigma: 0.5,
            end: Some(match chain.end {
                End::Inner => inner,
                End::Outer => outer,
            }),
            sigma_end: 1.2,
            length: (blob.radius_out - blob.radius_in) / about.reach,
        }
    };
    let marks: Vec<Mark> = chain.marks.iter().map(mark).collect();
    let radius = chain
        .marks
        .iter()
        .map(|(_, blob)| chain.end.radius(blob))
        .sum::<f64>()
        / chain.marks.len() as f64;
    let (first, final_mark) = (&chain.marks[0].1, &chain.marks[chain.marks.len() - 1].1);
    let step = about.way * (final_mark.angle() - first.angle()) / f64::from(last);
    let roll = about.rest + about.way * first.angle() + step * f64::from(middle);
    let view = View::square(about.size, about.pivot.at, radius, roll);
    (marks, view, step)
}

/// Looks again in the picture rectified by the plane so far, for all marks, and fits anew.
fn remeasured(
    print: &Pixels,
    scale: &Scale,
    pivot: Pivot,
    starts: Starts,
) -> Result<Scale, SetupError> {
    let lens = scale.plane.view.lens();
    let pixels = lens.scale_at(Vector2::zeros());
    let largest = 2.0 * scale.plane.view.width();
    if !(20.0..largest).contains(&pixels) {
        return Err(SetupError::NoFit(format!("a radius of {pixels:.0} pixels")));
    }
    let way = scale.plane.step.signum();
    let angle_step = 0.6 / pixels;
    let grid = Grid {
        first_angle: -TAU / 2.0,
        angle_step,
        columns: (TAU / angle_step) as usize,
        first_radius: 0.7,
        radius_step: 1.0 / pixels,
        rows: (0.6 * pixels) as usize,
    };
    let unrolled = Unrolled::new(print, grid, |angle, radius| {
        lens.project(polar(way * angle, radius))
    });
    let mut blobs = unrolled.strokes(scale.ink, (0.012f64).max(3.0 / pixels));
    // The line of the arc, where there is one, is part of the outermost marks.
    let near = (0.02f64).max(2.5 / pixels);
    blobs.retain(|blob| (scale.end.radius(blob) - 1.0).abs() < near);
    let (found, divided, trimmed) = numbered(&blobs, scale);
    let step = scale.plane.step / f64::from(divided);
    let gauge = Gauge {
        print,
        lens,
        scale: pixels,
        ink: scale.ink,
        end: scale.end,
    };
    let mut marks: Vec<Mark> = found
        .iter()
        .filter_map(|(number, blob)| {
            gauge.measure(Place {
                number: *number,
                angle: way * blob.angle(),
                radii: (blob.radius_in, blob.radius_out),
                gap: step.abs(),
            })
        })
        .collect();
    // The line of the scale, where there is one, ends at the outermost marks, whose own ends look
    // otherwise than those of marks with the line to either side.
    if let [first, .., last] = &mut marks[..] {
        (first.end, last.end) = (None, None);
    }
    let noise = noise_floor(&marks, scale.plane.rms);
    for mark in &mut marks {
        mark.sigma = mark.sigma.max(noise);
    }
    let fitted = |marks: &[Mark], view: View, step: f64, starts: Starts| {
        (Seen { marks, pivot }.fit(view, step, starts))
            .ok_or_else(|| SetupError::NoFit(format!("{} marks measured", marks.len())))
    };
    let plane = fitted(&marks, scale.plane.view, step, Starts::Here)?;
    let kept = without_outliers(&marks, &plane);
    let plane = fitted(&kept, plane.view, plane.step, starts)?;
    Ok(Scale {
        plane,
        marks: kept,
        end: scale.end,
        ink: scale.ink,
        trimmed,
    })
}

/// Least standard deviation of a mark across: what the marks showed, within reason.
fn noise_floor(marks: &[Mark], rms: f64) -> f64 {
    let mut sigmas: Vec<f64> = marks.iter().map(|mark| mark.sigma).collect();
    let typical = super::line::median(&mut sigmas).unwrap_or(0.05);
    (1.2 * rms).min(3.0 * typical).max(0.02)
}

/// The marks without those far beside their lines.
fn without_outliers(marks: &[Mark], plane: &Plane) -> Vec<Mark> {
    let offsets: Vec<f64> = offsets(marks, &plane.view, plane.step)
        .map(f64::abs)
        .collect();
    let limit = (4.5 * plane.rms).max(0.12);
    let kept = marks.iter().zip(offsets.chunks(2));
    kept.filter(|(_, off)| off.iter().all(|off| *off < limit))
        .map(|(mark, _)| *mark)
        .collect()
}

/// The strokes that lie on the grid of equal angles, with their numbers; by how much the grid had
/// to be divided more finely; whether a lone mark at an end was left out.
fn numbered(blobs: &[Blob], scale: &Scale) -> (Vec<(i32, Blob)>, i32, bool) {
    let step = scale.plane.step.abs();
    let (low, high) = scale
        .marks
        .iter()
        .fold((i32::MAX, i32::MIN), |(low, high), mark| {
            (low.min(mark.number), high.max(mark.number))
        });
    let at = |angle: f64, within: f64| -> Option<Blob> {
        let off = |blob: &Blob| (wrap(blob.angle(), angle) - angle).abs();
        let near = blobs.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        (off(near) < within).then_some(*near)
    };
    let divided = [10, 5, 4, 3, 2].into_iter().find(|parts| {
        let (mut hits, mut places) = (0, 0);
        for number in low..high {
            for part in 1..*parts {
                let angle = step * (f64::from(number) + f64::from(part) / f64::from(*parts));
                places += 1;
                hits += i32::from(at(angle, 0.12 * step / f64::from(*parts)).is_some());
            }
        }
        hits * 10 > places * 7
    });
    let divided = divided.unwrap_or(1);
    let step = step / f64::from(divided);
    let within = (0.16 * step).max(0.0);
    let mut found = Vec::new();
    for number in low * divided..=high * divided {
        found.extend(at(f64::from(number) * step, within).map(|blob| (number, blob)));
    }
    let mut trimmed = false;
    for way in [-1, 1] {
        let edge = if way < 0 {
            low * divided
        } else {
            high * divided
        };
        let mut run = Vec::new();
        let (mut number, mut missing) = (edge + way, 0);
        while missing < 3 && f64::from(number - edge).abs() * step < 3.0 {
            // Not once around.
            let other = if way < 0 {
                high * divided
            } else {
                low * divided
            };
            if f64::from(number - other).abs() * step > TAU - 0.3 {
                break;
            }
            match at(f64::from(number) * step, within) {
                Some(blob) => {
                    run.push((number, blob, missing));
                    missing = 0;
                }
                None => missing += 1,
            }
            number += way;
        }
        while run.last().is_some_and(|(_, _, gap)| *gap > 0) {
            run.pop();
            trimmed = true;
        }
        found.extend(run.into_iter().map(|(number, blob, _)| (number, blob)));
    }
    found.sort_by_key(|(number, _)| *number);
    (found, divided, trimmed)
}

impl Scale {
    /// Direction of an image line on the dial plane, as a number of steps from the middle mark.
    pub(crate) fn number_of(&self, from: Vector2<f64>, to: Vector2<f64>) -> f64 {
        let lens = self.plane.view.lens();
        let along = lens.back(to) - lens.back(from);
        wrap(angle_of(along), 0.0) / self.plane.step
    }
}
