//! A picture file that another program writes anew for each picture.

use super::decode::{LARGEST_FILE, decode_picture};
use super::novelty::Novelty;
use super::{Camera, CameraError, Frame};
use std::fs::File;
use std::io::Read;
use std::path::PathBuf;
use std::time::{Duration, Instant, SystemTime};

/// Time between two looks at a file.
const PAUSE: Duration = Duration::from_millis(10);

/// Reads a JPEG or PNG file each time that it has changed.
#[derive(Debug)]
pub struct FileCamera {
    path: PathBuf,
    deadline: Duration,
    novelty: Novelty,
}

impl FileCamera {
    /// A camera that looks at this file.
    pub fn new(path: impl Into<PathBuf>, deadline: Duration) -> Self {
        Self {
            path: path.into(),
            deadline,
            novelty: Novelty::default(),
        }
    }

    /// The file's bytes and how long ago it was written.
    fn read(&self) -> Result<(Vec<u8>, Duration), CameraError> {
        let unreachable = |error: std::io::Error| CameraError::Unreachable {
            camera: self.name(),
            cause: error.to_string(),
        };
        let file = File::open(&self.path).map_err(unreachable)?;
        let about = file.metadata().map_err(unreachable)?;
        if !about.is_file() {
            return Err(CameraError::NoPicture {
                camera: self.name(),
                answer: "something that is no file".to_owned(),
            });
        }
        let written = about.modified().map_err(unreachable)?;
        let mut bytes = Vec::new();
        // One byte more than may be decoded, so that a larger file is noticed.
        let most = LARGEST_FILE as u64 + 1;
        file.take(most)
            .read_to_end(&mut bytes)
            .map_err(unreachable)?;
        // A file from the future was written now, as far as can be told.
        let age = SystemTime::now()
            .duration_since(written)
            .unwrap_or_default();
        Ok((bytes, age))
    }
}

impl Camera for FileCamera {
    fn frame(&mut self) -> Result<Frame, CameraError> {
        let began = Instant::now();
        let mut half_written = None;
        loop {
            let now = Instant::now();
            let (bytes, age) = self.read()?;
            if self.novelty.is_new(&bytes) {
                match decode_picture(&bytes) {
                    Ok(picture) => {
                        let taken = now.checked_sub(age).unwrap_or(now);
                        return Ok(Frame { picture, taken });
                    }
                    Err(error) => half_written = Some(error),
                }
            }
            if began.elapsed() >= self.deadline {
                return Err(half_written.unwrap_or_else(|| CameraError::Repeated {
                    camera: self.name(),
                    waited: began.elapsed(),
                }));
            }
            std::thread::sleep(PAUSE);
        }
    }

    fn name(&self) -> String {
        format!("picture file {}", self.path.display())
    }
}
