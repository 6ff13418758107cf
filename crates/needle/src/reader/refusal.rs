//! Why the reader gives no figure.

use thiserror::Error;

/// Why a picture could not be read. A refusal means "unknown", never "zero".
#[derive(Clone, Debug, Error, PartialEq)]
pub enum Refusal {
    /// Other size or other channels than the set-up.
    #[error("the picture has another size or other colours than those of the set-up")]
    OtherPicture,
    /// Brightness can't be matched with the set-up.
    #[error(
        "the light has changed too much: {0:.0} steps of brightness are left over; look for glare, a shadow or a cover"
    )]
    Light(f32),
    /// Too few landmarks are found again.
    #[error(
        "the dial is not where it was: {found} of {of} landmarks found; set the camera up again"
    )]
    Moved {
        /// Landmarks found.
        found: usize,
        /// Landmarks known.
        of: usize,
    },
    /// The picture has moved farther than can be corrected.
    #[error("the picture has moved by {0:.0} pixels; set the camera up again")]
    Shifted(f64),
    /// Nothing needle-like.
    #[error("no needle in sight (strongest trace {0:.2} of one)")]
    NoNeedle(f32),
    /// Two places look like a needle.
    #[error("two places look like the needle (the second {0:.2} as strong as the first)")]
    Two(f32),
    /// Only parts of the needle are seen.
    #[error("only {0:.0} % of the needle is in sight")]
    Covered(f64),
    /// The needle is blurred or pale.
    #[error("the needle is blurred or moves ({0:.2} of its contrast)")]
    Pale(f64),
    /// The needle stands outside the readable part.
    #[error("the needle stands outside the scale")]
    OffScale,
    /// The needle's edges make no line.
    #[error("the needle's edges do not make a line ({0:.2} pixels)")]
    Crooked(f64),
}

/// Why a dial could not be set up.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum SetupError {
    /// Fewer pictures than needed.
    #[error("{0} pictures; a set-up needs three to nine with the needle in different places")]
    Pictures(usize),
    /// Sizes differ.
    #[error("picture {} has another size or other colours than the first", .0 + 1)]
    Differs(usize),
    /// The light changed between the pictures.
    #[error(
        "the light of picture {} differs too much from the first; keep exposure and lamps as they are",
        .0 + 1
    )]
    Light(usize),
    /// No needle in a picture.
    #[error("no needle found in picture {}: {why}", picture + 1)]
    NoNeedle {
        /// Which, from 0.
        picture: usize,
        /// What was seen instead.
        why: String,
    },
    /// The needle moved too little.
    #[error("the needle has moved by only {0:.1}°; let it stand in places farther apart")]
    TooLittleMotion(f64),
    /// The scale was not found.
    #[error("no scale found: {0}; give more light, or come nearer")]
    NoScale(String),
    /// The dial plane could not be fitted.
    #[error("the marks do not fit a flat dial: {0}")]
    NoFit(String),
    /// A correction that can't be followed.
    #[error("the correction can't be used: {0}")]
    Correction(String),
}
