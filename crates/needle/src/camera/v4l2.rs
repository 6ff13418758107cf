//! A video device of Linux (V4L2), such as a USB camera.

use super::decode::{decode_jpeg, yuyv};
use super::novelty::Novelty;
use super::{Camera, CameraError, Frame};
use crate::reader::Picture;
use linuxvideo::controls::Cid;
use linuxvideo::format::{PixFormat, PixelFormat};
use linuxvideo::stream::ReadStream;
use linuxvideo::{BufType, Device};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Time between two looks for a filled buffer.
const PAUSE: Duration = Duration::from_millis(2);
/// Pictures that are let go by before one counts: its exposure may have begun before the call.
const SKIPPED: usize = 1;
/// Pictures that are let go by after the controls were changed.
const SETTLING: usize = 3;
/// "Manual" in the menu of exposure modes.
const MANUAL: i32 = 1;

/// How the camera is to be set. What is left out is locked where it stands, if the camera can.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct V4l2Settings {
    /// Width and height of the picture, px; the camera must offer just this.
    pub size: (u32, u32),
    /// Time of exposure.
    pub exposure: Option<Duration>,
    /// Gain, in the camera's own steps.
    pub gain: Option<i32>,
    /// Focus, in the camera's own steps.
    pub focus: Option<i32>,
    /// Colour temperature, K.
    pub white_balance: Option<i32>,
    /// Mains frequency, 50 Hz or 60 Hz: lights flicker with it.
    pub mains: Option<u32>,
    /// Longest wait for a frame.
    pub deadline: Duration,
}

/// A V4L2 device that streams.
pub struct V4l2Camera {
    path: PathBuf,
    card: String,
    deadline: Duration,
    stream: ReadStream,
    size: (usize, usize),
    kind: PixelFormat,
    bytes_per_line: usize,
    novelty: Novelty,
    unlocked: Vec<String>,
}

impl V4l2Camera {
    /// Opens a device, `/dev/video0` for instance, sets it and starts its stream.
    ///
    /// # Errors
    /// When it can't be opened, does not offer such pictures (JPEG or YUYV), does not take a
    /// setting, or sends nothing.
    pub fn open(path: &Path, settings: &V4l2Settings) -> Result<Self, CameraError> {
        let name = format!("camera {}", path.display());
        let failed = |error: io::Error| CameraError::Unreachable {
            camera: name.clone(),
            cause: error.to_string(),
        };
        let mut device = Device::open(path).map_err(failed)?;
        let card = device.capabilities().map_err(failed)?.card().to_owned();
        let unlocked = lock(&mut device, settings, &name)?;
        let offered: Vec<PixelFormat> = device
            .formats(BufType::VIDEO_CAPTURE)
            .filter_map(|format| Some(format.ok()?.pixel_format()))
            .collect();
        let wanted = [PixelFormat::MJPG, PixelFormat::JPEG, PixelFormat::YUYV];
        let chosen = wanted.into_iter().find(|format| offered.contains(format));
        let (width, height) = settings.size;
        let refused = |offered: String| CameraError::Offers {
            camera: name.clone(),
            offered,
        };
        let Some(chosen) = chosen else {
            return Err(refused(format!("pictures of the kinds {offered:?} only")));
        };
        let capture = device
            .video_capture(PixFormat::new(width, height, chosen))
            .map_err(failed)?;
        let format = capture.format();
        let given = (format.width(), format.height(), format.pixel_format());
        if given != (width, height, chosen) {
            return Err(refused(format!(
                "{} × {} {:?} in place of {width} × {height} {chosen:?}",
                given.0, given.1, given.2
            )));
        }
        let bytes_per_line = format.bytes_per_line() as usize;
        let mut camera = Self {
            path: path.to_owned(),
            card,
            deadline: settings.deadline,
            stream: capture.into_stream().map_err(failed)?,
            size: (width as usize, height as usize),
            kind: chosen,
            bytes_per_line,
            novelty: Novelty::default(),
            unlocked,
        };
        for _ in 0..SETTLING {
            camera.next(Instant::now() + settings.deadline)?;
        }
        Ok(camera)
    }

    /// What the camera goes on setting by itself, because it can't be locked.
    pub fn unlocked(&self) -> &[String] {
        &self.unlocked
    }

    /// Waits for a filled buffer and takes its bytes; none when the driver marks it as damaged.
    fn next(&mut self, until: Instant) -> Result<Option<Vec<u8>>, CameraError> {
        loop {
            if !self.stream.will_block().map_err(|error| self.lost(error))? {
                let take = |view: linuxvideo::stream::ReadBufferView<'_>| {
                    Ok((!view.is_error()).then(|| view.to_vec()))
                };
                let taken = self.stream.dequeue(take);
                return taken.map_err(|error| self.lost(error));
            }
            if Instant::now() >= until {
                return Err(CameraError::Late {
                    camera: self.name(),
                    waited: self.deadline,
                });
            }
            std::thread::sleep(PAUSE);
        }
    }

    fn lost(&self, error: io::Error) -> CameraError {
        CameraError::Unreachable {
            camera: self.name(),
            cause: error.to_string(),
        }
    }

    fn decode(&self, bytes: &[u8]) -> Result<Picture, CameraError> {
        if self.kind == PixelFormat::YUYV {
            yuyv(bytes, self.size, self.bytes_per_line)
        } else {
            decode_jpeg(bytes)
        }
    }
}

impl Camera for V4l2Camera {
    fn frame(&mut self) -> Result<Frame, CameraError> {
        let began = Instant::now();
        let until = began + self.deadline;
        // What waits in the queue was taken before.
        while !self.stream.will_block().map_err(|error| self.lost(error))? {
            self.next(until)?;
        }
        for _ in 0..SKIPPED {
            self.next(until)?;
        }
        let mut repeated = false;
        loop {
            match self.next(until) {
                Ok(Some(bytes)) if self.novelty.is_new(&bytes) => {
                    let picture = self.decode(&bytes)?;
                    return Ok(Frame {
                        picture,
                        taken: began,
                    });
                }
                Ok(Some(_)) => repeated = true,
                Ok(None) => {}
                Err(CameraError::Late { camera, waited }) if repeated => {
                    return Err(CameraError::Repeated { camera, waited });
                }
                Err(error) => return Err(error),
            }
            if Instant::now() >= until && repeated {
                return Err(CameraError::Repeated {
                    camera: self.name(),
                    waited: self.deadline,
                });
            }
        }
    }

    fn name(&self) -> String {
        format!("camera {} at {}", self.card, self.path.display())
    }
}

/// Takes the controls from the camera and sets those that are stated. Gives what can't be taken.
fn lock(
    device: &mut Device,
    settings: &V4l2Settings,
    name: &str,
) -> Result<Vec<String>, CameraError> {
    let mut unlocked = Vec::new();
    for (what, control, off) in [
        ("exposure", Cid::EXPOSURE_AUTO, MANUAL),
        ("focus", Cid::FOCUS_AUTO, 0),
        ("gain", Cid::AUTOGAIN, 0),
        ("white balance", Cid::AUTO_WHITE_BALANCE, 0),
    ] {
        if device.write_control_raw(control, off).is_err() {
            unlocked.push(what.to_owned());
        }
    }
    // The control counts in steps of 100 µs.
    let exposure = settings.exposure.map(|time| {
        let steps = time.as_micros() / 100;
        i32::try_from(steps).unwrap_or(i32::MAX)
    });
    let mains = settings.mains.map(|hertz| if hertz == 60 { 2 } else { 1 });
    for (what, control, value) in [
        ("exposure", Cid::EXPOSURE_ABSOLUTE, exposure),
        ("gain", Cid::GAIN, settings.gain),
        ("focus", Cid::FOCUS_ABSOLUTE, settings.focus),
        (
            "white balance",
            Cid::WHITE_BALANCE_TEMPERATURE,
            settings.white_balance,
        ),
        ("mains frequency", Cid::POWER_LINE_FREQUENCY, mains),
    ] {
        let Some(value) = value else { continue };
        let set = device.write_control_raw(control, value);
        set.map_err(|error| CameraError::Setting {
            camera: name.to_owned(),
            setting: format!("{what} {value}"),
            cause: error.to_string(),
        })?;
    }
    Ok(unlocked)
}
