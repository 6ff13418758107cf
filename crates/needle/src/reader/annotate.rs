//! A picture of a proposal, for a person to check.

use super::picture::Picture;
use super::setup::{DialSetup, Geometry};

/// Colours of what is drawn.
const ZERO: [u8; 3] = [0, 200, 0];
const FULL_SCALE: [u8; 3] = [230, 0, 200];
const LONG: [u8; 3] = [0, 120, 255];
const SHORT: [u8; 3] = [255, 150, 0];
const PIVOT: [u8; 3] = [255, 0, 0];

/// Draws the proposal over a picture of the dial: a dot at each mark found (blue at long ones,
/// orange at short ones), a large green ring at the proposed zero, a large magenta ring at the
/// proposed full scale, a red cross at the pivot. The result is RGB.
pub fn annotate(setup: &DialSetup, picture: &Picture) -> Picture {
    let mut canvas = Canvas::over(picture);
    let unit = (picture.width() as f64 / 640.0).max(1.0);
    for mark in &setup.marks {
        canvas.ring(mark.at, 2.5 * unit, if mark.long { LONG } else { SHORT });
    }
    for (number, colour) in [(setup.zero, ZERO), (setup.full_scale, FULL_SCALE)] {
        let place = setup.place(number);
        for step in 0..4 {
            canvas.ring(place, (7.0 + f64::from(step) * 0.5) * unit, colour);
        }
    }
    if let Geometry::Radial(radial) = &setup.geometry {
        canvas.cross(radial.pivot, 9.0 * unit, PIVOT);
    }
    canvas.finished(picture)
}

/// Samples that are drawn on.
struct Canvas {
    width: usize,
    height: usize,
    samples: Vec<u8>,
}

impl Canvas {
    fn over(picture: &Picture) -> Self {
        let pixels = picture.width() * picture.height();
        let samples = (0..pixels).flat_map(|index| match *picture.pixel(index) {
            [r, g, b] => [r, g, b],
            [grey] => [grey; 3],
            _ => [0; 3],
        });
        Self {
            width: picture.width(),
            height: picture.height(),
            samples: samples.collect(),
        }
    }

    fn dot(&mut self, x: f64, y: f64, colour: [u8; 3]) {
        let (x, y) = (x.round(), y.round());
        if x >= 0.0 && y >= 0.0 && x < self.width as f64 && y < self.height as f64 {
            let at = 3 * (y as usize * self.width + x as usize);
            self.samples[at..at + 3].copy_from_slice(&colour);
        }
    }

    fn ring(&mut self, [x, y]: [f64; 2], radius: f64, colour: [u8; 3]) {
        let steps = (radius * 8.0) as i32;
        for step in 0..steps {
            let (s, c) = (f64::from(step) / f64::from(steps) * std::f64::consts::TAU).sin_cos();
            self.dot(x + radius * c, y + radius * s, colour);
        }
    }

    fn cross(&mut self, [x, y]: [f64; 2], reach: f64, colour: [u8; 3]) {
        for step in -20..=20 {
            let off = f64::from(step) / 20.0 * reach;
            self.dot(x + off, y, colour);
            self.dot(x, y + off, colour);
        }
    }

    fn finished(self, picture: &Picture) -> Picture {
        // The size is that of a picture, so it is one that a picture can have.
        Picture::rgb(self.width, self.height, self.samples).unwrap_or_else(|_| picture.clone())
    }
}
