//! All that the needle moves in front of, rendered once.

use crate::blur::blur;
use crate::cover::Cover;
use crate::plan::{lift, seen};
use crate::scene::{Colour, Glare, Light, Scene};
use crate::space::{Camera, Point};

/// One value per pixel.
pub(crate) type Plane = Vec<f32>;

/// The rendered surroundings of the needle, in linear light.
#[derive(Debug, Clone)]
pub(crate) struct Backdrop {
    /// Sharp, without glare.
    pub sharp: [Plane; 3],
    /// As the lens blurs it, without glare.
    pub blurred: [Plane; 3],
    /// Light added by the glass.
    pub glare: Plane,
    /// Share of each pixel in which the needle can be seen.
    pub open: Plane,
    /// Share of each pixel that the mirror band covers; empty without one.
    pub mirror: Plane,
}

impl Backdrop {
    pub fn of(scene: &Scene) -> Self {
        let mut canvas = Canvas::new(scene);
        let (dial, colours) = (&scene.dial, &scene.dial.colours);
        canvas.paint(&lift(&scene.case(), 0.06), colours.case);
        for screw in scene.screws() {
            canvas.paint(&screw.0, screw.1);
        }
        canvas.paint(&lift(&dial.face, 0.0), colours.face);
        let mirror = match dial.mirror {
            None => Plane::new(),
            Some((inner, outer)) => {
                let band = dial.band(inner, outer);
                canvas.paint(&band, MIRROR);
                canvas.coverage(std::slice::from_ref(&band))
            }
        };
        let mut ink = dial.marks();
        ink.extend(dial.lettering());
        let print = canvas.coverage(&ink);
        canvas.blend(&print, colours.ink);
        let top = lift(&dial.cover, scene.needle.height + 0.03);
        let cover = canvas.coverage(std::slice::from_ref(&top));
        canvas.blend(&cover, colours.cover);
        let mut sharp = canvas.planes;
        light_up(&mut sharp, scene);
        let mut blurred = sharp.clone();
        for plane in &mut blurred {
            blur(plane, scene.size.0, scene.sensor.blur_left());
        }
        Backdrop {
            sharp,
            blurred,
            glare: glare(&scene.light.glare, scene.size),
            open: cover.iter().map(|share| 1.0 - share).collect(),
            mirror,
        }
    }
}

/// What a mirror band shows of the room.
pub(crate) const MIRROR: Colour = [0.42, 0.43, 0.45];

/// A picture of surfaces, before light falls on it.
struct Canvas<'a> {
    camera: &'a Camera,
    size: (usize, usize),
    planes: [Plane; 3],
}

impl<'a> Canvas<'a> {
    fn new(scene: &'a Scene) -> Self {
        let pixels = scene.size.0 * scene.size.1;
        Canvas {
            camera: &scene.camera,
            size: scene.size,
            planes: scene.dial.colours.panel.map(|value| vec![value; pixels]),
        }
    }

    fn paint(&mut self, outline: &[Point], colour: Colour) {
        let cover = Cover::soft(&seen(self.camera, outline), self.size);
        for (y, x, shares) in cover.rows() {
            for (plane, value) in self.planes.iter_mut().zip(colour) {
                let row = &mut plane[y * self.size.0 + x..][..shares.len()];
                for (under, share) in row.iter_mut().zip(shares) {
                    *under += share * (value - *under);
                }
            }
        }
    }

    /// Coverage of several polygons together; where they overlap, that of the larger share.
    fn coverage(&self, outlines: &[Vec<Point>]) -> Plane {
        let mut all = vec![0.0f32; self.size.0 * self.size.1];
        for outline in outlines {
            let cover = Cover::soft(&seen(self.camera, outline), self.size);
            for (y, x, shares) in cover.rows() {
                let row = &mut all[y * self.size.0 + x..][..shares.len()];
                for (total, share) in row.iter_mut().zip(shares) {
                    *total = total.max(*share);
                }
            }
        }
        all
    }

    fn blend(&mut self, cover: &[f32], colour: Colour) {
        for (plane, value) in self.planes.iter_mut().zip(colour) {
            for (under, share) in plane.iter_mut().zip(cover) {
                *under += share * (value - *under);
            }
        }
    }
}

impl Light {
    /// Light that falls at a pixel of a picture of this size.
    pub(crate) fn at(&self, x: usize, y: usize, size: (usize, usize)) -> f32 {
        let half = 0.5 * size.0 as f64;
        let u = (x as f64 + 0.5) / half - 1.0;
        let v = (y as f64 + 0.5 - 0.5 * size.1 as f64) / half;
        let slope = 1.0 + self.gradient.0 * u + self.gradient.1 * v;
        (self.level * slope.max(0.05) * (1.0 - self.vignette * (u * u + v * v))) as f32
    }
}

fn light_up(planes: &mut [Plane; 3], scene: &Scene) {
    let (width, height) = scene.size;
    for y in 0..height {
        for x in 0..width {
            let light = scene.light.at(x, y, scene.size);
            for plane in planes.iter_mut() {
                plane[y * width + x] *= light;
            }
        }
    }
}

/// The sum of all bright spots.
pub(crate) fn glare(spots: &[Glare], size: (usize, usize)) -> Plane {
    let mut plane = vec![0.0; size.0 * size.1];
    for spot in spots {
        let (s, c) = spot.turned.sin_cos();
        let reach = 3.5 * spot.radii.0.max(spot.radii.1);
        let range = |middle: f64, most: usize| {
            let first = (middle - reach).clamp(0.0, most as f64) as usize;
            first..(middle + reach).clamp(0.0, most as f64) as usize
        };
        for y in range(spot.at[1], size.1) {
            for x in range(spot.at[0], size.0) {
                let (dx, dy) = (x as f64 + 0.5 - spot.at[0], y as f64 + 0.5 - spot.at[1]);
                let along = (c * dx + s * dy) / spot.radii.0;
                let across = (c * dy - s * dx) / spot.radii.1;
                let fall = (-0.5 * (along * along + across * across)).exp();
                plane[y * size.0 + x] += (spot.peak * fall) as f32;
            }
        }
    }
    plane
}
