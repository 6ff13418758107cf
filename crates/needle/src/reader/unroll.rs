//! A picture unrolled about a point, and the thin radial strokes of print in it.

use super::picture::Plane;
use nalgebra::Vector2;
use std::ops::RangeInclusive;

/// A grid of angles (columns) and radii (rows).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Grid {
    pub(crate) first_angle: f64,
    pub(crate) angle_step: f64,
    pub(crate) columns: usize,
    pub(crate) first_radius: f64,
    pub(crate) radius_step: f64,
    pub(crate) rows: usize,
}

impl Grid {
    pub(crate) fn angle(&self, column: f64) -> f64 {
        self.first_angle + column * self.angle_step
    }

    pub(crate) fn radius(&self, row: f64) -> f64 {
        self.first_radius + row * self.radius_step
    }
}

/// Whether print is darker or lighter than the face.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ink {
    Dark,
    Light,
}

/// A picture on a grid; what lies outside the picture is not a number.
pub(crate) struct Unrolled {
    pub(crate) grid: Grid,
    values: Vec<f32>,
}

/// A thin radial stroke: a tick mark, or part of a letter.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Blob {
    /// Angle at either end.
    pub(crate) angle_in: f64,
    pub(crate) angle_out: f64,
    pub(crate) radius_in: f64,
    pub(crate) radius_out: f64,
}

impl Blob {
    pub(crate) fn angle(&self) -> f64 {
        (self.angle_in + self.angle_out) / 2.0
    }
}

/// Widest stroke, in radians.
const WIDEST: f64 = 0.030;

impl Unrolled {
    /// `place` says where on the plane an angle and radius lie.
    pub(crate) fn new(plane: &Plane, grid: Grid, place: impl Fn(f64, f64) -> Vector2<f64>) -> Self {
        let mut values = Vec::with_capacity(grid.columns * grid.rows);
        for row in 0..grid.rows {
            for column in 0..grid.columns {
                let at = place(grid.angle(column as f64), grid.radius(row as f64));
                let value = plane.at(at.x as f32, at.y as f32);
                values.push(value.unwrap_or(f32::NAN));
            }
        }
        Self { grid, values }
    }

    /// The value nearest to an angle and a radius; none outside.
    pub(crate) fn at(&self, angle: f64, radius: f64) -> Option<f64> {
        let column = ((angle - self.grid.first_angle) / self.grid.angle_step).round();
        let row = ((radius - self.grid.first_radius) / self.grid.radius_step).round();
        let inside = (0.0..self.grid.columns as f64).contains(&column)
            && (0.0..self.grid.rows as f64).contains(&row);
        let value = inside.then(|| self.values[row as usize * self.grid.columns + column as usize]);
        value.filter(|value| value.is_finite()).map(f64::from)
    }

    /// Strokes at least `shortest` long (in units of the radius).
    pub(crate) fn strokes(&self, ink: Ink, shortest: f64) -> Vec<Blob> {
        self.strokes_within(ink, shortest, WIDEST, FLAT)
    }

    /// Strokes at least `shortest` long and at most `widest` wide (in units of the columns). Those
    /// of at least `flat` columns may have a flat top.
    pub(crate) fn strokes_within(
        &self,
        ink: Ink,
        shortest: f64,
        widest: f64,
        flat: usize,
    ) -> Vec<Blob> {
        let height = self.heights(ink, widest);
        let mut sorted: Vec<f64> = height.iter().step_by(7).map(|h| f64::from(*h)).collect();
        let typical = super::line::median(&mut sorted).unwrap_or(0.0);
        let limit = (5.0 * typical).max(7.0) as f32;
        let mut open: Vec<Track> = Vec::new();
        let mut done = Vec::new();
        for row in 0..self.grid.rows {
            let line = &height[row * self.grid.columns..(row + 1) * self.grid.columns];
            let mut peaks = peaks(line, limit, flat..=window(widest, &self.grid));
            for track in &mut open {
                let near = peaks
                    .iter()
                    .position(|peak| (peak.0 - track.last()).abs() <= 1.6);
                if let Some(near) = near {
                    track.points.push((row, peaks.swap_remove(near)));
                }
            }
            let (alive, ended): (Vec<Track>, Vec<Track>) =
                open.into_iter().partition(|track| row - track.row() <= 1);
            done.extend(ended);
            open = alive;
            open.extend(peaks.into_iter().map(|peak| Track {
                points: vec![(row, peak)],
            }));
        }
        done.extend(open);
        let rows = shortest / self.grid.radius_step;
        done.iter()
            .filter_map(|track| self.blob(track, rows))
            .collect()
    }

    /// How far each value stands out from its surroundings along the angle; smoothed over three
    /// rows.
    fn heights(&self, ink: Ink, widest: f64) -> Vec<f32> {
        let columns = self.grid.columns;
        let window = window(widest, &self.grid);
        let mut heights = vec![0.0; self.values.len()];
        for row in 0..self.grid.rows {
            let range = row * columns..(row + 1) * columns;
            let line: Vec<f32> = match ink {
                Ink::Dark => self.values[range.clone()].to_vec(),
                Ink::Light => self.values[range.clone()].iter().map(|v| -v).collect(),
            };
            let closed = lowest(&highest(&line, window), window);
            for ((height, closed), value) in heights[range].iter_mut().zip(closed).zip(line) {
                let above = closed - value;
                *height = if above.is_finite() { above } else { 0.0 };
            }
        }
        let mut smooth = heights.clone();
        for row in 1..self.grid.rows.saturating_sub(1) {
            for column in 0..columns {
                let at = row * columns + column;
                smooth[at] = (heights[at - columns] + heights[at] + heights[at + columns]) / 3.0;
            }
        }
        smooth
    }

    /// The track as a stroke, unless it is too short or bent.
    fn blob(&self, track: &Track, rows: f64) -> Option<Blob> {
        let (first, last) = (track.points.first()?.0, track.row());
        if ((last - first) as f64) < rows.max(3.0) {
            return None;
        }
        let samples: Vec<super::line::Sample> = track
            .points
            .iter()
            .map(|(row, (column, _))| super::line::Sample {
                s: *row as f64,
                d: *column,
                weight: 1.0,
            })
            .collect();
        let fit = super::line::fit(&samples, 2.5, None)?;
        if fit.rms > 1.2 || fit.b.abs() > 0.35 {
            return None;
        }
        let grid = &self.grid;
        Some(Blob {
            angle_in: grid.angle(fit.at(first as f64)),
            angle_out: grid.angle(fit.at(last as f64)),
            radius_in: grid.radius(first as f64),
            radius_out: grid.radius(last as f64),
        })
    }
}

/// A stroke followed from row to row: row, column and height of its crest.
struct Track {
    points: Vec<(usize, (f64, f32))>,
}

impl Track {
    fn last(&self) -> f64 {
        self.points
            .last()
            .map_or(f64::NAN, |(_, (column, _))| *column)
    }

    fn row(&self) -> usize {
        self.points.last().map_or(0, |(row, _)| *row)
    }
}

/// Columns of the widest stroke, an odd number.
fn window(widest: f64, grid: &Grid) -> usize {
    ((widest / grid.angle_step) as usize).max(5) | 1
}

/// Narrowest crest of a tick mark about a pivot that has a flat top, in columns.
const FLAT: usize = 8;

/// Crests above `limit`; those whose widths are among `flat` count as flat.
fn peaks(line: &[f32], limit: f32, flat: RangeInclusive<usize>) -> Vec<(f64, f32)> {
    let mut found: Vec<(f64, f32)> = Vec::new();
    for column in 2..line.len().saturating_sub(2) {
        let here = line[column];
        let crest = here > limit
            && here >= line[column - 1]
            && here > line[column + 1]
            && here >= line[column - 2]
            && here > line[column + 2];
        if !crest {
            continue;
        }
        // On a flat top noise decides where the crest is; its edges don't move.
        let beside = |step: isize| -> usize {
            (1..=*flat.end())
                .find(|off| {
                    let at = column.checked_add_signed(step * *off as isize);
                    at.and_then(|at| line.get(at))
                        .is_none_or(|value| *value < here / 2.0)
                })
                .unwrap_or(flat.end() + 1)
        };
        let (before, after) = (beside(-1), beside(1));
        if flat.contains(&(before + after - 1)) {
            let middle = column as f64 + (after as f64 - before as f64) / 2.0;
            if found
                .last()
                .is_none_or(|last| (last.0 - middle).abs() > 1.0)
            {
                found.push((middle, here));
            }
        } else {
            let (a, b) = (line[column - 1], line[column + 1]);
            let bend = a - 2.0 * here + b;
            let shift = if bend < 0.0 {
                0.5 * (a - b) / bend
            } else {
                0.0
            };
            found.push((column as f64 + f64::from(shift.clamp(-0.5, 0.5)), here));
        }
    }
    found
}

/// Largest value within half a window on either side.
fn highest(line: &[f32], window: usize) -> Vec<f32> {
    sliding(line, window, f32::max, f32::NEG_INFINITY)
}

/// Smallest value within half a window on either side.
fn lowest(line: &[f32], window: usize) -> Vec<f32> {
    sliding(line, window, f32::min, f32::INFINITY)
}

/// `pick` over a sliding window, from runs begun at either end of each block.
fn sliding(line: &[f32], window: usize, pick: fn(f32, f32) -> f32, none: f32) -> Vec<f32> {
    let length = line.len();
    let half = window / 2;
    let at = |index: usize| match index.checked_sub(half) {
        Some(inside) if inside < length => line[inside],
        _ => none,
    };
    let padded = (length + 2 * half).next_multiple_of(window);
    let mut forward = vec![none; padded];
    let mut backward = vec![none; padded];
    for index in 0..padded {
        forward[index] = match index % window {
            0 => at(index),
            _ => pick(forward[index - 1], at(index)),
        };
        let back = padded - 1 - index;
        backward[back] = match back % window {
            end if end == window - 1 => at(back),
            _ => pick(backward[back + 1], at(back)),
        };
    }
    (0..length)
        .map(|index| pick(backward[index], forward[index + window - 1]))
        .collect()
}
