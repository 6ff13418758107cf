//! A finished picture.

use std::io::Cursor;
use thiserror::Error;
use zune_jpeg::JpegDecoder;

/// Why a picture cannot be compressed.
#[derive(Debug, Clone, Error, PartialEq, Eq)]
pub enum PictureError {
    /// The compression can't take it.
    #[error("the picture of {width}x{height} can't be written as JPEG ({cause})")]
    Jpeg {
        /// Width, px.
        width: usize,
        /// Height, px.
        height: usize,
        /// What the library says.
        cause: String,
    },
}

/// A picture in 8-bit sRGB.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Red, green, blue of each pixel, row by row.
    pub pixels: Vec<u8>,
}

impl Frame {
    /// A picture of no size, to be filled by [`crate::Stage::frame_into`].
    pub fn empty() -> Self {
        Frame {
            width: 0,
            height: 0,
            pixels: Vec::new(),
        }
    }

    /// The picture as a JPEG file of this quality (1 to 100), colour at half resolution (4:2:0).
    ///
    /// # Errors
    /// When the picture is larger than 65,535 px to a side.
    pub fn jpeg(&self, quality: u8) -> Result<Vec<u8>, PictureError> {
        let failed = |cause: String| PictureError::Jpeg {
            width: self.width,
            height: self.height,
            cause,
        };
        let side = |length| u16::try_from(length).map_err(|_| failed("too large".to_owned()));
        let (width, height) = (side(self.width)?, side(self.height)?);
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, quality);
        encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
        encoder
            .encode(&self.pixels, width, height, jpeg_encoder::ColorType::Rgb)
            .map_err(|error| failed(error.to_string()))?;
        Ok(bytes)
    }

    /// Passes the picture through JPEG compression of this quality.
    pub(crate) fn compress(&mut self, quality: u8) -> Result<(), PictureError> {
        let bytes = self.jpeg(quality)?;
        let decoded = JpegDecoder::new(Cursor::new(bytes)).decode();
        self.pixels = decoded.map_err(|error| PictureError::Jpeg {
            width: self.width,
            height: self.height,
            cause: error.to_string(),
        })?;
        Ok(())
    }
}
