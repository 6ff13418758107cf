//! Pictures: grey or RGB, eight bits, and how they become one tone.

use thiserror::Error;

/// Smallest side of a picture that the reader works on, in pixels.
const SMALLEST: usize = 64;
/// Largest side of a picture, in pixels.
const LARGEST: usize = 8192;

/// A picture, row by row from the top left; grey (one sample a pixel) or RGB (three).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    width: usize,
    height: usize,
    channels: usize,
    samples: Vec<u8>,
}

/// Why samples are no picture.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum PictureError {
    /// A side is outside what can be read.
    #[error("a picture of {0} × {1} pixels; each side must have {SMALLEST} to {LARGEST}")]
    Size(usize, usize),
    /// The number of samples does not fit the size.
    #[error("{given} samples where {expected} were expected")]
    Samples {
        /// Samples handed over.
        given: usize,
        /// Samples that the size asks for.
        expected: usize,
    },
}

impl Picture {
    /// A grey picture.
    ///
    /// # Errors
    /// When size and samples do not fit.
    pub fn grey(width: usize, height: usize, samples: Vec<u8>) -> Result<Self, PictureError> {
        Self::new(width, height, 1, samples)
    }

    /// An RGB picture, three samples a pixel.
    ///
    /// # Errors
    /// When size and samples do not fit.
    pub fn rgb(width: usize, height: usize, samples: Vec<u8>) -> Result<Self, PictureError> {
        Self::new(width, height, 3, samples)
    }

    pub(crate) fn new(
        width: usize,
        height: usize,
        channels: usize,
        samples: Vec<u8>,
    ) -> Result<Self, PictureError> {
        let sides = SMALLEST..=LARGEST;
        if !sides.contains(&width) || !sides.contains(&height) {
            return Err(PictureError::Size(width, height));
        }
        let expected = width * height * channels;
        if samples.len() != expected {
            return Err(PictureError::Samples {
                given: samples.len(),
                expected,
            });
        }
        Ok(Self {
            width,
            height,
            channels,
            samples,
        })
    }

    /// Pixels in a row.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Samples a pixel: 1 or 3.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// All samples, row by row.
    pub fn samples(&self) -> &[u8] {
        &self.samples
    }

    /// Whether the two have the same size and the same channels.
    pub(crate) fn fits(&self, other: &Self) -> bool {
        (self.width, self.height, self.channels) == (other.width, other.height, other.channels)
    }

    /// The samples of pixel `index`, counted row by row.
    pub(crate) fn pixel(&self, index: usize) -> &[u8] {
        &self.samples[index * self.channels..(index + 1) * self.channels]
    }

    /// Tone at pixel `index`.
    #[inline]
    pub(crate) fn tone(&self, index: usize, tone: Tone) -> f32 {
        match self.channels {
            3 => match self.samples[3 * index..].first_chunk() {
                Some([r, g, b]) => tone.rgb(*r, *g, *b),
                None => f32::NAN,
            },
            _ => tone.grey(self.samples[index]),
        }
    }

    /// Tone at a place between pixel centres (which lie at whole numbers); none outside.
    #[inline]
    pub(crate) fn tone_at(&self, x: f32, y: f32, tone: Tone) -> Option<f32> {
        let (index, fx, fy) = cell(x, y, self.width, self.height)?;
        let at = |index| self.tone(index, tone);
        let top = at(index) * (1.0 - fx) + at(index + 1) * fx;
        let below = index + self.width;
        let bottom = at(below) * (1.0 - fx) + at(below + 1) * fx;
        Some(top * (1.0 - fy) + bottom * fy)
    }

    /// The whole picture in one tone.
    pub(crate) fn plane(&self, tone: Tone) -> Plane {
        Plane {
            width: self.width,
            height: self.height,
            values: (0..self.width * self.height)
                .map(|index| self.tone(index, tone))
                .collect(),
        }
    }
}

/// Weights with which the channels of a pixel are added up. May be negative: the reader chooses
/// them so that the needle is brighter than its background.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone(pub [f32; 3]);

impl Tone {
    /// Brightness as the eye sees it, nearly: what print is looked for in.
    pub(crate) const PRINT: Self = Self([0.3, 0.5, 0.2]);

    #[inline]
    fn rgb(self, r: u8, g: u8, b: u8) -> f32 {
        self.0[0] * f32::from(r) + self.0[1] * f32::from(g) + self.0[2] * f32::from(b)
    }

    #[inline]
    fn grey(self, grey: u8) -> f32 {
        (self.0[0] + self.0[1] + self.0[2]) * f32::from(grey)
    }
}

/// One tone for each pixel.
#[derive(Clone, Debug)]
pub(crate) struct Plane {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) values: Vec<f32>,
}

impl Plane {
    /// Value between pixel centres; none outside.
    #[inline]
    pub(crate) fn at(&self, x: f32, y: f32) -> Option<f32> {
        let (index, fx, fy) = cell(x, y, self.width, self.height)?;
        let v = &self.values;
        let top = v[index] * (1.0 - fx) + v[index + 1] * fx;
        let below = index + self.width;
        let bottom = v[below] * (1.0 - fx) + v[below + 1] * fx;
        Some(top * (1.0 - fy) + bottom * fy)
    }
}

/// The pixel left above (x, y), and how far the place lies from it; none when the four pixels
/// around it are not all inside.
#[inline]
fn cell(x: f32, y: f32, width: usize, height: usize) -> Option<(usize, f32, f32)> {
    // Also false for what is not a number.
    let inside = x >= 0.0 && y >= 0.0 && x < (width - 1) as f32 && y < (height - 1) as f32;
    if !inside {
        return None;
    }
    let (column, row) = (x as usize, y as usize);
    Some((row * width + column, x - column as f32, y - row as f32))
}
