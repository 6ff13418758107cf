//! The camera reader: pixels to deflection. Pure functions.

mod chain;
mod line;
mod mark;
mod picture;
mod plane;
mod plate;
mod refusal;
mod scale;
mod solve;
mod stroke;
mod unroll;
mod view;

pub use picture::{Picture, PictureError};
pub use refusal::{Refusal, SetupError};
pub use view::View;
