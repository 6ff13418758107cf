//! One of several dials in a picture.

use super::CameraError;
use crate::reader::Picture;

/// A rectangle of a picture, px.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Region {
    /// First column.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Region {
    /// This part of the picture as a picture of its own.
    ///
    /// # Errors
    /// When it reaches beyond the picture or is too small.
    pub fn of(&self, picture: &Picture) -> Result<Picture, CameraError> {
        let damaged = |why: String| CameraError::Damaged(why);
        let right = self.left.saturating_add(self.width);
        let bottom = self.top.saturating_add(self.height);
        if right > picture.width() || bottom > picture.height() {
            return Err(damaged(format!(
                "the dial's region reaches to column {right} and row {bottom}, the picture only to \
                 {} and {}",
                picture.width(),
                picture.height()
            )));
        }
        let channels = picture.channels();
        let rows = picture.samples().chunks_exact(picture.width() * channels);
        let part = |row: &'_ [u8]| row[self.left * channels..right * channels].to_vec();
        let samples = rows
            .skip(self.top)
            .take(self.height)
            .flat_map(part)
            .collect();
        let made = match channels {
            1 => Picture::grey(self.width, self.height, samples),
            _ => Picture::rgb(self.width, self.height, samples),
        };
        made.map_err(|error| damaged(error.to_string()))
    }
}
