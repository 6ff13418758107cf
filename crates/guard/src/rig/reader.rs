//! Who reads the needle, as the rig file states it.

use super::RigError;
use super::file::{Reader, ReaderFile, Text};
use drivers::Resource;
use quantity::Seconds;
use std::path::{Path, PathBuf};
use toml::Spanned;

/// Longest time of exposure: half of the oldest age that a picture may have.
const LONGEST_EXPOSURE: Seconds = Seconds::new(0.25);

/// Who reads the needle.
#[derive(Clone, Debug, PartialEq)]
pub enum ReaderSpec {
    /// A reader program on an in-process stream of that name.
    InProcess(String),
    /// A reader program at host and port.
    Tcp(String, u16),
    /// A camera, whose pictures the program reads itself.
    Camera(CameraSpec),
    /// The simulated bench's camera of that name, with pictures drawn in this process.
    SimulatedCamera(String),
    /// A person, who is asked at the terminal.
    Person(PersonSpec),
    /// A file of recorded sightings; on a simulated rig only.
    Replay(PathBuf),
}

/// A person before a dial.
#[derive(Clone, Debug, PartialEq)]
pub struct PersonSpec {
    /// The number at the full-scale mark; the scale begins at 0.
    pub full_scale: f64,
    /// What one of the smallest divisions counts, in the same numbers.
    pub division: f64,
    /// What all readings share (parallax, a thick pointer): standard uncertainty, as a fraction of
    /// scale.
    pub shared: f64,
}

impl PersonSpec {
    /// Standard uncertainty of one reading, as a fraction of scale: people tell a quarter of a
    /// division, to either side.
    pub fn u(&self) -> f64 {
        self.division / self.full_scale / 4.0 / 3.0_f64.sqrt()
    }
}

/// A camera before a dial.
#[derive(Clone, Debug, PartialEq)]
pub struct CameraSpec {
    /// Where its pictures come from.
    pub source: CameraSource,
    /// File with the set-up of the dial before it.
    pub dial: PathBuf,
    /// How a camera of this machine is set.
    pub settings: CameraSettings,
}

/// Settings of a camera of this machine; what is left out is locked where it stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CameraSettings {
    /// Time of exposure.
    pub exposure: Option<Seconds>,
    /// Gain, in the camera's own steps.
    pub gain: Option<i32>,
    /// Focus, in the camera's own steps.
    pub focus: Option<i32>,
    /// Colour temperature, K.
    pub white_balance: Option<i32>,
    /// Mains period, 20 ms or 16.67 ms: lights flicker with it.
    pub mains: Option<Seconds>,
}

/// Where pictures come from.
#[derive(Clone, Debug, PartialEq)]
pub enum CameraSource {
    /// A still picture at this address, asked for anew each time.
    Still(String),
    /// A stream of pictures at this address.
    Stream(String),
    /// A camera of this machine.
    Device(PathBuf),
    /// A picture file that another program writes anew for each picture.
    File(PathBuf),
}

/// Paths in a rig file begin at its folder. `simulated` says whether no real movement is before it.
pub(super) fn spec(
    reader: &Reader<'_>,
    file: &ReaderFile,
    folder: &Path,
    simulated: bool,
) -> Result<ReaderSpec, RigError> {
    match file.kind.as_ref().as_str() {
        "wire" => {
            let place = stated(reader, file, "resource", file.resource.as_ref())?;
            only(reader, file, &["resource"])?;
            unset(reader, file)?;
            wire(reader, place)
        }
        "camera" => {
            only(reader, file, &["source", "dial"])?;
            let source = stated(reader, file, "source", file.source.as_ref())?;
            if let Ok(Resource::InProcess { name }) = source.as_ref().parse() {
                only(reader, file, &["source"])?;
                unset(reader, file)?;
                return Ok(ReaderSpec::SimulatedCamera(name));
            }
            let dial = stated(reader, file, "dial", file.dial.as_ref())?;
            if dial.as_ref().is_empty() {
                let message = "dial names the file that \"needlerig dial propose\" wrote";
                return Err(reader.error(dial.span(), message));
            }
            let source = camera(reader, source, folder)?;
            let settings = match &source {
                CameraSource::Device(_) => settings(reader, file)?,
                _ => unset(reader, file)?,
            };
            Ok(ReaderSpec::Camera(CameraSpec {
                source,
                dial: folder.join(dial.as_ref()),
                settings,
            }))
        }
        "person" => {
            only(reader, file, &["full_scale", "division", "shared"])?;
            unset(reader, file)?;
            person(reader, file).map(ReaderSpec::Person)
        }
        "replay" => {
            only(reader, file, &["recording"])?;
            unset(reader, file)?;
            let recording = stated(reader, file, "recording", file.recording.as_ref())?;
            if !simulated {
                let message = "a recording can't see the needle of a real movement: it is for rigs \
                               with simulated = true";
                return Err(reader.error(recording.span(), message));
            }
            Ok(ReaderSpec::Replay(folder.join(recording.as_ref())))
        }
        other => {
            let message = format!(
                "reader kind \"{other}\" is not known; there are \"wire\", \"camera\", \"person\" and \
                 \"replay\""
            );
            Err(reader.error(file.kind.span(), message))
        }
    }
}

/// The settings of a camera of this machine.
fn settings(reader: &Reader<'_>, file: &ReaderFile) -> Result<CameraSettings, RigError> {
    let seconds = |text: &Option<Text>| -> Result<Option<Seconds>, RigError> {
        text.as_ref().map(|text| reader.positive(text)).transpose()
    };
    let exposure = seconds(&file.exposure)?;
    if let (Some(time), Some(text)) = (exposure, &file.exposure)
        && time > LONGEST_EXPOSURE
    {
        let message = format!("an exposure of {time} is too long; at most {LONGEST_EXPOSURE}");
        return Err(reader.error(text.span(), message));
    }
    let steps = |steps: &Option<Spanned<i32>>| steps.as_ref().map(|steps| *steps.as_ref());
    Ok(CameraSettings {
        exposure,
        gain: steps(&file.gain),
        focus: steps(&file.focus),
        white_balance: steps(&file.white_balance),
        mains: seconds(&file.mains)?,
    })
}

/// No settings at all: whoever sends the pictures sets that camera.
fn unset(reader: &Reader<'_>, file: &ReaderFile) -> Result<CameraSettings, RigError> {
    let texts = [("exposure", &file.exposure), ("mains", &file.mains)];
    let steps = [
        ("gain", &file.gain),
        ("focus", &file.focus),
        ("white_balance", &file.white_balance),
    ];
    let texts = texts.map(|(name, text)| Some((name, text.as_ref()?.span())));
    let steps = steps.map(|(name, steps)| Some((name, steps.as_ref()?.span())));
    match texts.into_iter().chain(steps).flatten().next() {
        None => Ok(CameraSettings::default()),
        Some((name, span)) => {
            let message = format!(
                "{name} is for cameras of this machine (\"/dev/video0\"); set it at the camera \
                 itself, and leave it out here"
            );
            Err(reader.error(span, message))
        }
    }
}

fn stated<'a>(
    reader: &Reader<'_>,
    file: &ReaderFile,
    name: &str,
    text: Option<&'a Text>,
) -> Result<&'a Text, RigError> {
    text.ok_or_else(|| {
        let kind = file.kind.as_ref();
        let message = format!("a reader of kind \"{kind}\" needs {name} = \"…\"");
        reader.error(file.kind.span(), message)
    })
}

/// Nothing else is stated than what this kind of reader has.
fn only(reader: &Reader<'_>, file: &ReaderFile, own: &[&str]) -> Result<(), RigError> {
    let all = [
        ("resource", &file.resource),
        ("source", &file.source),
        ("dial", &file.dial),
        ("recording", &file.recording),
        ("full_scale", &file.full_scale),
        ("division", &file.division),
        ("shared", &file.shared),
    ];
    for (name, text) in all {
        if let Some(text) = text.as_ref().filter(|_| !own.contains(&name)) {
            let kind = file.kind.as_ref();
            let message = format!("a reader of kind \"{kind}\" has no {name}; leave it out");
            return Err(reader.error(text.span(), message));
        }
    }
    Ok(())
}

/// Numbers of the dial as it is printed.
fn person(reader: &Reader<'_>, file: &ReaderFile) -> Result<PersonSpec, RigError> {
    let above_zero = |name, text: &Option<Text>| {
        let text = stated(reader, file, name, text.as_ref())?;
        match reader.number(text)? {
            number if number > 0.0 => Ok(number),
            _ => Err(reader.error(text.span(), format!("{name} must be above zero"))),
        }
    };
    let full_scale = above_zero("full_scale", &file.full_scale)?;
    let division = above_zero("division", &file.division)?;
    if division > full_scale / 5.0 {
        let text = stated(reader, file, "division", file.division.as_ref())?;
        let message = "a scale of fewer than five divisions can't be read well enough";
        return Err(reader.error(text.span(), message));
    }
    let shared = stated(reader, file, "shared", file.shared.as_ref())?;
    Ok(PersonSpec {
        full_scale,
        division,
        shared: reader.share(shared, 0.0, 0.05)?,
    })
}

fn wire(reader: &Reader<'_>, place: &Text) -> Result<ReaderSpec, RigError> {
    match reader.parse(place)? {
        Resource::InProcess { name } => Ok(ReaderSpec::InProcess(name)),
        Resource::Tcp { host, port, .. } => Ok(ReaderSpec::Tcp(host, port)),
        other => Err(reader.error(
            place.span(),
            format!("a reader on {other} cannot be reached; use TCPIP::<host>::<port>::SOCKET"),
        )),
    }
}

/// An address whose path ends in `.mjpg` or `.mjpeg` is a stream.
fn camera(reader: &Reader<'_>, source: &Text, folder: &Path) -> Result<CameraSource, RigError> {
    let text = source.as_ref();
    if let Some(place) = text.strip_prefix("http://") {
        let path = place.split(['?', '#']).next().unwrap_or(place);
        let (host, path) = path.split_once('/').unwrap_or((path, ""));
        if !host.is_empty() && !text.contains(char::is_whitespace) {
            let path = path.to_ascii_lowercase();
            return Ok(match path.ends_with(".mjpg") || path.ends_with(".mjpeg") {
                true => CameraSource::Stream(text.clone()),
                false => CameraSource::Still(text.clone()),
            });
        }
    }
    match text.strip_prefix("file:") {
        Some(path) if !path.is_empty() => return Ok(CameraSource::File(folder.join(path))),
        _ if text.starts_with("/dev/") => return Ok(CameraSource::Device(text.into())),
        _ => {}
    }
    let message = format!(
        "\"{text}\" is no source of pictures; write \"http://host:port/still.jpg\", \
         \"http://host:port/stream.mjpg\", \"/dev/video0\" or \"file:picture.jpg\""
    );
    Err(reader.error(source.span(), message))
}
