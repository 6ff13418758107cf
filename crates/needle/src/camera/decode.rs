//! Bytes of a picture file to a picture: bounded, and never part of a picture for the whole.

use super::CameraError;
use super::tables::with_tables;
use crate::reader::Picture;
use image::{DynamicImage, ImageFormat, ImageReader, Limits};
use std::io::Cursor;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// Largest file or part of a stream that is taken for a picture, bytes.
pub const LARGEST_FILE: usize = 16 << 20;
/// Longest side, px.
const LONGEST_SIDE: usize = 8192;
/// Most pixels: what the largest webcams give.
const MOST_PIXELS: usize = 16 << 20;
/// What a picture of that size may take while it is decoded, bytes.
const MOST_MEMORY: u64 = 128 << 20;

/// Decodes a JPEG or PNG file by its first bytes.
///
/// # Errors
/// When it is neither, damaged, cut short or too large.
pub fn decode_picture(bytes: &[u8]) -> Result<Picture, CameraError> {
    if bytes.starts_with(&[0xff, 0xd8]) {
        decode_jpeg(bytes)
    } else if bytes.starts_with(b"\x89PNG") {
        decode_png(bytes)
    } else {
        Err(damaged("it is neither JPEG nor PNG"))
    }
}

/// Decodes a JPEG file, colour to RGB, grey to grey.
///
/// # Errors
/// When it is none, damaged, cut short or too large.
pub fn decode_jpeg(bytes: &[u8]) -> Result<Picture, CameraError> {
    let bytes = within_limit(bytes)?;
    let padding = bytes.iter().rev().take_while(|byte| **byte == 0).count();
    let Some(bytes) = bytes[..bytes.len() - padding].strip_suffix(&[0xff, 0xd9]) else {
        return Err(damaged("the JPEG picture is cut short"));
    };
    // Where data is missing before an end mark, the decoder makes up the rest of the picture.
    // Without the mark it says so: the mark stays away, since it has been seen.
    let whole = with_tables(bytes).map_err(damaged)?;
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(LONGEST_SIDE)
        .set_max_height(LONGEST_SIDE);
    let mut decoder = JpegDecoder::new_with_options(Cursor::new(whole), options);
    let failed = |error| damaged(&format!("JPEG: {error:?}"));
    decoder.decode_headers().map_err(failed)?;
    let info = decoder.info().ok_or_else(|| damaged("JPEG: no header"))?;
    let (width, height) = (usize::from(info.width), usize::from(info.height));
    check_size(width, height)?;
    let grey = info.components == 1;
    let colours = if grey {
        ColorSpace::Luma
    } else {
        ColorSpace::RGB
    };
    decoder.set_options(options.jpeg_set_out_colorspace(colours));
    let samples = decoder.decode().map_err(failed)?;
    let made = if grey {
        Picture::grey(width, height, samples)
    } else {
        Picture::rgb(width, height, samples)
    };
    made.map_err(|error| damaged(&error.to_string()))
}

/// Decodes a PNG file to eight bits, grey or RGB; transparency is left out.
///
/// # Errors
/// When it is none, damaged, cut short or too large.
pub fn decode_png(bytes: &[u8]) -> Result<Picture, CameraError> {
    let bytes = within_limit(bytes)?;
    let failed = |error: image::ImageError| damaged(&format!("PNG: {error}"));
    let reader = || ImageReader::with_format(Cursor::new(bytes), ImageFormat::Png);
    let (width, height) = reader().into_dimensions().map_err(failed)?;
    check_size(width as usize, height as usize)?;
    let mut reader = reader();
    let mut limits = Limits::default();
    limits.max_alloc = Some(MOST_MEMORY);
    reader.limits(limits);
    let image = reader.decode().map_err(failed)?;
    let (width, height) = (image.width() as usize, image.height() as usize);
    let made = match image {
        DynamicImage::ImageLuma8(_) | DynamicImage::ImageLuma16(_) => {
            Picture::grey(width, height, image.into_luma8().into_raw())
        }
        _ => Picture::rgb(width, height, image.into_rgb8().into_raw()),
    };
    made.map_err(|error| damaged(&error.to_string()))
}

/// A V4L2 picture of packed YUYV pairs, whose brightness alone is used: the reader needs edges,
/// and colour comes at half the resolution.
///
/// # Errors
/// When the buffer does not hold a picture of this size.
pub(crate) fn yuyv(
    bytes: &[u8],
    (width, height): (usize, usize),
    bytes_per_line: usize,
) -> Result<Picture, CameraError> {
    check_size(width, height)?;
    if bytes_per_line < 2 * width || bytes.len() < bytes_per_line * (height - 1) + 2 * width {
        return Err(damaged(
            "the camera's picture is shorter than its size asks for",
        ));
    }
    let rows = bytes.chunks(bytes_per_line).take(height);
    let samples = rows.flat_map(|row| row[..2 * width].iter().copied().step_by(2));
    Picture::grey(width, height, samples.collect()).map_err(|error| damaged(&error.to_string()))
}

fn within_limit(bytes: &[u8]) -> Result<&[u8], CameraError> {
    if bytes.len() > LARGEST_FILE {
        return Err(damaged(&format!(
            "it has {} bytes; at most {LARGEST_FILE} are read",
            bytes.len()
        )));
    }
    Ok(bytes)
}

fn check_size(width: usize, height: usize) -> Result<(), CameraError> {
    let sides = 1..=LONGEST_SIDE;
    if !sides.contains(&width) || !sides.contains(&height) || width * height > MOST_PIXELS {
        return Err(damaged(&format!(
            "it has {width} × {height} pixels; at most {LONGEST_SIDE} to a side and \
             {MOST_PIXELS} in all are read"
        )));
    }
    Ok(())
}

fn damaged(why: &str) -> CameraError {
    CameraError::Damaged(why.to_owned())
}
