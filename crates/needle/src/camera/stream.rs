//! An MJPEG stream over HTTP. It is read all the time, on a thread of its own: what waits in a
//! socket grows old.

use super::decode::decode_jpeg;
use super::http::{agent, get};
use super::novelty::Novelty;
use super::parts::{Parts, boundary};
use super::{Camera, CameraError, Frame};
use std::io::BufReader;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError, Weak};
use std::time::{Duration, Instant};

/// Time from a lost connection to the next try.
const PAUSE: Duration = Duration::from_millis(200);

/// Keeps the last picture of a `multipart/x-mixed-replace` stream of JPEG pictures.
#[derive(Debug)]
pub struct StreamCamera {
    address: String,
    deadline: Duration,
    novelty: Novelty,
    shared: Arc<Shared>,
}

/// What the reading thread leaves for the camera.
#[derive(Debug, Default)]
struct Shared {
    last: Mutex<Last>,
    arrived: Condvar,
}

#[derive(Debug, Default)]
struct Last {
    /// Pictures so far.
    number: u64,
    /// The last one's bytes.
    bytes: Vec<u8>,
    /// Why there is none at present.
    trouble: Option<CameraError>,
}

impl Shared {
    fn last(&self) -> MutexGuard<'_, Last> {
        self.last.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl StreamCamera {
    /// A camera whose stream is at this address, `http://host/path`. Its thread ends with it, at
    /// the latest after the deadline.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(address: &str, deadline: Duration) -> Result<Self, CameraError> {
        let camera = Self {
            address: address.to_owned(),
            deadline,
            novelty: Novelty::default(),
            shared: Arc::default(),
        };
        let (left, address, name) = (
            Arc::downgrade(&camera.shared),
            camera.address.clone(),
            camera.name(),
        );
        std::thread::Builder::new()
            .name("camera stream".to_owned())
            .spawn(move || keep_reading(&left, &address, &name, deadline))
            .map_err(|error| CameraError::Unreachable {
                camera: camera.name(),
                cause: error.to_string(),
            })?;
        Ok(camera)
    }
}

impl Camera for StreamCamera {
    fn frame(&mut self) -> Result<Frame, CameraError> {
        let began = Instant::now();
        let mut last = self.shared.last();
        let mut seen = last.number;
        let mut repeated = false;
        loop {
            let left = self.deadline.saturating_sub(began.elapsed());
            let waiting = self.shared.arrived.wait_timeout(last, left);
            last = waiting.unwrap_or_else(PoisonError::into_inner).0;
            if last.number > seen {
                seen = last.number;
                if self.novelty.is_new(&last.bytes) {
                    let bytes = last.bytes.clone();
                    drop(last);
                    let picture = decode_jpeg(&bytes)?;
                    return Ok(Frame {
                        picture,
                        taken: began,
                    });
                }
                repeated = true;
            }
            if began.elapsed() >= self.deadline {
                let (camera, waited) = (self.name(), began.elapsed());
                return Err(match (repeated, last.trouble.clone()) {
                    (_, Some(trouble)) => trouble,
                    (true, None) => CameraError::Repeated { camera, waited },
                    (false, None) => CameraError::Late { camera, waited },
                });
            }
        }
    }

    fn name(&self) -> String {
        format!("camera stream at {}", self.address)
    }
}

/// Reads the stream, again and again, until the camera is dropped.
fn keep_reading(left: &Weak<Shared>, address: &str, name: &str, deadline: Duration) {
    while left.strong_count() > 0 {
        if let Err(error) = read(left, address, name, deadline)
            && let Some(shared) = left.upgrade()
        {
            shared.last().trouble = Some(error);
        }
        std::thread::sleep(PAUSE);
    }
}

/// Reads the stream until it ends. It always ends with an error, or with the camera.
fn read(
    left: &Weak<Shared>,
    address: &str,
    name: &str,
    deadline: Duration,
) -> Result<(), CameraError> {
    let answer = get(&agent(deadline, None), address, name, deadline)?;
    let kind = answer.headers().get("content-type");
    let kind = kind
        .and_then(|kind| kind.to_str().ok())
        .unwrap_or("no type");
    let boundary = boundary(kind).ok_or_else(|| CameraError::NoPicture {
        camera: name.to_owned(),
        answer: format!("\"{kind}\", not a stream of pictures"),
    })?;
    let body = answer.into_body().into_with_config().limit(u64::MAX);
    let mut parts = Parts::new(BufReader::new(body.reader()), boundary);
    loop {
        let bytes = parts.next()?;
        let Some(shared) = left.upgrade() else {
            return Ok(());
        };
        let mut last = shared.last();
        last.number += 1;
        last.bytes = bytes;
        last.trouble = None;
        drop(last);
        shared.arrived.notify_all();
    }
}
