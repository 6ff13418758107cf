//! A still picture over HTTP, asked for anew each time.

use super::decode::{LARGEST_FILE, decode_picture};
use super::novelty::Novelty;
use super::{Camera, CameraError, Frame};
use std::time::{Duration, Instant};
use ureq::http::Response;
use ureq::{Agent, Body};

/// Time between two requests while the same picture comes.
const PAUSE: Duration = Duration::from_millis(20);

/// Asks an address for a JPEG or PNG picture.
#[derive(Debug)]
pub struct StillCamera {
    address: String,
    deadline: Duration,
    agent: Agent,
    novelty: Novelty,
}

impl StillCamera {
    /// A camera that answers at this address, `http://host/path`.
    pub fn new(address: &str, deadline: Duration) -> Self {
        Self {
            address: address.to_owned(),
            deadline,
            agent: agent(deadline, Some(deadline)),
            novelty: Novelty::default(),
        }
    }
}

impl Camera for StillCamera {
    fn frame(&mut self) -> Result<Frame, CameraError> {
        let began = Instant::now();
        loop {
            let taken = Instant::now();
            let answer = get(&self.agent, &self.address, &self.name(), self.deadline)?;
            let mut body = answer.into_body().into_with_config();
            body = body.limit(LARGEST_FILE as u64);
            let read = body.read_to_vec();
            let bytes = read.map_err(|error| failed(error, &self.name(), self.deadline))?;
            if self.novelty.is_new(&bytes) {
                let picture = decode_picture(&bytes)?;
                return Ok(Frame { picture, taken });
            }
            if began.elapsed() >= self.deadline {
                return Err(CameraError::Repeated {
                    camera: self.name(),
                    waited: began.elapsed(),
                });
            }
            std::thread::sleep(PAUSE);
        }
    }

    fn name(&self) -> String {
        format!("camera at {}", self.address)
    }
}

/// Who asks: no redirects (they could lead anywhere), answers of any status returned as they are.
pub(super) fn agent(deadline: Duration, whole: Option<Duration>) -> Agent {
    Agent::config_builder()
        .timeout_global(whole)
        .timeout_connect(Some(deadline))
        .timeout_recv_response(Some(deadline))
        .timeout_per_read(Some(deadline))
        .max_redirects(0)
        .http_status_as_error(false)
        .proxy(None)
        .build()
        .new_agent()
}

/// Asks for `address`; anything but "200 OK" is an error.
pub(super) fn get(
    agent: &Agent,
    address: &str,
    camera: &str,
    deadline: Duration,
) -> Result<Response<Body>, CameraError> {
    let answer = agent.get(address).call();
    let answer = answer.map_err(|error| failed(error, camera, deadline))?;
    if answer.status() != 200 {
        return Err(CameraError::NoPicture {
            camera: camera.to_owned(),
            answer: format!("HTTP status {}", answer.status()),
        });
    }
    Ok(answer)
}

pub(super) fn failed(error: ureq::Error, camera: &str, deadline: Duration) -> CameraError {
    let camera = camera.to_owned();
    match error {
        ureq::Error::Timeout(_) => CameraError::Late {
            camera,
            waited: deadline,
        },
        ureq::Error::BodyExceedsLimit(most) => {
            CameraError::Damaged(format!("it has more than {most} bytes"))
        }
        error => CameraError::Unreachable {
            camera,
            cause: error.to_string(),
        },
    }
}
