//! A dial file: the set-up of one dial before its camera, and the pictures it was made from, which
//! stand in a folder beside it.

use crate::exit::{Failure, REFUSED, STORE};
use needle::camera::{LARGEST_FILE, Region, decode_picture, encode_png};
use needle::reader::{DialSetup, Picture, Reader};
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The format of dial files that this program writes, and the only one that it reads.
const FORMAT: u32 = 1;
/// What dial files end in.
const ENDING: &str = "toml";
/// Largest dial file that is read, bytes.
const LARGEST: u64 = 1 << 20;

const HEAD: &str = "# A dial before its camera, written by \"needlerig dial propose\". Places are in pixels from the\n\
                    # top left. Marks are numbered from the middle of the scale. The pictures belong to it.\n\n";

/// A dial as its file has it.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct DialFile {
    format: u32,
    /// Names of the pictures, from the file's folder on; the needle at rest first.
    pictures: Vec<String>,
    /// Where the dial is in the camera's pictures, if not all over them.
    part: Option<Part>,
    setup: DialSetup,
}

/// One of several dials in a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    /// First column.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Width and height of the whole picture, px.
    pub of: [usize; 2],
}

impl Part {
    /// The same without the size of the whole.
    pub fn region(&self) -> Region {
        Region {
            left: self.left,
            top: self.top,
            width: self.width,
            height: self.height,
        }
    }

    /// This part of a whole picture.
    ///
    /// # Errors
    /// When the picture has another size, or the part lies outside.
    pub fn cut(&self, whole: &Picture) -> Result<Picture, String> {
        let size = [whole.width(), whole.height()];
        if size != self.of {
            let [width, height] = self.of;
            return Err(format!(
                "the picture has {} × {} pixels; the dial's region is one of {width} × {height}",
                size[0], size[1]
            ));
        }
        self.region().of(whole).map_err(|error| error.to_string())
    }
}

/// A dial that is set up.
#[derive(Debug)]
pub struct Dial {
    /// The set-up.
    pub setup: DialSetup,
    /// The pictures that it was made from, the needle at rest first: of its part only.
    pub pictures: Vec<Picture>,
    /// Where it is in the camera's pictures, if not all over them.
    pub part: Option<Part>,
}

impl Dial {
    /// Reads a dial file and its pictures.
    ///
    /// # Errors
    /// What is wrong with them.
    pub fn load(path: &Path) -> Result<Self, Failure> {
        let wrong = |why: String| Failure::usage(format!("{}: {why}", path.display()));
        let bytes = read(path, LARGEST)?;
        let text = String::from_utf8(bytes).map_err(|error| wrong(error.to_string()))?;
        let table: toml::Table = text.parse().map_err(|error| wrong(format!("{error}")))?;
        if table.get("format").and_then(toml::Value::as_integer) != Some(FORMAT.into()) {
            return Err(wrong(format!(
                "this is no dial file of format {FORMAT}; make one with needlerig dial propose"
            )));
        }
        if !finite(&toml::Value::Table(table)) {
            return Err(wrong("it has a number that is not finite".to_owned()));
        }
        let file: DialFile = toml::from_str(&text).map_err(|error| wrong(format!("{error}")))?;
        let folder = path.parent().unwrap_or(Path::new(""));
        let pictures = file.pictures.iter().map(|name| picture(&folder.join(name)));
        Ok(Self {
            setup: file.setup,
            pictures: pictures.collect::<Result<_, _>>()?,
            part: file.part,
        })
    }

    /// Writes the dial file, its pictures into a folder of the same name without ".toml", and
    /// beside it a picture with the set-up drawn over it. Gives the place of that picture.
    ///
    /// # Errors
    /// When a file can't be written. A dial file that is there is whole: it is written last.
    pub fn keep(&self, path: &Path, drawn: &Picture) -> Result<PathBuf, Failure> {
        let unkept = |place: &Path, why: String| {
            Failure::new(
                STORE,
                format!("{} can't be written: {why}", place.display()),
            )
        };
        let write = |place: &Path, bytes: &[u8]| {
            std::fs::write(place, bytes).map_err(|error| unkept(place, error.to_string()))
        };
        let write_picture = |place: &Path, picture: &Picture| {
            write(
                place,
                &encode_png(picture).map_err(|why| unkept(place, why))?,
            )
        };
        let folder = folder(path)?;
        let names = (1..=self.pictures.len()).map(|number| format!("picture-{number}.png"));
        let base = Path::new(folder.file_name().unwrap_or_default());
        let file = DialFile {
            format: FORMAT,
            pictures: names
                .clone()
                .map(|name| base.join(name).display().to_string())
                .collect(),
            part: self.part,
            setup: self.setup.clone(),
        };
        let text = toml::to_string(&file).map_err(|error| unkept(path, error.to_string()))?;
        // An old set-up must never stand beside new pictures.
        match std::fs::remove_file(path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(unkept(path, error.to_string()));
            }
            _ => {}
        }
        std::fs::create_dir_all(&folder).map_err(|error| unkept(&folder, error.to_string()))?;
        for (name, picture) in names.zip(&self.pictures) {
            write_picture(&folder.join(name), picture)?;
        }
        let shown = check_picture(path)?;
        write_picture(&shown, drawn)?;
        let half = path.with_added_extension("part");
        write(&half, (HEAD.to_owned() + &text).as_bytes())?;
        std::fs::rename(&half, path).map_err(|error| unkept(path, error.to_string()))?;
        Ok(shown)
    }

    /// The reader of this dial.
    ///
    /// # Errors
    /// When set-up and pictures don't belong together.
    pub fn reader(&self) -> Result<Reader, Failure> {
        Reader::new(&self.setup, &self.pictures)
            .map_err(|error| Failure::new(REFUSED, error.to_string()))
    }
}

/// The folder of a dial file's pictures.
///
/// # Errors
/// When the name of the dial file does not end in ".toml".
pub fn folder(path: &Path) -> Result<PathBuf, Failure> {
    if path.extension().is_none_or(|ending| ending != ENDING) {
        let text = format!(
            "a dial file's name must end in .{ENDING}, not {}",
            path.display()
        );
        return Err(Failure::usage(text));
    }
    Ok(path.with_extension(""))
}

/// The picture beside a dial file in which a person checks the set-up.
///
/// # Errors
/// As [`folder`].
pub fn check_picture(path: &Path) -> Result<PathBuf, Failure> {
    let mut name = folder(path)?.into_os_string();
    name.push("-check.png");
    Ok(name.into())
}

/// Reads and decodes a picture file.
///
/// # Errors
/// When it can't be read, or is no picture.
pub fn picture(path: &Path) -> Result<Picture, Failure> {
    let bytes = read(path, LARGEST_FILE as u64)?;
    decode_picture(&bytes).map_err(|error| Failure::usage(format!("{}: {error}", path.display())))
}

/// A whole file of at most `most` bytes.
fn read(path: &Path, most: u64) -> Result<Vec<u8>, Failure> {
    let wrong = |why: String| Failure::usage(format!("{}: {why}", path.display()));
    let file = File::open(path).map_err(|error| wrong(error.to_string()))?;
    let mut bytes = Vec::new();
    file.take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| wrong(error.to_string()))?;
    if bytes.len() as u64 > most {
        return Err(wrong(format!("it has more than {most} bytes")));
    }
    Ok(bytes)
}

fn finite(value: &toml::Value) -> bool {
    match value {
        toml::Value::Float(number) => number.is_finite(),
        toml::Value::Array(all) => all.iter().all(finite),
        toml::Value::Table(all) => all.values().all(finite),
        _ => true,
    }
}
