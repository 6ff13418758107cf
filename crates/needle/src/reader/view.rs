//! How the dial plane appears in the picture: a pinhole camera with one radial term.
//!
//! On the dial plane x points right, y down as in a picture, the centre of the scale is the
//! origin, and the unit is the radius on which the tick marks begin. Angles are clockwise from up.

use nalgebra::{Matrix3, Rotation3, Vector2, Vector3};
use serde::{Deserialize, Serialize};

/// Numbers that describe a view.
pub(crate) const UNKNOWNS: usize = 8;

/// Height of a needle above its dial and that height's standard deviation, in dial radii: 1 to 3 mm on
/// dials of 30 to 80 mm radius (common practice).
pub(crate) const HEIGHT: (f64, f64) = (0.035, 0.02);

/// By how much a needle of the usual height may move on its dial when the camera slides, as a share of the
/// picture's move; the camera is `away` dial radii from it.
pub(crate) fn parallax(away: f64) -> f64 {
    (HEIGHT.0 + HEIGHT.1) / away
}

/// A view of a plane.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// Picture size in pixels.
    size: [f64; 2],
    /// Rotation vector of the plane, in radians.
    turn: [f64; 3],
    /// Place of the plane's origin before the camera, in dial radii.
    place: [f64; 3],
    /// Natural logarithm of the focal length in pixels.
    ln_focal: f64,
    /// Radial term: share by which a point half a picture's width off the middle is moved out.
    radial: f64,
}

impl View {
    /// A view square on: origin at `at`, `scale` pixels per unit, `roll` clockwise in radians.
    pub(crate) fn square(
        (width, height): (usize, usize),
        at: Vector2<f64>,
        scale: f64,
        roll: f64,
    ) -> Self {
        let focal = width as f64;
        let away = focal / scale;
        let middle = middle([width as f64, height as f64]);
        let aside = (at - middle) / scale;
        Self {
            size: [width as f64, height as f64],
            turn: [0.0, 0.0, roll],
            place: [aside.x, aside.y, away],
            ln_focal: focal.ln(),
            radial: 0.0,
        }
    }

    /// The same, tilted by `about_x` and `about_y` radians before the camera.
    pub(crate) fn tilted(mut self, about_x: f64, about_y: f64) -> Self {
        let tilt = Rotation3::new(Vector3::new(about_x, about_y, 0.0));
        let turned = tilt * Rotation3::new(Vector3::from(self.turn));
        self.turn = turned.scaled_axis().into();
        self
    }

    /// Parameters as one list: turn, place, ln focal, radial.
    pub(crate) fn unknowns(&self) -> [f64; UNKNOWNS] {
        let [a, b, c] = self.turn;
        let [x, y, z] = self.place;
        [a, b, c, x, y, z, self.ln_focal, self.radial]
    }

    /// The same, seen through a focal length longer by this factor from so much further away.
    pub(crate) fn longer(mut self, factor: f64) -> Self {
        self.ln_focal += factor.ln();
        self.place[2] *= factor;
        self
    }

    /// The same picture size with other parameters.
    pub(crate) fn with(&self, unknowns: &[f64]) -> Self {
        let at = |index: usize| unknowns.get(index).copied().unwrap_or(f64::NAN);
        Self {
            size: self.size,
            turn: [at(0), at(1), at(2)],
            place: [at(3), at(4), at(5)],
            ln_focal: at(6),
            radial: at(7),
        }
    }

    /// Width of the picture in pixels.
    pub(crate) fn width(&self) -> f64 {
        self.size[0]
    }

    /// The view made ready for many points.
    pub(crate) fn lens(&self) -> Lens {
        let rotation = Rotation3::new(Vector3::from(self.turn));
        let matrix = rotation.matrix();
        // A point (x, y) of the plane lies at x·first + y·second + place.
        let flat = Matrix3::from_columns(&[
            matrix.column(0).into_owned(),
            matrix.column(1).into_owned(),
            Vector3::from(self.place),
        ]);
        Lens {
            ahead: matrix.column(2).into_owned(),
            flat,
            back: flat.try_inverse().unwrap_or_else(Matrix3::zeros),
            focal: self.ln_focal.exp(),
            half: self.size[0] / 2.0,
            radial: self.radial,
            middle: middle(self.size),
        }
    }

    /// By how many pixels a needle of the usual height may move on its dial with each pixel by which the
    /// picture moves when its camera slides.
    pub(crate) fn parallax(&self) -> f64 {
        parallax(Vector3::from(self.place).norm())
    }

    /// Angle between the line of sight to the origin and the plane's normal, in radians.
    pub(crate) fn tilt(&self) -> f64 {
        let normal = Rotation3::new(Vector3::from(self.turn)) * Vector3::z();
        let sight = Vector3::from(self.place).normalize();
        normal.dot(&sight).clamp(-1.0, 1.0).acos()
    }
}

/// Middle of a picture, where pixel centres lie at whole numbers.
fn middle(size: [f64; 2]) -> Vector2<f64> {
    Vector2::new((size[0] - 1.0) / 2.0, (size[1] - 1.0) / 2.0)
}

/// A view with its matrices worked out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lens {
    /// The plane's normal, away from the camera.
    ahead: Vector3<f64>,
    flat: Matrix3<f64>,
    back: Matrix3<f64>,
    focal: f64,
    half: f64,
    radial: f64,
    middle: Vector2<f64>,
}

impl Lens {
    /// Where a point of the dial plane appears.
    pub(crate) fn project(&self, point: Vector2<f64>) -> Vector2<f64> {
        self.bent(self.flat * Vector3::new(point.x, point.y, 1.0))
    }

    /// Where a point `height` above the plane's origin appears.
    pub(crate) fn above(&self, height: f64) -> Vector2<f64> {
        self.bent(self.flat.column(2) - self.ahead * height)
    }

    fn bent(&self, seen: Vector3<f64>) -> Vector2<f64> {
        let straight = Vector2::new(seen.x, seen.y) * (self.focal / seen.z);
        let out = straight.norm_squared() / (self.half * self.half);
        self.middle + straight * (1.0 + self.radial * out)
    }

    /// Which point of the dial plane appears at `pixel`.
    pub(crate) fn back(&self, pixel: Vector2<f64>) -> Vector2<f64> {
        let bent = pixel - self.middle;
        let mut straight = bent;
        for _ in 0..6 {
            let out = straight.norm_squared() / (self.half * self.half);
            straight = bent / (1.0 + self.radial * out);
        }
        let ray = Vector3::new(straight.x / self.focal, straight.y / self.focal, 1.0);
        let point = self.back * ray;
        Vector2::new(point.x / point.z, point.y / point.z)
    }

    /// Pixels per unit near a point of the plane, the geometric mean of all directions.
    pub(crate) fn scale_at(&self, point: Vector2<f64>) -> f64 {
        let step = 1e-4;
        let here = self.project(point);
        let x = (self.project(point + Vector2::new(step, 0.0)) - here) / step;
        let y = (self.project(point + Vector2::new(0.0, step)) - here) / step;
        (x.x * y.y - x.y * y.x).abs().sqrt()
    }
}

/// The point at `angle` (radians clockwise from up) and `radius` from the origin.
pub(crate) fn polar(angle: f64, radius: f64) -> Vector2<f64> {
    Vector2::new(angle.sin(), -angle.cos()) * radius
}

/// Angle of a vector, clockwise from up, in (−π, π].
pub(crate) fn angle_of(vector: Vector2<f64>) -> f64 {
    vector.x.atan2(-vector.y)
}

/// The same angle within π of `near`.
pub(crate) fn wrap(angle: f64, near: f64) -> f64 {
    use std::f64::consts::{PI, TAU};
    (angle - near + PI).rem_euclid(TAU) - PI + near
}

#[cfg(test)]
mod tests {
    use super::*;

    fn aslant() -> View {
        let square = View::square((1280, 720), Vector2::new(600.0, 500.0), 320.0, 0.3);
        let mut unknowns = square.tilted(0.25, -0.2).unknowns();
        unknowns[7] = 0.03;
        square.with(&unknowns)
    }

    #[test]
    fn back_undoes_project() {
        let lens = aslant().lens();
        for (angle, radius) in [(-1.2, 1.0), (0.1, 0.3), (0.9, 1.2)] {
            let point = polar(angle, radius);
            let again = lens.back(lens.project(point));
            assert!((again - point).norm() < 1e-6, "{point} {again}");
        }
    }

    #[test]
    fn a_square_view_is_a_similarity() {
        let lens = View::square((1280, 720), Vector2::new(600.0, 500.0), 320.0, 0.3).lens();
        let at = lens.project(polar(-0.3, 0.5));
        assert!((at - Vector2::new(600.0, 340.0)).norm() < 1e-9, "{at}");
        assert!((lens.scale_at(Vector2::zeros()) - 320.0).abs() < 1e-3);
    }

    /// At 4 radii before a camera of 1280 pixels: a point on the sight's axis stays there, whatever its
    /// height; seen 0.2 rad aslant, it moves by 320 · h · sin(0.2) / (1 − h/4 · cos(0.2)).
    #[test]
    fn a_point_above_the_plane_moves_as_the_plane_leans() {
        let square = View::square((1280, 720), Vector2::new(639.5, 359.5), 320.0, 0.0);
        let middle = Vector2::new(639.5, 359.5);
        assert!((square.lens().above(0.05) - middle).norm() < 1e-9);
        let shift = square.tilted(0.0, 0.2).lens().above(0.05) - middle;
        let wanted = 320.0 * 0.05 * 0.2f64.sin() / (1.0 - 0.05 / 4.0 * 0.2f64.cos());
        assert!(
            (shift.x + wanted).abs() < 1e-9 && shift.y.abs() < 1e-9,
            "{shift}"
        );
    }

    #[test]
    fn tilt_is_that_of_the_plane() {
        let square = View::square((1280, 720), Vector2::new(639.5, 359.5), 320.0, 0.0);
        assert!(square.tilt().abs() < 1e-9);
        assert!((square.tilted(0.2, 0.0).tilt() - 0.2).abs() < 1e-9);
    }
}
