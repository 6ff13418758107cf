//! Everything that stays the same from frame to frame: dial, needle, camera, light, sensor.

use crate::cover::Cover;
use crate::space::{Camera, Point, Spot};
use serde::{Deserialize, Serialize};

/// Linear light in red, green and blue; 1 is what the sensor just holds.
pub type Colour = [f32; 3];

/// How much care was taken with camera and light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Category {
    /// A careful rig: camera nearly square, even light, little noise.
    Good,
    /// A camera on a bench: tilt up to 20°, glare, shadow, noise.
    Typical,
    /// Poor light, blur, strong noise and compression, shifting camera.
    Hard,
}

/// What kind of dial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Layout {
    /// Arc of 60° to 80°, pivot under a cover.
    Narrow,
    /// Arc of 80° to 120°, pivot under a cover.
    Arc,
    /// Arc of 90° about a corner of the face.
    Corner,
    /// Arc of 235° to 272° about a hub.
    Long,
    /// A straight scale, along which the needle slides.
    Edgewise,
}

/// How the needle moves from zero to full scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Sweep {
    /// It turns clockwise about the pivot by `arc` rad, from `start` rad clockwise of straight up.
    Turn {
        /// Direction of the zero mark, rad.
        start: f64,
        /// Arc of the scale, rad.
        arc: f64,
    },
    /// It slides to the right by `length`, from x = `start`.
    Slide {
        /// Place of the zero mark.
        start: f64,
        /// Length of the scale.
        length: f64,
    },
}

impl Sweep {
    /// The point at `fraction` of the scale, `out` from the pivot along the needle and `aside`
    /// across it.
    pub fn point(&self, fraction: f64, out: f64, aside: f64, height: f64) -> Point {
        match *self {
            Sweep::Turn { start, arc } => {
                let (s, c) = (start + fraction * arc).sin_cos();
                [out * s + aside * c, -out * c + aside * s, height]
            }
            Sweep::Slide { start, length } => {
                [start + fraction * length + aside, 0.5 - out, height]
            }
        }
    }

    /// How long the way is at `out`, in scale radii.
    pub fn way(&self, out: f64) -> f64 {
        match *self {
            Sweep::Turn { arc, .. } => arc * out,
            Sweep::Slide { length, .. } => length,
        }
    }
}

/// The printed dial and its case.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Dial {
    /// Kind.
    pub layout: Layout,
    /// Way of the needle.
    pub sweep: Sweep,
    /// Number of intervals between major marks.
    pub majors: usize,
    /// Intervals between minor marks within a major one; 1: no minor marks.
    pub minors: usize,
    /// Length of major and minor marks, which begin at radius 1; negative: they point inwards.
    pub tick_length: (f64, f64),
    /// Width of major and minor marks.
    pub tick_width: (f64, f64),
    /// Width of the line at radius 1 that joins the marks.
    pub line: Option<f64>,
    /// Inner and outer radius of a mirror band, below which the needle is seen a second time.
    pub mirror: Option<(f64, f64)>,
    /// Radius of a second, unrelated scale, if there is one.
    pub second: Option<f64>,
    /// Value at full scale, as printed.
    pub full_scale: f64,
    /// Unit, as printed.
    pub unit: String,
    /// Height of the numerals.
    pub numeral: f64,
    /// Outline of the face, dial coordinates.
    pub face: Vec<[f64; 2]>,
    /// Outline of the cover or hub above the needle; its height is that of the needle and more.
    pub cover: Vec<[f64; 2]>,
    /// Colours of face, ink, case, cover and the panel around.
    pub colours: DialColours,
}

/// Colours of the dial (share of light thrown back).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DialColours {
    /// The face.
    pub face: Colour,
    /// Marks and lettering.
    pub ink: Colour,
    /// The frame of the case.
    pub case: Colour,
    /// The cover or hub.
    pub cover: Colour,
    /// Everything around.
    pub panel: Colour,
}

/// Shape of the needle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Shape {
    /// The same width everywhere.
    Bar,
    /// A thin stem with a lance-shaped head.
    Lance,
    /// Narrow towards the tip.
    Knife,
}

/// The needle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Needle {
    /// Shape.
    pub shape: Shape,
    /// Colour.
    pub colour: Colour,
    /// Greatest width.
    pub width: f64,
    /// From where to where it reaches along its direction; a negative start is a tail.
    pub reach: (f64, f64),
    /// Height above the dial.
    pub height: f64,
}

/// The light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Light {
    /// Overall exposure: what a surface that throws back everything gives.
    pub level: f64,
    /// Change over half the width and half the height of the picture, as a share.
    pub gradient: (f64, f64),
    /// Loss of light at half the width from the middle, as a share.
    pub vignette: f64,
    /// Where the needle's shadow falls: displacement per height.
    pub shadow_way: (f64, f64),
    /// Share of the light that the shadow takes away.
    pub shadow: f64,
    /// Blur of the shadow, px.
    pub shadow_blur: f64,
    /// Bright spots on the glass.
    pub glare: Vec<Glare>,
}

/// A bright spot on the glass: light that is added.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Glare {
    /// Middle, px.
    pub at: Spot,
    /// Radii along and across, px.
    pub radii: (f64, f64),
    /// Direction, rad.
    pub turned: f64,
    /// Light added in the middle.
    pub peak: f64,
}

/// What the sensor does to the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sensor {
    /// Standard deviation of the point spread, px; at least 0.36.
    pub blur: f64,
    /// Standard deviation of the noise, in steps of the 8-bit picture.
    pub noise: f64,
    /// Quality of the JPEG compression (1 to 100); none: the raw picture.
    pub jpeg: Option<u8>,
}

impl Sensor {
    /// The blur that is still to be added to what soft coverage contains, px.
    pub(crate) fn blur_left(&self) -> f64 {
        (self.blur * self.blur - Cover::SOFTNESS).max(0.0).sqrt()
    }
}

/// A dial in front of a camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scene {
    /// Width and height of the picture, px.
    pub size: (usize, usize),
    /// From which category it was drawn.
    pub category: Category,
    /// The dial.
    pub dial: Dial,
    /// The needle.
    pub needle: Needle,
    /// The camera.
    pub camera: Camera,
    /// The light.
    pub light: Light,
    /// The sensor.
    pub sensor: Sensor,
}
