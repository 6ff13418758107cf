//! Reading a needle that turns: the table about the pivot in true angles, and how uncertain the
//! dial's geometry leaves a deflection.

use super::plane::SMALL;
use super::plate::Plate;
use super::setup::{DialSetup, Radial};
use super::table::{Layout, Table};
use super::trace::Trace;
use super::view::{Lens, View, angle_of, polar, wrap};
use super::warp::Warp;
use nalgebra::{DMatrix, Matrix2, Vector2};

/// How far the table goes beyond zero and full scale: share of the arc, and the most in radians.
const BEYOND: (f64, f64) = (0.09, 0.245);
/// From row to row, in pixels.
const ROW: f64 = 2.0;
/// Half the angle over which edges are looked for.
pub(crate) const WINDOW: f64 = 0.14;

/// The needle's pivot on the dial plane.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Hub {
    pub(crate) at: Vector2<f64>,
    /// Covariance in square pixels.
    pub(crate) covariance: Matrix2<f64>,
}

impl Hub {
    /// Standard uncertainty in pixels, in the worst direction.
    pub(crate) fn sigma(&self) -> f64 {
        self.covariance
            .symmetric_eigenvalues()
            .max()
            .max(0.0)
            .sqrt()
    }
}

/// A dial with a pivot, ready to be read.
#[derive(Clone, Debug)]
pub(crate) struct Dial {
    view: View,
    lens: Lens,
    step: f64,
    zero: f64,
    full_scale: f64,
    /// Pixels per dial radius.
    pub(crate) scale: f64,
    reach: f64,
    pub(crate) hub: Hub,
}

impl Dial {
    pub(crate) fn new(setup: &DialSetup, radial: &Radial) -> Self {
        let lens = radial.view.lens();
        let pivot = radial.pivot();
        Self {
            view: radial.view,
            lens,
            step: radial.step,
            zero: setup.zero,
            full_scale: setup.full_scale,
            scale: lens.scale_at(Vector2::zeros()),
            reach: radial.reach,
            hub: Hub {
                at: lens.back(pivot.at),
                covariance: pivot.covariance,
            },
        }
    }

    /// Angle of the whole scale, with its sign.
    pub(crate) fn arc(&self) -> f64 {
        (self.full_scale - self.zero) * self.step
    }

    /// The table about the pivot.
    pub(crate) fn table(&self, plate: &Plate) -> Table {
        let arc = self.arc();
        let beyond = (BEYOND.0 * arc.abs()).clamp(0.08, BEYOND.1) * arc.signum();
        let (from, to) = (
            self.zero * self.step - beyond,
            self.full_scale * self.step + beyond,
        );
        let tip = self.reach / self.scale;
        let rows = ((self.reach * 0.92 + 0.12 * self.scale) / ROW) as usize;
        let along: Vec<f64> = (0..rows)
            .map(|row| 0.08 * self.reach + row as f64 * ROW)
            .collect();
        let step = 1.0 / (tip * self.scale);
        let layout = Layout {
            first: from.min(to),
            step,
            columns: ((to - from).abs() / step) as usize + 1,
            across: along.clone(),
            along,
        };
        let radii: Vec<f64> = layout
            .along
            .iter()
            .map(|along| along / self.scale)
            .collect();
        Table::new(layout, plate, |angle, row| {
            self.lens.project(self.hub.at + polar(angle, radii[row]))
        })
    }

    /// The pivot as the needle's lines in the set-up pictures have it.
    pub(crate) fn with_hub_from(mut self, traces: &[Trace]) -> Self {
        let known = self
            .hub
            .covariance
            .try_inverse()
            .unwrap_or_else(Matrix2::zeros);
        let mut information = known / 4.0;
        let mut right = Vector2::zeros();
        let mut square = 0.0;
        for trace in traces {
            let angle = trace.peak;
            let across = Vector2::new(angle.cos(), angle.sin());
            let sigma = (2.0 * trace.fit.sigma_at(0.0)).max(0.03);
            let weight = 1.0 / (sigma * sigma);
            information += across * across.transpose() * weight;
            right += across * (weight * trace.fit.a);
            square += weight * trace.fit.a * trace.fit.a;
        }
        if let Some(covariance) = information.try_inverse() {
            let shift = covariance * right;
            let left = square - right.dot(&shift);
            let free = (traces.len() as f64 - 1.0).max(1.0);
            self.hub = Hub {
                at: self.hub.at + shift / self.scale,
                covariance: covariance * (left / free).max(1.0),
            };
        }
        self
    }

    /// How far the needle's axis may appear beside where it was set up, in pixels, once the camera has
    /// moved: one that slides sees what stands above the plane move on it.
    pub(crate) fn aside(&self, warp: &Warp) -> f64 {
        let axis = self.lens.project(self.hub.at);
        (warp.apply(axis) - axis).norm() * self.view.parallax()
    }

    /// Standard uncertainty of the needle's angle, in radians, from what is not known of the picture's
    /// move.
    pub(crate) fn turned(&self, trace: &Trace, warp: &Warp) -> f64 {
        let tip = self.hub.at + polar(self.angle(trace), self.reach / self.scale);
        let (axis, tip) = (self.lens.project(self.hub.at), self.lens.project(tip));
        warp.sigma_across(axis, tip) / (tip - axis).norm().max(1.0)
    }

    /// Angle of the needle from its trace.
    pub(crate) fn angle(&self, trace: &Trace) -> f64 {
        trace.peak + trace.fit.b.atan()
    }

    /// Deflection at an angle.
    pub(crate) fn deflection(&self, angle: f64) -> f64 {
        (angle / self.step - self.zero) / (self.full_scale - self.zero)
    }

    /// Standard uncertainty of a deflection from the fitted plane, at places along the scale.
    pub(crate) fn geometry(&self, radial: &Radial) -> Vec<(f64, f64)> {
        let size = SMALL.len();
        if radial.covariance.len() != size * size {
            return Vec::new();
        }
        let covariance = DMatrix::from_row_slice(size, size, &radial.covariance);
        let Some(root) = covariance.cholesky() else {
            return Vec::new();
        };
        let root = root.l();
        let mut unknowns = self.view.unknowns().to_vec();
        unknowns.push(self.step);
        let places = (-2..=22).map(|index| f64::from(index) / 20.0);
        places
            .map(|fraction| {
                let number = self.zero + fraction * (self.full_scale - self.zero);
                let angle = number * self.step;
                let near = self.lens.project(self.hub.at + polar(angle, 0.35));
                let far = self.lens.project(self.hub.at + polar(angle, 0.9));
                let square: f64 = (0..size)
                    .map(|column| {
                        // One part in ten of a standard deviation, for the slope.
                        let changed: Vec<f64> = (unknowns.iter())
                            .zip(root.column(column).iter())
                            .map(|(x, dx)| x + 0.1 * dx)
                            .collect();
                        let (view, step) = super::plane::split(&self.view, &changed);
                        let lens = view.lens();
                        let seen = angle_of(lens.back(far) - lens.back(near));
                        let moved = wrap(seen, angle) / step - number;
                        (10.0 * moved / (self.full_scale - self.zero)).powi(2)
                    })
                    .sum();
                (fraction, square.sqrt())
            })
            .collect()
    }
}
