//! Pictures as PNG files, to be kept without loss.

use crate::reader::Picture;
use image::{ExtendedColorType, ImageEncoder, codecs::png::PngEncoder};

/// A picture as the bytes of a PNG file; decoded again it is the same picture.
///
/// # Errors
/// The encoder's words, when it can't.
pub fn encode_png(picture: &Picture) -> Result<Vec<u8>, String> {
    let colour = match picture.channels() {
        1 => ExtendedColorType::L8,
        _ => ExtendedColorType::Rgb8,
    };
    // The sides of a picture are bounded far below this.
    let side = |pixels: usize| u32::try_from(pixels).unwrap_or(u32::MAX);
    let (width, height) = (side(picture.width()), side(picture.height()));
    let mut bytes = Vec::new();
    PngEncoder::new(&mut bytes)
        .write_image(picture.samples(), width, height, colour)
        .map_err(|error| error.to_string())?;
    Ok(bytes)
}
