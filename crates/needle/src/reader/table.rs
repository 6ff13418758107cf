//! The sampling table: where in the picture the needle may be, row by row along the needle and
//! column by column along its way, with the clean plate's tone at each place.

use super::plate::Plate;
use nalgebra::Vector2;

/// How a table is laid out.
#[derive(Clone, Debug)]
pub(crate) struct Layout {
    /// Place on the needle's way of the first column: an angle or a distance.
    pub(crate) first: f64,
    /// From column to column.
    pub(crate) step: f64,
    pub(crate) columns: usize,
    /// Place of each row along the needle, in pixels (from the pivot, where there is one).
    pub(crate) along: Vec<f64>,
    /// Pixels across the needle per unit of its way, in each row.
    pub(crate) across: Vec<f64>,
}

impl Layout {
    pub(crate) fn place(&self, column: f64) -> f64 {
        self.first + column * self.step
    }

    pub(crate) fn column(&self, place: f64) -> f64 {
        (place - self.first) / self.step
    }
}

/// The table.
#[derive(Clone, Debug)]
pub(crate) struct Table {
    pub(crate) layout: Layout,
    points: Vec<[f32; 2]>,
    plate: Vec<f32>,
}

impl Table {
    /// `point` gives the pixel of a place on the way in a row.
    pub(crate) fn new(
        layout: Layout,
        plate: &Plate,
        point: impl Fn(f64, usize) -> Vector2<f64>,
    ) -> Self {
        let mut points = Vec::with_capacity(layout.columns * layout.along.len());
        let mut tones = Vec::with_capacity(points.capacity());
        for row in 0..layout.along.len() {
            for column in 0..layout.columns {
                let at = point(layout.place(column as f64), row);
                let (x, y) = (at.x as f32, at.y as f32);
                points.push([x, y]);
                let tone = plate.plane.at(x, y).filter(|_| plate.sound_at(x, y));
                tones.push(tone.unwrap_or(f32::NAN));
            }
        }
        Self {
            layout,
            points,
            plate: tones,
        }
    }

    pub(crate) fn rows(&self) -> usize {
        self.layout.along.len()
    }

    /// Where a cell lies in the picture of the set-up.
    pub(crate) fn point(&self, row: usize, column: usize) -> [f32; 2] {
        self.points[row * self.layout.columns + column]
    }

    /// The clean plate there; not a number where it is saturated or outside.
    pub(crate) fn plate(&self, row: usize, column: usize) -> f32 {
        self.plate[row * self.layout.columns + column]
    }

    /// The plate's tones of one row.
    pub(crate) fn plate_row(&self, row: usize) -> &[f32] {
        &self.plate[row * self.layout.columns..(row + 1) * self.layout.columns]
    }
}
