//! One tick mark, measured in the rectified picture to a small part of a pixel.

use super::chain::End;
use super::line::{self, Sample, median};
use super::picture::Plane;
use super::plane::Mark;
use super::unroll::Ink;
use super::view::{Lens, angle_of, polar};
use nalgebra::Vector2;

/// Where to look for a mark, on the dial plane.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Place {
    pub(crate) number: i32,
    pub(crate) angle: f64,
    /// Radii between which it is known to be.
    pub(crate) radii: (f64, f64),
    /// Angle to the next mark.
    pub(crate) gap: f64,
}

/// Samples across, in pixels.
const STEP: f64 = 0.5;

/// Measures marks in one picture.
pub(crate) struct Gauge<'a> {
    pub(crate) print: &'a Plane,
    pub(crate) lens: Lens,
    /// Pixels per dial radius.
    pub(crate) scale: f64,
    pub(crate) ink: Ink,
    pub(crate) end: End,
}

impl Gauge<'_> {
    /// The mark at `place`; none where print does not stand out or is no straight stroke.
    pub(crate) fn measure(&self, place: Place) -> Option<Mark> {
        // Blur takes the ends off.
        let inset = (3.0 / self.scale).min(0.22 * (place.radii.1 - place.radii.0));
        let (low, high) = (place.radii.0 + inset, place.radii.1 - inset);
        let from = self.lens.project(polar(place.angle, low));
        let way = self.lens.project(polar(place.angle, high)) - from;
        let length = way.norm();
        if length < 2.0 {
            return None;
        }
        let along = way / length;
        let across = Vector2::new(-along.y, along.x);
        let next = self.lens.project(polar(place.angle + place.gap, low));
        let reach = self.reach((next - from).dot(&across).abs());
        let mut samples = Vec::new();
        let mut heights = Vec::new();
        for row in 0..=length.floor() as usize {
            let s = row as f64;
            let Some((d, height)) = self.crest(from + along * s, across, reach) else {
                continue;
            };
            let weight = height;
            samples.push(Sample { s, d, weight });
            heights.push(height);
        }
        let fit = line::fit(&samples, 1.5, None)?;
        if fit.rms > 0.8 || fit.used < 3 {
            return None;
        }
        let strength = median(&mut heights)?;
        let point = |s: f64| from + along * s + across * fit.at(s);
        let middle_angle = angle_of(self.lens.back(point(length / 2.0)));
        let (inner, outer) = self.ends(middle_angle, (low, high), place.gap, strength);
        let end = match self.end {
            End::Inner => inner,
            End::Outer => outer,
        };
        let radii = match (inner, outer) {
            (Some(inner), Some(outer)) => outer - inner,
            _ => place.radii.1 - place.radii.0,
        };
        Some(Mark {
            number: place.number,
            points: [point(0.0), point(length)],
            sigma: fit.sigma_at(0.0).max(fit.sigma_at(length)).clamp(0.01, 1.0),
            end: end.map(|radius| self.lens.project(polar(middle_angle, radius))),
            sigma_end: 0.25,
            length: radii,
        })
    }

    /// How far to look on either side of a mark, in pixels: into the `gap` to the next, and beyond
    /// the widest mark.
    fn reach(&self, gap: f64) -> f64 {
        (0.45 * gap).clamp(2.5, 0.013 * self.scale + 4.0)
    }

    /// Centre of gravity of the print along `across` through `at`, in pixels off it, and its height.
    /// Straight across the mark in the picture: on the dial's own circles, blur would lean its ends to
    /// one side where the dial is seen aslant, and turn the mark.
    fn crest(&self, at: Vector2<f64>, across: Vector2<f64>, reach: f64) -> Option<(f64, f64)> {
        let mut centre = 0.0;
        let mut height = 0.0;
        // Each round goes only part of the way, the narrower the window the less: to the end, or
        // the mark would be found where it was expected.
        for _ in 0..25 {
            let count = (2.0 * reach / STEP).round() as usize;
            let mut profile = Vec::with_capacity(count + 1);
            for index in 0..=count {
                let off = centre - reach + 2.0 * reach * index as f64 / count as f64;
                profile.push((off, self.ink_at(at + across * off)?));
            }
            let edge = 2.min(count / 4);
            let mean =
                |part: &[(f64, f64)]| part.iter().map(|p| p.1).sum::<f64>() / part.len() as f64;
            let (left, right) = (mean(&profile[..=edge]), mean(&profile[count - edge..]));
            let base = |off: f64| left + (right - left) * (off - centre + reach) / (2.0 * reach);
            let (mut sum, mut moment, mut top) = (0.0, 0.0, 0.0f64);
            for (off, value) in &profile {
                let above = value - base(*off);
                sum += above;
                moment += above * off;
                top = top.max(above);
            }
            if top < 4.0 || sum <= 0.0 {
                return None;
            }
            let next = moment / sum;
            if (next - centre).abs() > reach {
                return None;
            }
            let still = (next - centre).abs() < 0.002;
            centre = next;
            height = top;
            if still {
                break;
            }
        }
        (centre.abs() < reach).then_some((centre, height))
    }

    /// Radii at which the mark begins and ends: where it has half its height.
    fn ends(
        &self,
        angle: f64,
        inside: (f64, f64),
        gap: f64,
        strength: f64,
    ) -> (Option<f64>, Option<f64>) {
        let step = 0.5 / self.scale;
        let height = |radius: f64| -> Option<f64> {
            let aside = self.reach(gap * radius * self.scale) / (radius * self.scale);
            let near = 0.7 / (radius * self.scale);
            let on = (self.dark(angle - near, radius)?
                + self.dark(angle, radius)?
                + self.dark(angle + near, radius)?)
                / 3.0;
            let off = (self.dark(angle - aside, radius)? + self.dark(angle + aside, radius)?) / 2.0;
            Some(on - off)
        };
        let mut inner: Vec<f64> = (0..=8)
            .filter_map(|i| height(inside.0 + (inside.1 - inside.0) * f64::from(i) / 8.0))
            .collect();
        let half = median(&mut inner).unwrap_or(strength) / 2.0;
        let cross = |from: f64, way: f64| -> Option<f64> {
            let mut radius = from;
            let mut before = height(radius)?;
            for _ in 0..(0.35 / step) as usize {
                let here = height(radius + way * step)?;
                if before >= half && here < half {
                    return Some(radius + way * step * (before - half) / (before - here));
                }
                radius += way * step;
                before = here;
            }
            None
        };
        let middle = (inside.0 + inside.1) / 2.0;
        (cross(middle, -1.0), cross(middle, 1.0))
    }

    /// How much ink is at a place of the dial plane, in steps of brightness from an arbitrary zero.
    fn dark(&self, angle: f64, radius: f64) -> Option<f64> {
        self.ink_at(self.lens.project(polar(angle, radius)))
    }

    fn ink_at(&self, at: Vector2<f64>) -> Option<f64> {
        let value = f64::from(self.print.at(at.x as f32, at.y as f32)?);
        Some(match self.ink {
            Ink::Dark => -value,
            Ink::Light => value,
        })
    }
}
