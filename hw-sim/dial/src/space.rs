//! Points in space, and the camera that maps them into the picture.
//!
//! Dial coordinates: the pivot (or the middle of a straight scale) is the origin, x to the right,
//! y *down*, height towards the camera; the unit is the radius of the scale. Picture coordinates:
//! pixels, x to the right, y down, the picture's first pixel covers 0…1 in both.

use serde::{Deserialize, Serialize};

/// A point of the picture, px.
pub type Spot = [f64; 2];
/// A point in dial coordinates: x, y, height.
pub type Point = [f64; 3];

/// A pinhole camera with one radial term: a ray (a, b, 1) meets the picture at
/// centre + focal · (a, b) · (1 + radial · (a² + b²)).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Camera {
    /// Focal length, px.
    pub focal: f64,
    /// Where the optical axis meets the picture, px.
    pub centre: Spot,
    /// Radial lens term.
    pub radial: f64,
    /// Rows of the rotation from dial axes (x, y, −height) to camera axes (right, down, ahead).
    pub turn: [[f64; 3]; 3],
    /// The dial's origin in camera axes.
    pub shift: Point,
}

impl Camera {
    /// Where a point of the dial appears.
    pub fn project(&self, point: Point) -> Spot {
        let flat = [point[0], point[1], -point[2]];
        let [x, y, z] = add(apply(&self.turn, flat), self.shift);
        let (a, b) = (x / z, y / z);
        let stretch = self.focal * (1.0 + self.radial * (a * a + b * b));
        [self.centre[0] + stretch * a, self.centre[1] + stretch * b]
    }

    /// The camera after a knock that moves the picture by about `by` px and turns it by `roll`
    /// rad. The share `slide` of the way is the camera sliding sideways, the rest its turning.
    pub fn knocked(&self, by: Spot, roll: f64, slide: f64) -> Camera {
        let pan = |way: f64| (1.0 - slide) * way / self.focal;
        let turned = times(
            &about_z(roll),
            &times(&about_x(-pan(by[1])), &about_y(pan(by[0]))),
        );
        let away = slide * self.shift[2] / self.focal;
        let shift = [
            self.shift[0] + away * by[0],
            self.shift[1] + away * by[1],
            self.shift[2],
        ];
        Camera {
            turn: times(&turned, &self.turn),
            shift: apply(&turned, shift),
            ..self.clone()
        }
    }
}

/// Rotation that tilts the dial by `tilt` rad about the axis at `azimuth` rad in its plane, then
/// rolls the picture by `roll` rad.
pub(crate) fn tilted(tilt: f64, azimuth: f64, roll: f64) -> [[f64; 3]; 3] {
    let there = about_z(azimuth);
    let back = about_z(-azimuth);
    times(
        &about_z(roll),
        &times(&there, &times(&about_x(tilt), &back)),
    )
}

fn about_x(angle: f64) -> [[f64; 3]; 3] {
    let (s, c) = angle.sin_cos();
    [[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]]
}

fn about_y(angle: f64) -> [[f64; 3]; 3] {
    let (s, c) = angle.sin_cos();
    [[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]]
}

fn about_z(angle: f64) -> [[f64; 3]; 3] {
    let (s, c) = angle.sin_cos();
    [[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]
}

pub(crate) fn apply(m: &[[f64; 3]; 3], v: Point) -> Point {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

fn add(a: Point, b: Point) -> Point {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

fn times(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    a.map(|row| {
        let cell = |k: usize| row[0] * b[0][k] + row[1] * b[1][k] + row[2] * b[2][k];
        [cell(0), cell(1), cell(2)]
    })
}
