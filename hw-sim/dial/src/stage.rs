//! A scene set up once, from which frames are taken.

use crate::backdrop::{Backdrop, Plane};
use crate::blur::blur;
use crate::cover::Cover;
use crate::frame::{Frame, PictureError};
use crate::paint::Brush;
use crate::scene::Scene;
use crate::shot::{Disturbance, Shot};
use crate::tone::{Tone, scramble};
use std::f64::consts::{PI, TAU};

/// Exposures of the backdrop that are kept: outside of what the needle touches, a frame has the
/// noise of one of them.
const GRAINS: usize = 8;
/// Places of a swinging needle within one exposure.
const SWINGS: usize = 24;

/// A scene with its backdrop rendered: each frame draws only the needle anew.
pub struct Stage {
    scene: Scene,
    backdrop: Backdrop,
    /// The backdrop without a needle, through the sensor but for the noise.
    developed: Vec<i16>,
    grains: [Vec<u8>; GRAINS],
    brush: Brush,
    tone: Tone,
}

impl Stage {
    /// Renders what doesn't move.
    pub fn new(scene: Scene) -> Self {
        let backdrop = Backdrop::of(&scene);
        let tone = Tone::new();
        let mut developed = vec![0; 3 * backdrop.glare.len()];
        let whole = bare(&backdrop);
        tone.develop(&mut developed, [&whole[0], &whole[1], &whole[2]]);
        Stage {
            brush: Brush::new(scene.size),
            scene,
            backdrop,
            developed,
            grains: Default::default(),
            tone,
        }
    }

    /// The scene.
    pub fn scene(&self) -> &Scene {
        &self.scene
    }

    /// Takes one frame.
    ///
    /// # Errors
    /// When the picture is too large for the compression that the scene asks for.
    pub fn frame(&mut self, shot: &Shot) -> Result<Frame, PictureError> {
        let mut frame = Frame::empty();
        self.frame_into(shot, &mut frame)?;
        Ok(frame)
    }

    /// Takes one frame into an existing one, whose memory is used again.
    ///
    /// # Errors
    /// As [`Stage::frame`].
    pub fn frame_into(&mut self, shot: &Shot, frame: &mut Frame) -> Result<(), PictureError> {
        (frame.width, frame.height) = self.scene.size;
        if shot.disturbances.iter().all(moves_needle) {
            self.needle_only(shot, frame);
        } else {
            self.disturbed(shot, frame);
        }
        match self.scene.sensor.jpeg {
            Some(quality) => frame.compress(quality),
            None => Ok(()),
        }
    }

    fn needle_only(&mut self, shot: &Shot, frame: &mut Frame) {
        let (scene, backdrop, tone) = (&self.scene, &self.backdrop, &self.tone);
        let mut deflections = vec![shot.deflection];
        for disturbance in &shot.disturbances {
            displace(disturbance, scene, &mut deflections);
        }
        self.brush.add(scene, backdrop, &deflections);
        let grain = scramble(shot.seed) as usize % GRAINS;
        let exposed = &mut self.grains[grain];
        if exposed.is_empty() {
            exposed.resize(self.developed.len(), 0);
            tone.expose(&self.developed, scene.sensor.noise, grain as u64, exposed);
        }
        frame.pixels.clear();
        frame.pixels.extend_from_slice(exposed);
        let mut developed = Vec::new();
        self.brush.finish(scene, backdrop, |y, x, lit| {
            developed.resize(3 * lit[0].len(), 0);
            tone.develop(&mut developed, lit);
            let first = 3 * (y * scene.size.0 + x);
            let row = &mut frame.pixels[first..first + developed.len()];
            let seed = scramble(shot.seed ^ (y as u64) << 32);
            tone.expose(&developed, scene.sensor.noise, seed, row);
        });
    }

    fn disturbed(&mut self, shot: &Shot, frame: &mut Frame) {
        let mut scene = self.scene.clone();
        let mut deflections = vec![shot.deflection];
        for disturbance in &shot.disturbances {
            displace(disturbance, &scene, &mut deflections);
            apply(disturbance, &mut scene);
        }
        let anew = (scene != self.scene).then(|| Backdrop::of(&scene));
        let backdrop = anew.as_ref().unwrap_or(&self.backdrop);
        let mut light = bare(backdrop);
        if !deflections.is_empty() {
            self.brush.add(&scene, backdrop, &deflections);
            let width = scene.size.0;
            self.brush.finish(&scene, backdrop, |y, x, lit| {
                for (plane, row) in light.iter_mut().zip(lit) {
                    plane[y * width + x..][..row.len()].copy_from_slice(row);
                }
            });
        }
        for disturbance in &shot.disturbances {
            overlay(disturbance, &mut light, scene.size);
        }
        let mut developed = vec![0; 3 * light[0].len()];
        self.tone
            .develop(&mut developed, [&light[0], &light[1], &light[2]]);
        let noise = scene.sensor.noise;
        frame.pixels.resize(developed.len(), 0);
        self.tone
            .expose(&developed, noise, shot.seed, &mut frame.pixels);
    }
}

/// The backdrop with the light of the glass, without a needle.
fn bare(backdrop: &Backdrop) -> [Plane; 3] {
    let add = |plane: &Plane| {
        plane
            .iter()
            .zip(&backdrop.glare)
            .map(|(a, b)| a + b)
            .collect()
    };
    [0, 1, 2].map(|channel: usize| add(&backdrop.blurred[channel]))
}

/// Whether it does nothing but move the needle.
fn moves_needle(disturbance: &Disturbance) -> bool {
    matches!(
        disturbance,
        Disturbance::Vibration(_) | Disturbance::Moving(_)
    )
}

/// Where the needle stands during the exposure.
fn displace(disturbance: &Disturbance, scene: &Scene, deflections: &mut Vec<f64>) {
    let Some(&middle) = deflections.first() else {
        return;
    };
    match *disturbance {
        Disturbance::NoNeedle => deflections.clear(),
        Disturbance::Vibration(amplitude) => {
            let place = |k: usize| amplitude * (PI * (k as f64 + 0.5) / SWINGS as f64).cos();
            *deflections = (0..SWINGS).map(|k| middle + place(k)).collect();
        }
        Disturbance::Moving(way) => {
            // Places about a pixel apart at the tip.
            let tip = |deflection| scene.needle_axis(deflection).1;
            let (a, b) = (tip(middle - 0.5 * way), tip(middle + 0.5 * way));
            let count = (b[0] - a[0]).hypot(b[1] - a[1]).ceil().clamp(1.0, 48.0);
            let place = |k: usize| way * ((k as f64 + 0.5) / count - 0.5);
            *deflections = (0..count as usize).map(|k| middle + place(k)).collect();
        }
        _ => {}
    }
}

/// What changes the scene itself.
fn apply(disturbance: &Disturbance, scene: &mut Scene) {
    match *disturbance {
        Disturbance::Knocked { by, roll, slide } => {
            scene.camera = scene.camera.knocked(by, roll, slide);
        }
        Disturbance::Glare(spot) => scene.light.glare.push(spot),
        Disturbance::Defocus(sigma) => scene.sensor.blur = scene.sensor.blur.hypot(sigma),
        Disturbance::LightMoved {
            shadow_way,
            gradient,
        } => {
            scene.light.shadow_way = shadow_way;
            scene.light.gradient = gradient;
            scene.light.shadow = scene.light.shadow.max(0.2);
        }
        _ => {}
    }
}

/// What lies over the finished picture.
fn overlay(disturbance: &Disturbance, light: &mut [Plane; 3], size: (usize, usize)) {
    match disturbance {
        Disturbance::Occluded {
            outline,
            colour,
            blur: sigma,
        } => {
            let mut hidden = vec![0.0; size.0 * size.1];
            for (y, x, shares) in Cover::of(outline, size).rows() {
                hidden[y * size.0 + x..][..shares.len()].copy_from_slice(shares);
            }
            blur(&mut hidden, size.0, *sigma);
            for (plane, value) in light.iter_mut().zip(colour) {
                for (under, share) in plane.iter_mut().zip(&hidden) {
                    *under += share * (value - *under);
                }
            }
        }
        Disturbance::Exposure(factor) => {
            for value in light.iter_mut().flatten() {
                *value *= *factor as f32;
            }
        }
        Disturbance::Flicker {
            depth,
            period,
            phase,
        } => {
            for plane in light {
                for (y, row) in plane.chunks_exact_mut(size.0).enumerate() {
                    let swing = (TAU * y as f64 / period + phase).sin();
                    for value in row {
                        *value *= (1.0 + depth * swing) as f32;
                    }
                }
            }
        }
        _ => {}
    }
}
