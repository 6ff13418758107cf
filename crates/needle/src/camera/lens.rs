//! A camera on a thread of its own, asked from asynchronous code.

use super::{Camera, CameraError, Frame};
use std::sync::mpsc;
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::timeout;

/// A camera that blocks nobody. Its thread ends when it is dropped.
#[derive(Debug)]
pub struct Lens {
    name: String,
    deadline: Duration,
    asking: mpsc::Sender<oneshot::Sender<Result<Frame, CameraError>>>,
}

impl Lens {
    /// Runs this camera. `deadline` is the longest that a frame may take, the camera's own deadline
    /// and the decoding included.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(mut camera: Box<dyn Camera>, deadline: Duration) -> Result<Self, CameraError> {
        let name = camera.name();
        let (asking, asked) = mpsc::channel::<oneshot::Sender<_>>();
        let run = move || {
            for answer in asked {
                // Who asked may have gone: nobody then waits for the frame.
                if !answer.is_closed() {
                    let _ = answer.send(camera.frame());
                }
            }
        };
        std::thread::Builder::new()
            .name("camera".to_owned())
            .spawn(run)
            .map_err(|error| CameraError::Unreachable {
                camera: name.clone(),
                cause: error.to_string(),
            })?;
        Ok(Self {
            name,
            deadline,
            asking,
        })
    }

    /// The next frame. Dropping the future gives up waiting for it, and loses nothing else.
    ///
    /// # Errors
    /// Why there is none.
    pub async fn frame(&mut self) -> Result<Frame, CameraError> {
        let (answer, frame) = oneshot::channel();
        self.asking.send(answer).map_err(|_| CameraError::Ended)?;
        match timeout(self.deadline, frame).await {
            Ok(Ok(frame)) => frame,
            Ok(Err(_)) => Err(CameraError::Ended),
            Err(_) => Err(CameraError::Late {
                camera: self.name.clone(),
                waited: self.deadline,
            }),
        }
    }

    /// What takes the pictures, for the record.
    pub fn name(&self) -> &str {
        &self.name
    }
}
