//! What is true of a scene, for tests only: a reader must find it out from pictures.

use crate::scene::{Scene, Sweep};
use crate::space::Spot;

/// A mark of the scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Its place on the scale: 0 at zero, 1 at full scale.
    pub fraction: f64,
    /// Whether it is a major mark.
    pub major: bool,
    /// Where its centre line begins at radius 1, px.
    pub near: Spot,
    /// Where its centre line ends, px.
    pub far: Spot,
}

/// The truth. Places are in pixels; the first pixel covers 0…1, its middle is at 0.5.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Every mark of the main scale, in order.
    pub marks: Vec<Mark>,
    /// The pivot in the needle's plane; none for a straight scale.
    pub pivot: Option<Spot>,
    /// The dial's centre in the dial's plane; none for a straight scale.
    pub dial_centre: Option<Spot>,
    /// Arc of the scale, rad; none for a straight scale.
    pub arc: Option<f64>,
    /// Where the zero mark begins, px.
    pub zero: Spot,
    /// Where the full-scale mark begins, px.
    pub full_scale: Spot,
}

impl Scene {
    /// What is true of this scene.
    pub fn truth(&self) -> Truth {
        let sweep = self.dial.sweep;
        let project = |point| self.camera.project(point);
        let steps = self.dial.majors * self.dial.minors;
        let mark = |step: usize| {
            let major = step.is_multiple_of(self.dial.minors);
            let fraction = step as f64 / steps as f64;
            let length = self.dial.length_of(major);
            Mark {
                fraction,
                major,
                near: project(sweep.point(fraction, 1.0, 0.0, 0.0)),
                far: project(sweep.point(fraction, 1.0 + length, 0.0, 0.0)),
            }
        };
        let radial = match sweep {
            Sweep::Turn { arc, .. } => Some(arc),
            Sweep::Slide { .. } => None,
        };
        Truth {
            marks: (0..=steps).map(mark).collect(),
            pivot: radial.map(|_| project([0.0, 0.0, self.needle.height])),
            dial_centre: radial.map(|_| project([0.0, 0.0, 0.0])),
            arc: radial,
            zero: project(sweep.point(0.0, 1.0, 0.0, 0.0)),
            full_scale: project(sweep.point(1.0, 1.0, 0.0, 0.0)),
        }
    }

    /// Where the needle's axis begins and ends at this deflection, px.
    pub fn needle_axis(&self, deflection: f64) -> (Spot, Spot) {
        let (from, to) = self.needle.reach;
        let end = |out| {
            let point = self
                .dial
                .sweep
                .point(deflection, out, 0.0, self.needle.height);
            self.camera.project(point)
        };
        (end(from), end(to))
    }
}
