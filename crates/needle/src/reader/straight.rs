//! Straight scales: the needle slides across them.

use super::plate::Plate;
use super::refusal::SetupError;
use super::setup::DialSetup;
use super::stroke::Stroke;
use super::table::{Layout, Table};
use super::trace::Trace;
use serde::{Deserialize, Serialize};

/// A straight scale in the picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Straight {
    /// Where the marks begin at distance 0 along the scale.
    pub origin: [f64; 2],
}

impl Straight {
    pub(crate) fn check(&mut self, _pairs: [(f64, f64); 2]) -> Result<(), SetupError> {
        Ok(())
    }
    pub(crate) fn place(&self, _number: f64) -> [f64; 2] {
        self.origin
    }
}

pub(crate) fn propose(_plate: &Plate, _strokes: &[Stroke]) -> Result<DialSetup, SetupError> {
    Err(SetupError::NoScale("straight".to_owned()))
}

pub(crate) struct Rail {}

impl Rail {
    pub(crate) fn new(_setup: &DialSetup, _straight: &Straight) -> Self {
        Self {}
    }
    pub(crate) fn table(&self, plate: &Plate) -> Table {
        let layout = Layout {
            first: 0.0,
            step: 1.0,
            columns: 0,
            along: vec![],
            across: vec![],
        };
        Table::new(layout, plate, |_, _| nalgebra::Vector2::zeros())
    }
    pub(crate) fn window(&self) -> f64 {
        0.0
    }
    pub(crate) fn level(&self) -> f64 {
        0.0
    }
    pub(crate) fn floor(&self) -> f64 {
        0.0
    }
    pub(crate) fn geometry(&self) -> Vec<(f64, f64)> {
        Vec::new()
    }
    pub(crate) fn deflection(&self, _trace: &Trace) -> (f64, f64) {
        (0.0, 0.0)
    }
}
