//! The needle in front of its backdrop: only the pixels that it, its shadow and its mirror image
//! touch.

use crate::backdrop::Backdrop;
use crate::blur::weights;
use crate::cover::Cover;
use crate::plan::seen;
use crate::scene::{Colour, Scene};

/// Share of its light that a needle keeps in the mirror.
const MIRRORED: f32 = 0.8;
/// How far the mirror lies below the dial.
const MIRROR_DEPTH: f64 = 0.004;

/// Columns touched in each row.
pub(crate) type Spans = Vec<(usize, usize)>;

/// Working space of the size of the picture, clean between frames.
#[derive(Debug, Clone)]
pub(crate) struct Brush {
    size: (usize, usize),
    /// Sharp changes of light made by the needle.
    change: [Vec<f32>; 3],
    between: [Vec<f32>; 3],
    /// Share of light that the shadow takes away.
    shade: Vec<f32>,
    /// Coverage by the needle being entered.
    body: Vec<f32>,
    spans: Spans,
    shaded: Spans,
}

const NONE: (usize, usize) = (usize::MAX, 0);

fn widen(span: &mut (usize, usize), from: usize, to: usize) {
    *span = (span.0.min(from), span.1.max(to));
}

impl Brush {
    pub fn new(size: (usize, usize)) -> Self {
        let plane = vec![0.0; size.0 * size.1];
        Brush {
            size,
            change: [plane.clone(), plane.clone(), plane.clone()],
            between: [plane.clone(), plane.clone(), plane.clone()],
            body: plane.clone(),
            shade: plane,
            spans: vec![NONE; size.1],
            shaded: vec![NONE; size.1],
        }
    }

    /// Adds the needle at these deflections, at each for the same share of the exposure.
    pub fn add(&mut self, scene: &Scene, backdrop: &Backdrop, deflections: &[f64]) {
        let weight = 1.0 / deflections.len() as f32;
        // All shadows first: what the needle hides is in their shade.
        for deflection in deflections {
            self.add_shadow(scene, backdrop, *deflection, weight);
        }
        for deflection in deflections {
            self.add_body(scene, backdrop, *deflection, weight);
        }
    }

    /// The needle, and behind it its mirror image.
    fn add_body(&mut self, scene: &Scene, backdrop: &Backdrop, deflection: f64, weight: f32) {
        let body = self.cover(scene, deflection, scene.needle.height);
        for (y, x, shares) in body.rows() {
            let first = y * self.size.0 + x;
            self.body[first..first + shares.len()].copy_from_slice(shares);
        }
        self.enter(scene, backdrop, &body, scene.needle.colour, |at, share| {
            weight * share * backdrop.open[at]
        });
        if !backdrop.mirror.is_empty() {
            let hidden = std::mem::take(&mut self.body);
            let height = -scene.needle.height - 2.0 * MIRROR_DEPTH;
            let image = self.cover(scene, deflection, height);
            let colour = scene.needle.colour.map(|value| MIRRORED * value);
            self.enter(scene, backdrop, &image, colour, |at, share| {
                weight * share * backdrop.open[at] * backdrop.mirror[at] * (1.0 - hidden[at])
            });
            self.body = hidden;
        }
        for (y, x, shares) in body.rows() {
            let first = y * self.size.0 + x;
            self.body[first..first + shares.len()].fill(0.0);
        }
    }

    fn cover(&self, scene: &Scene, deflection: f64, height: f64) -> Cover {
        let sweep = &scene.dial.sweep;
        let outline = scene.needle.outline(sweep, deflection, height, (0.0, 0.0));
        Cover::soft(&seen(&scene.camera, &outline), self.size)
    }

    /// Enters a polygon of this colour; `visible` gives the share seen from pixel and coverage.
    fn enter(
        &mut self,
        scene: &Scene,
        backdrop: &Backdrop,
        cover: &Cover,
        colour: Colour,
        visible: impl Fn(usize, f32) -> f32,
    ) {
        for (y, x, shares) in cover.rows() {
            widen(&mut self.spans[y], x, x + shares.len());
            let row = y * self.size.0;
            for (x, share) in (x..).zip(shares) {
                let at = row + x;
                let share = visible(at, *share);
                let light = scene.light.at(x, y, self.size);
                let lit = 1.0 - self.shade[at];
                let planes = self.change.iter_mut().zip(&backdrop.sharp);
                for ((change, sharp), value) in planes.zip(colour) {
                    change[at] += share * (light * value - lit * sharp[at]);
                }
            }
        }
    }

    /// The shadow is soft: its depth at a pixel follows from the distance to its edges.
    fn add_shadow(&mut self, scene: &Scene, backdrop: &Backdrop, deflection: f64, weight: f32) {
        let light = &scene.light;
        if light.shadow <= 0.0 {
            return;
        }
        let height = scene.needle.height;
        let way = (light.shadow_way.0 * height, light.shadow_way.1 * height);
        let outline = scene
            .needle
            .outline(&scene.dial.sweep, deflection, 0.0, way);
        let corners: Vec<_> = outline
            .iter()
            .map(|point| scene.camera.project(*point))
            .collect();
        let count = corners.len();
        let middle = |a: usize, b: usize| {
            let (a, b) = (corners[a], corners[b]);
            let width = (b[0] - a[0]).hypot(b[1] - a[1]);
            ([0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])], width)
        };
        let (root, root_width) = middle(0, count - 1);
        let (tip, tip_width) = middle(count / 2 - 1, count / 2);
        let length = (tip[0] - root[0]).hypot(tip[1] - root[1]).max(1e-6);
        let along = [(tip[0] - root[0]) / length, (tip[1] - root[1]) / length];
        let blur = light.shadow_blur.hypot(scene.sensor.blur).max(0.3);
        let half = 0.5 * root_width.max(tip_width);
        let reach = half + 2.5 * blur;
        let ends = |axis: usize| {
            let low = root[axis].min(tip[axis]) - reach;
            let most = if axis == 0 { self.size.0 } else { self.size.1 } as f64;
            let high = root[axis].max(tip[axis]) + reach;
            (low.clamp(0.0, most), high.ceil().clamp(0.0, most))
        };
        let (left, right) = ends(0);
        let (top, bottom) = ends(1);
        let depth = light.shadow as f32 * weight;
        for y in top as usize..bottom as usize {
            let dy = y as f64 + 0.5 - root[1];
            // Columns within reach of the axis.
            let (mut from, mut to) = (left, right);
            if along[1].abs() > 1e-3 {
                let on_axis = root[0] + dy * along[0] / along[1];
                let wide = reach / along[1].abs();
                from = (on_axis - wide).clamp(left, right);
                to = (on_axis + wide).ceil().clamp(left, right);
            }
            let (from, to) = (from as usize, to as usize);
            if from >= to {
                continue;
            }
            widen(&mut self.shaded[y], from, to);
            for x in from..to {
                let dx = x as f64 + 0.5 - root[0];
                let ahead = dx * along[0] + dy * along[1];
                let aside = dy * along[0] - dx * along[1];
                let share = (ahead / length).clamp(0.0, 1.0);
                let half = 0.5 * (root_width + share * (tip_width - root_width)).max(1e-3);
                let across = step((half - aside) / blur) - step((-half - aside) / blur);
                let lengthwise = step(ahead / blur) * step((length - ahead) / blur);
                let at = y * self.size.0 + x;
                self.shade[at] += depth * backdrop.open[at] * (across * lengthwise) as f32;
            }
        }
    }

    /// Blurs what was added, hands each touched pixel's light to `put` (row, first column, planes
    /// of that row), and is clean again.
    pub fn finish(
        &mut self,
        scene: &Scene,
        backdrop: &Backdrop,
        mut put: impl FnMut(usize, usize, [&[f32]; 3]),
    ) {
        let weights = weights(scene.sensor.blur_left());
        let reach = weights.len() - 1;
        let wide = self.blur_rows(&weights);
        let (width, height) = self.size;
        let mut row: [Vec<f32>; 3] = [vec![], vec![], vec![]];
        for y in 0..height {
            let rows = y.saturating_sub(reach)..(y + reach + 1).min(height);
            let mut span = self.shaded[y];
            for near in rows {
                widen(&mut span, wide[near].0, wide[near].1);
            }
            if span.0 >= span.1 {
                continue;
            }
            let first = y * width + span.0;
            let length = span.1 - span.0;
            for (channel, out) in row.iter_mut().enumerate() {
                let under = &backdrop.blurred[channel][first..][..length];
                let shade = &self.shade[first..][..length];
                let glare = &backdrop.glare[first..][..length];
                out.clear();
                let lit = under.iter().zip(shade).zip(glare);
                out.extend(lit.map(|((under, shade), glare)| under * (1.0 - shade) + glare));
                let plane = &self.between[channel];
                let mut add = |near: usize, weight: f32| {
                    let (from, to) = wide[near];
                    if from < to {
                        let out = &mut out[from - span.0..to - span.0];
                        for (value, change) in out.iter_mut().zip(&plane[near * width + from..]) {
                            *value += weight * change;
                        }
                    }
                };
                add(y, weights[0]);
                for (k, weight) in weights.iter().enumerate().skip(1) {
                    add(y.saturating_sub(k), *weight);
                    add((y + k).min(height - 1), *weight);
                }
            }
            put(y, span.0, [&row[0], &row[1], &row[2]]);
        }
        self.clean(&wide);
    }

    /// Blurs along the rows, from `change` into `between`; gives the columns now touched.
    fn blur_rows(&mut self, weights: &[f32]) -> Spans {
        let (width, reach) = (self.size.0, weights.len() - 1);
        let grow = |&(from, to): &(usize, usize)| {
            if from < to {
                (from.saturating_sub(reach), (to + reach).min(width))
            } else {
                NONE
            }
        };
        let wide: Spans = self.spans.iter().map(grow).collect();
        for (y, (&(from, to), &(left, right))) in self.spans.iter().zip(&wide).enumerate() {
            for (change, between) in self.change.iter().zip(&mut self.between) {
                let change = &change[y * width..][..width];
                let between = &mut between[y * width..][..width];
                for x in from..to.max(from) {
                    let value = change[x];
                    between[x] += weights[0] * value;
                    for (k, weight) in weights.iter().enumerate().skip(1) {
                        // The border continues: what would leave the picture stays in it.
                        between[x.saturating_sub(k).max(left)] += weight * value;
                        between[(x + k).min(right - 1)] += weight * value;
                    }
                }
            }
        }
        wide
    }

    fn clean(&mut self, wide: &Spans) {
        let width = self.size.0;
        for y in 0..self.size.1 {
            let wipe = |plane: &mut Vec<f32>, (from, to): (usize, usize)| {
                if from < to {
                    plane[y * width + from..y * width + to].fill(0.0);
                }
            };
            for plane in self.change.iter_mut().chain(&mut self.between) {
                wipe(plane, wide[y]);
            }
            wipe(&mut self.shade, self.shaded[y]);
        }
        self.spans.fill(NONE);
        self.shaded.fill(NONE);
    }
}

/// A soft step from 0 to 1 over about ±2, smooth at both ends.
fn step(x: f64) -> f64 {
    let t = (0.5 + 0.2 * x).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}
