//! The simulated bench's camera with the real reader: pictures are drawn when they are asked for,
//! and read as those of any camera.

use evidence::{Sight, SightFuture, Sighting};
use hw_sim::pictures::Frame;
use hw_sim::{DialCamera, SharedBench};
use needle::camera::read_needle;
use needle::reader::{Corrections, DialSetup, Picture, Reader};

/// Where the needle is put for the set-up.
const PLACES: [f64; 5] = [0.0, 0.22, 0.45, 0.68, 0.9];
/// How often the camera is put up before it is given up.
const ATTEMPTS: u64 = 20;

/// Reads the needle in the pictures of the simulated camera, on tokio's clock.
pub struct PictureSight {
    camera: DialCamera,
    reader: Reader,
    last: Option<Picture>,
}

/// Puts up the bench's camera, sets its dial up as a person would, and puts it up again until the
/// dial can be read while nobody watches.
///
/// # Errors
/// The last set-up's trouble, when none was good enough.
pub fn put_up(bench: &SharedBench) -> Result<(DialCamera, Reader), String> {
    let mut why = String::new();
    for attempt in 0..ATTEMPTS {
        let mut camera = DialCamera::own(bench, attempt);
        match set_up(&mut camera) {
            Ok(reader) => return Ok((camera, reader)),
            Err(trouble) => why = trouble,
        }
    }
    Err(format!(
        "the simulated camera could not be set up in {ATTEMPTS} attempts: {why}"
    ))
}

impl PictureSight {
    /// Reads the pictures of this camera.
    pub fn new(camera: DialCamera, reader: Reader) -> Self {
        Self {
            camera,
            reader,
            last: None,
        }
    }

    async fn sight(&mut self) -> Sighting {
        let refused = |age, reason| Sighting {
            age,
            seen: Err(reason),
        };
        let snapshot = match self.camera.picture().await {
            Ok(snapshot) => snapshot,
            Err(error) => return refused(0.0, error.to_string()),
        };
        let picture = match picture(snapshot.frame) {
            Ok(picture) => picture,
            Err(error) => return refused(snapshot.age, error),
        };
        // A sensor's noise never repeats.
        let seen = match self.last.as_ref() == Some(&picture) {
            true => Err("the camera sent its last picture again: it stands still".to_owned()),
            false => read_needle(&self.reader, &picture),
        };
        self.last = Some(picture);
        Sighting {
            age: snapshot.age,
            seen,
        }
    }
}

impl Sight for PictureSight {
    fn look(&mut self) -> SightFuture<'_> {
        Box::pin(self.sight())
    }

    fn name(&self) -> String {
        "simulated camera".to_owned()
    }
}

/// The reader of the dial before this camera: proposed, then zero and full scale clicked and
/// confirmed.
///
/// # Errors
/// Why the dial can't be read, or not while nobody watches.
fn set_up(camera: &mut DialCamera) -> Result<Reader, String> {
    let frames = camera.by_hand(&PLACES).map_err(|error| error.to_string())?;
    let pictures: Vec<Picture> = frames.into_iter().map(picture).collect::<Result<_, _>>()?;
    // Places in the reader's pictures count from the middle of the first pixel.
    let [zero, full_scale] = camera.marks().map(|mark| Some(mark.map(|side| side - 0.5)));
    let corrections = Corrections {
        zero,
        full_scale,
        confirm: true,
        ..Corrections::default()
    };
    let reader = DialSetup::propose(&pictures)
        .and_then(|setup| setup.corrected(&corrections))
        .and_then(|setup| Reader::new(&setup, &pictures))
        .map_err(|error| error.to_string())?;
    match reader.reservations() {
        [] => Ok(reader),
        reservations => Err(reservations.join("; ")),
    }
}

/// The picture of a frame.
///
/// # Errors
/// When it has no size that can be read.
pub fn picture(frame: Frame) -> Result<Picture, String> {
    Picture::rgb(frame.width, frame.height, frame.pixels).map_err(|error| error.to_string())
}
