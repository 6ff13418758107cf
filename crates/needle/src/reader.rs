//! The camera reader: pixels to deflection. Pure functions.

mod about_pivot;
mod annotate;
mod bootstrap;
mod chain;
mod learned;
mod light;
mod line;
mod mark;
mod patch;
mod picture;
mod plane;
mod plate;
mod proposal;
mod radial;
mod read;
mod refusal;
mod scale;
mod setup;
mod solve;
mod straight;
mod stroke;
mod table;
mod teach;
mod trace;
mod unroll;
mod view;
mod warp;

pub use annotate::annotate;
pub use bootstrap::{Turn, turn};
pub use picture::{Picture, PictureError};
pub use read::{Reader, Seen, TRUSTED};
pub use refusal::{Refusal, SetupError};
pub use setup::{Corrections, DialSetup, FoundMark, Geometry, Radial};
pub use straight::Straight;
pub use view::View;
