//! Cameras: where pictures come from. A V4L2 device, a still picture or an MJPEG stream over HTTP,
//! a picture file.
//!
//! A [`Camera`] blocks; a [`Lens`] runs one on a thread of its own and hands its frames to
//! asynchronous callers. Whatever comes from outside is bounded before it is read or decoded:
//! garbage, truncated and huge pictures are errors. A picture that comes again byte by byte is no
//! new frame: sensors are never that quiet, so it is an old one.

mod decode;
mod encode;
mod file;
mod http;
mod lens;
mod novelty;
mod parts;
mod region;
mod sight;
mod stream;
mod tables;
#[cfg(target_os = "linux")]
mod v4l2;

pub use decode::{LARGEST_FILE, decode_jpeg, decode_picture, decode_png};
pub use encode::encode_png;
pub use file::FileCamera;
pub use http::StillCamera;
pub use lens::Lens;
pub use novelty::Novelty;
pub use region::Region;
pub use sight::{CameraSight, read_needle};
pub use stream::StreamCamera;
#[cfg(target_os = "linux")]
pub use v4l2::{V4l2Camera, V4l2Settings};

use crate::reader::Picture;
use std::time::{Duration, Instant};
use thiserror::Error;

/// Longest wait for a frame unless stated otherwise.
pub const FRAME_DEADLINE: Duration = Duration::from_secs(1);

/// A picture and when it was taken.
#[derive(Clone, Debug)]
pub struct Frame {
    /// The picture.
    pub picture: Picture,
    /// The latest instant before which it was certainly not taken: its age is no less than since
    /// then, unless the camera itself holds pictures back.
    pub taken: Instant,
}

/// Where pictures come from.
pub trait Camera: Send {
    /// Waits for a picture that reached us after this call began and differs from the last one.
    ///
    /// # Errors
    /// Why there is none. A camera waits for its deadline with each request that it makes, so that
    /// this may take twice as long.
    fn frame(&mut self) -> Result<Frame, CameraError>;

    /// What takes the pictures, for the record.
    fn name(&self) -> String;
}

/// Why there is no picture.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum CameraError {
    /// The camera can't be opened or asked.
    #[error("no picture from {camera} ({cause}); check that it is connected and switched on")]
    Unreachable {
        /// Which camera.
        camera: String,
        /// The system's reason.
        cause: String,
    },
    /// The camera's server answers, but not with a picture.
    #[error("{camera} answers with {answer} instead of a picture; check its address")]
    NoPicture {
        /// Which camera.
        camera: String,
        /// What it answers.
        answer: String,
    },
    /// The camera offers other pictures than those asked for.
    #[error("{camera} offers {offered}; state a size that it offers, in JPEG or YUYV")]
    Offers {
        /// Which camera.
        camera: String,
        /// What it offers.
        offered: String,
    },
    /// No picture in time.
    #[error("no picture from {camera} within {} ms", waited.as_millis())]
    Late {
        /// Which camera.
        camera: String,
        /// How long was waited.
        waited: Duration,
    },
    /// The same picture again.
    #[error("{camera} sent nothing but its last picture for {} ms: it stands still", waited.as_millis())]
    Repeated {
        /// Which camera.
        camera: String,
        /// How long was waited for another one.
        waited: Duration,
    },
    /// The bytes are no picture that can be used.
    #[error("what came as a picture can't be used: {0}")]
    Damaged(String),
    /// A setting was not taken by the camera.
    #[error("{camera} does not take {setting} ({cause}); leave it out of its settings")]
    Setting {
        /// Which camera.
        camera: String,
        /// Which setting.
        setting: String,
        /// The system's reason.
        cause: String,
    },
    /// The camera's thread has ended.
    #[error("the camera's thread has ended; start it anew")]
    Ended,
}
