//! A camera as the rig's reader: opened, and set up by a dial file.

use crate::dial::Dial;
use crate::exit::Failure;
use evidence::Sight;
use guard::{CameraSource, CameraSpec};
use needle::camera::{
    Camera, CameraError, CameraSight, FileCamera, Lens, Region, StillCamera, StreamCamera,
};
#[cfg(target_os = "linux")]
use needle::camera::{V4l2Camera, V4l2Settings};
use needle::reader::Reader;
use std::time::Duration;

/// Longest wait for a frame. The guard switches off 0.7 s after the last usable sighting; what
/// takes longer than this is told as a refusal with its reason before that.
const FRAME: Duration = Duration::from_millis(400);
/// The same with decoding.
const LOOK: Duration = Duration::from_millis(600);
/// How many frames may be missed before the first.
const TRIES: usize = 10;

/// The camera of this specification as who reads the needle. It has shown a picture.
///
/// # Errors
/// When its dial is not fit for use while nobody watches, or no picture comes.
pub async fn open(spec: &CameraSpec) -> Result<Box<dyn Sight>, Failure> {
    let Fit {
        size,
        reader,
        region,
    } = dial(spec)?;
    let mut lens = Lens::new(camera(spec, size)?, LOOK)?;
    let mut first = lens.frame().await;
    for _ in 1..TRIES {
        if first.is_ok() {
            break;
        }
        first = lens.frame().await;
    }
    first?;
    Ok(Box::new(CameraSight::new(lens, reader, region)))
}

/// What a dial file says of a camera's pictures, and the reader of its dial.
pub struct Fit {
    /// Size of the whole pictures.
    pub size: [usize; 2],
    /// The reader.
    pub reader: Reader,
    /// Where in the pictures the dial is, if not all over them.
    pub region: Option<Region>,
}

/// The size of the pictures and the reader of this camera's dial.
///
/// # Errors
/// When there is none, or it is not fit for use while nobody watches.
pub fn dial(spec: &CameraSpec) -> Result<Fit, Failure> {
    let dial = Dial::load(&spec.dial)?;
    let reader = dial.reader()?;
    let place = spec.dial.display();
    if !reader.reservations().is_empty() {
        let text = format!(
            "{place}: this dial can't be read while nobody watches: {}; set it up anew with \
             needlerig dial propose",
            reader.reservations().join("; ")
        );
        return Err(Failure::usage(text));
    }
    let part = dial.part;
    Ok(Fit {
        size: part.map_or(dial.setup.size, |part| part.of),
        reader,
        region: part.map(|part| part.region()),
    })
}

fn camera(spec: &CameraSpec, size: [usize; 2]) -> Result<Box<dyn Camera>, CameraError> {
    Ok(match &spec.source {
        CameraSource::Still(address) => Box::new(StillCamera::new(address, FRAME)),
        CameraSource::Stream(address) => Box::new(StreamCamera::new(address, FRAME)?),
        CameraSource::File(path) => Box::new(FileCamera::new(path, FRAME)),
        #[cfg(target_os = "linux")]
        CameraSource::Device(path) => {
            // The sides of a picture are far below this.
            let [width, height] = size.map(|side| u32::try_from(side).unwrap_or(u32::MAX));
            let stated = &spec.settings;
            let settings = V4l2Settings {
                size: (width, height),
                exposure: stated
                    .exposure
                    // A second at most, as the rig file is checked for.
                    .map(|time| Duration::from_secs_f64(time.get())),
                gain: stated.gain,
                focus: stated.focus,
                white_balance: stated.white_balance,
                // The menu knows 50 Hz and 60 Hz.
                mains: stated
                    .mains
                    .map(|period| if period.get() < 0.0183 { 60 } else { 50 }),
                deadline: FRAME,
            };
            Box::new(V4l2Camera::open(path, &settings)?)
        }
        #[cfg(not(target_os = "linux"))]
        CameraSource::Device(path) => {
            return Err(CameraError::Unreachable {
                camera: path.display().to_string(),
                cause: format!(
                    "pictures of {} × {} from devices need Linux",
                    size[0], size[1]
                ),
            });
        }
    })
}
