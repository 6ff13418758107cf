//! Dial set-up: proposed from pictures, corrected by a person, kept with the dial.

use super::about_pivot;
use super::picture::Picture;
use super::plate::Plate;
use super::refusal::SetupError;
use super::straight::{self, Straight};
use super::stroke::{self, Motion, Pivot};
use super::view::View;
use nalgebra::{Matrix2, Vector2};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// All that is kept of a dial in front of its camera. Places are in pixels; pixel centres lie at
/// whole numbers, from the top left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DialSetup {
    /// Width and height of the pictures.
    pub size: [usize; 2],
    /// Number of the zero mark (marks are numbered from the middle of the scale).
    pub zero: f64,
    /// Number of the full-scale mark.
    pub full_scale: f64,
    /// Number at which the needle rested in the first picture.
    pub rest: f64,
    /// What is printed at full scale, as a person typed it; never read from the picture.
    #[serde(default)]
    pub full_scale_text: Option<String>,
    /// Whether a person has confirmed zero and full scale.
    #[serde(default)]
    pub confirmed: bool,
    /// What a person should look at before confirming; empty when nothing is in doubt.
    pub doubts: Vec<String>,
    /// Scatter of the marks about the fitted scale, in pixels.
    pub mark_rms: f64,
    /// The marks found.
    pub marks: Vec<FoundMark>,
    /// How the dial lies in the picture.
    pub geometry: Geometry,
}

/// A mark of the scale.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FoundMark {
    /// Its number, counted from the middle of the scale.
    pub number: i32,
    /// Where it begins on the common line.
    pub at: [f64; 2],
    /// Whether it is one of the long ones.
    pub long: bool,
}

/// How the dial lies in the picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Geometry {
    /// A needle that turns about a pivot.
    Radial(Radial),
    /// A needle that slides along a straight scale.
    Straight(Straight),
}

/// The misfit beyond which the marks are not those of an evenly divided scale about the pivot. True
/// scales of the tuning campaign reached 1.5; uneven ones, and rows of lettering, began at 12.
pub(crate) const MISFIT: f64 = 3.0;

/// A scale about a pivot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Radial {
    /// The dial plane.
    pub view: View,
    /// Angle from one mark's number to the next, in radians clockwise.
    pub step: f64,
    /// Covariance of the view's parameters and the step, row by row.
    pub covariance: Vec<f64>,
    /// By how much marks and pivot contradict an evenly divided scale: about 1 where they do not.
    pub misfit: f64,
    /// Where the needle's lines meet.
    pub pivot: [f64; 2],
    /// Covariance of the pivot: xx, xy, yy, in square pixels.
    pub pivot_covariance: [f64; 3],
    /// From pivot to tip, in pixels.
    pub reach: f64,
}

impl Radial {
    pub(crate) fn pivot(&self) -> Pivot {
        let [xx, xy, yy] = self.pivot_covariance;
        Pivot {
            at: Vector2::from(self.pivot),
            covariance: Matrix2::new(xx, xy, xy, yy),
        }
    }
}

/// What a person says about a proposal.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Corrections {
    /// Where the zero mark is, in pixels; the nearest mark is taken.
    pub zero: Option<[f64; 2]>,
    /// Where the full-scale mark is, in pixels; the nearest mark is taken.
    pub full_scale: Option<[f64; 2]>,
    /// What is printed at full scale.
    pub full_scale_text: Option<String>,
    /// That zero and full scale are right as they now stand.
    pub confirm: bool,
}

/// How well a person points at a mark, in pixels.
const CLICK: f64 = 4.0;
/// Share of the distance of marks by which a place may be beside the mark that is meant.
const CLEAR: f64 = 0.35;

impl DialSetup {
    /// Proposes a set-up from three to nine pictures. In the first the needle is at rest, in the
    /// others farther and farther up-scale.
    ///
    /// # Errors
    /// What could not be found, and what to do.
    pub fn propose(pictures: &[Picture]) -> Result<Self, SetupError> {
        let plate = Plate::new(pictures)?;
        let mut strokes = Vec::with_capacity(pictures.len());
        for picture in 0..pictures.len() {
            let found = stroke::find(&plate, picture);
            strokes.push(found.map_err(|why| SetupError::NoNeedle { picture, why })?);
        }
        match stroke::motion(&mut strokes) {
            Some(Motion::Turning(pivot)) => about_pivot::propose(&plate, &strokes, pivot),
            Some(Motion::Sliding) => straight::propose(&plate, &strokes),
            None => Err(SetupError::TooLittleMotion(0.0)),
        }
    }

    /// The set-up with a person's corrections.
    ///
    /// # Errors
    /// When a place is not near the scale.
    pub fn corrected(mut self, corrections: &Corrections) -> Result<Self, SetupError> {
        if let Some(place) = corrections.zero {
            self.zero = self.nearest(place)?;
        }
        if let Some(place) = corrections.full_scale {
            self.full_scale = self.nearest(place)?;
        }
        if let Some(text) = &corrections.full_scale_text {
            self.full_scale_text = Some(text.clone());
        }
        if self.zero == self.full_scale {
            return Err(SetupError::Correction(
                "zero and full scale are the same mark".to_owned(),
            ));
        }
        self.confirmed |= corrections.confirm;
        Ok(self)
    }

    /// The set-up of a straight scale after an eye check: what the reader read and what a person
    /// saw, square-on, at two places far apart. A scale about a pivot needs none and is not changed.
    ///
    /// # Errors
    /// When the places are too near to each other, or reader and person disagree grossly.
    pub fn eye_checked(mut self, pairs: [(f64, f64); 2]) -> Result<Self, SetupError> {
        if let Geometry::Straight(straight) = &mut self.geometry {
            straight.check(pairs)?;
            self.doubts.retain(|doubt| doubt != straight::UNCHECKED);
        }
        Ok(self)
    }

    /// Deflection of a mark's number.
    pub fn fraction(&self, number: f64) -> f64 {
        (number - self.zero) / (self.full_scale - self.zero)
    }

    /// Whether the proposal is without doubt.
    pub fn sure(&self) -> bool {
        self.doubts.is_empty()
    }

    /// Where the mark with this number begins.
    pub fn place(&self, number: f64) -> [f64; 2] {
        match &self.geometry {
            Geometry::Radial(radial) => {
                let lens = radial.view.lens();
                lens.project(super::view::polar(number * radial.step, 1.0))
                    .into()
            }
            Geometry::Straight(straight) => straight.place(number),
        }
    }

    /// Numbers that a mark of this scale can have: once around, or as far again as it was found.
    fn numbers(&self) -> std::ops::RangeInclusive<i32> {
        let found = self.marks.iter().map(|mark| mark.number);
        let (low, high) = (found.clone().min().unwrap_or(0), found.max().unwrap_or(0));
        match &self.geometry {
            Geometry::Radial(radial) => {
                let half = (PI / radial.step.abs()) as i32;
                -half..=half
            }
            Geometry::Straight(_) => 2 * low - high - 2..=2 * high - low + 2,
        }
    }

    /// The distance of marks, in pixels, where the place is not clearly at the one with this number:
    /// then the scale as found is not the one on the dial, or is not known well so far away.
    fn between(&self, number: i32, place: [f64; 2]) -> Option<f64> {
        let spot = |number: i32| Vector2::from(self.place(f64::from(number)));
        let along = (spot(number + 1) - spot(number - 1)) / 2.0;
        let gap = along.norm();
        let off = (Vector2::from(place) - spot(number)).dot(&along) / gap;
        (off.abs() > (CLEAR * gap).max(CLICK)).then_some(gap)
    }

    /// Number of the mark nearest to a place in the picture.
    fn nearest(&self, place: [f64; 2]) -> Result<f64, SetupError> {
        let off = |number: i32| {
            let [x, y] = self.place(f64::from(number));
            (x - place[0]).hypot(y - place[1])
        };
        // Marks that were not found may lie beyond those that were.
        let nearest = self.numbers().min_by(|a, b| off(*a).total_cmp(&off(*b)));
        let nearest = nearest.unwrap_or(0);
        let limit = self.size[0] as f64 / 20.0;
        if off(nearest) >= limit {
            return Err(SetupError::Correction(format!(
                "({:.0}, {:.0}) is {:.0} pixels from the scale",
                place[0],
                place[1],
                off(nearest)
            )));
        }
        if let Some(gap) = self.between(nearest, place) {
            return Err(SetupError::Correction(format!(
                "({:.0}, {:.0}) lies between two marks, which are {gap:.0} pixels apart",
                place[0], place[1]
            )));
        }
        Ok(f64::from(nearest))
    }
}
