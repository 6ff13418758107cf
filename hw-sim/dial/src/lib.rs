//! Pictures of meter dials, rendered so that the truth behind each is known exactly.
//!
//! ```
//! use dial_pictures::{Category, Layout, Scene, Shot, Stage};
//! let scene = Scene::random_of(Category::Good, Layout::Arc, 7, (640, 480));
//! let zero = scene.truth().zero;
//! assert!(zero[0] > 0.0 && zero[0] < 640.0);
//! let mut stage = Stage::new(scene);
//! let frame = stage.frame(&Shot::plain(0.25, 1)).unwrap();
//! assert_eq!(frame.pixels.len(), 3 * 640 * 480);
//! ```
//!
//! A [`Scene`] is data: dial, needle, camera, light, sensor. A [`Stage`] is a scene with all that
//! doesn't move rendered once; it takes a [`Frame`] for each [`Shot`]. Dial, needle, shadow and
//! mirror image are polygons in space, seen through a pinhole camera with one radial lens term,
//! and scan-converted with exact areas, so that [`Scene::truth`] is exact. It shares no code with
//! what reads such pictures.

mod backdrop;
mod blur;
mod cover;
mod dice;
mod faces;
mod frame;
mod letters;
mod paint;
mod plan;
mod random;
mod ranges;
mod scene;
mod shot;
mod space;
mod stage;
mod tone;
mod truth;

pub use cover::Cover;
pub use frame::{Frame, PictureError};
pub use scene::{
    Category, Colour, Dial, DialColours, Glare, Layout, Light, Needle, Scene, Sensor, Shape, Sweep,
};
pub use shot::{Disturbance, Shot, Trouble};
pub use space::{Camera, Point, Spot};
pub use stage::Stage;
pub use truth::{Mark, Truth};
