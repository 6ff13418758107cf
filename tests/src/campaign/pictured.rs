//! Random dials before random cameras, read and judged against the truth.

mod plain;
mod report;

pub use report::Report;

use super::seed;
use dial_pictures::{Category, Frame, Layout, Scene, Shape, Shot, Stage, Trouble};
use needle::reader::{Corrections, DialSetup, Geometry, Picture, Reader};
use serde::{Deserialize, Serialize};

/// Where the needle stands in the pictures of a short and of a long set-up.
pub const SHORT: [f64; 3] = [0.0, 0.4, 0.8];
/// As [`SHORT`].
pub const LONG: [f64; 5] = [0.0, 0.22, 0.45, 0.68, 0.9];
/// One scene of so many is set up with three pictures, too.
const SHORT_IN: u64 = 8;
/// Readings of an undisturbed dial.
const READINGS: u64 = 4;
/// Readings with trouble.
const TROUBLES: u64 = 3;
/// How well a person clicks, in pixels, and reads square-on, as a fraction of the scale.
const CLICK: f64 = 1.2;
const EYE: f64 = 0.0005;

/// One scene of a campaign.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Pictured {
    /// Its seed.
    pub seed: u64,
    /// How much care was taken.
    pub category: Category,
    /// Kind of dial.
    pub layout: Layout,
    /// Shape of the needle.
    pub shape: Shape,
    /// Picture size.
    pub size: (usize, usize),
    /// Whether there is a mirror under the needle.
    pub mirror: bool,
    /// Set-up from three pictures, nobody helping; in one scene of eight.
    pub short: Option<Proposed>,
    /// Set-up from five pictures, nobody helping.
    pub long: Proposed,
    /// Why there is no reader even with a person's help, where there is none.
    pub unusable: Option<String>,
    /// Why sightings are not for unattended use; empty when they are.
    pub reservations: Vec<String>,
    /// Undisturbed pictures, then disturbed ones.
    pub readings: Vec<Reading>,
}

/// What a set-up proposed.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Proposed {
    /// Why nothing was proposed.
    pub refused: Option<String>,
    /// Distance of the pivot from the truth, in pixels.
    pub pivot: Option<f64>,
    /// Zero and full scale are the true marks.
    pub right: bool,
    /// Proposed without doubt.
    pub sure: bool,
    /// The doubts.
    pub doubts: Vec<String>,
}

/// One picture read.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Reading {
    /// What disturbed it.
    pub trouble: Option<Trouble>,
    /// True deflection.
    pub truth: f64,
    /// What was seen, or why not.
    pub seen: Result<Sight, String>,
    /// Errors of the plain methods, of scale: brightest radial line, difference and Hough.
    pub plain: Option<[f64; 2]>,
}

/// What was seen.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub struct Sight {
    /// Error, of full scale.
    pub error: f64,
    /// Standard uncertainty of this picture alone, of full scale.
    pub own: f64,
    /// Standard uncertainty that all pictures of the scene share, of full scale.
    pub shared: f64,
    /// Confidence.
    pub confidence: f64,
}

impl Sight {
    /// Standard uncertainty of this one reading, of full scale.
    pub fn u(&self) -> f64 {
        self.own.hypot(self.shared)
    }
}

/// The scene that belongs to a seed.
pub fn scene(seed: u64) -> Scene {
    let pick = super::seed("what kind of scene", seed);
    let category = [Category::Good, Category::Typical, Category::Hard][(pick % 3) as usize];
    let size = match (pick / 3) % 5 {
        0 => (640, 480),
        1 => (1920, 1080),
        _ => (1280, 720),
    };
    Scene::random(category, seed, size)
}

/// The picture of a frame.
///
/// # Errors
/// When it has no size that can be read.
pub fn picture(frame: &Frame) -> Result<Picture, String> {
    Picture::rgb(frame.width, frame.height, frame.pixels.clone()).map_err(|e| e.to_string())
}

/// Sets up, reads and judges one scene.
///
/// # Errors
/// When a picture could not be made.
pub fn pictured(seed: u64) -> Result<Pictured, String> {
    let scene = scene(seed);
    let mut stage = Stage::new(scene.clone());
    let mut dice = Dice(super::seed("places", seed));
    let short = match (super::seed("short", seed)).is_multiple_of(SHORT_IN) {
        true => Some(DialSetup::propose(&pictures(
            &mut stage, &SHORT, &mut dice,
        )?)),
        false => None,
    };
    let long = pictures(&mut stage, &LONG, &mut dice)?;
    let second = DialSetup::propose(&long);
    let mut done = Pictured {
        seed,
        category: scene.category,
        layout: scene.dial.layout,
        shape: scene.needle.shape,
        size: scene.size,
        mirror: scene.dial.mirror.is_some(),
        short: short.map(|setup| proposed(&scene, &setup)),
        long: proposed(&scene, &second),
        unusable: None,
        reservations: Vec::new(),
        readings: Vec::new(),
    };
    let ready = second
        .and_then(|setup| helped(&scene, setup, &mut dice))
        .and_then(|setup| Ok((Reader::new(&setup, &long)?, setup)));
    let (mut reader, setup) = match ready {
        Ok(ready) => ready,
        Err(why) => {
            done.unusable = Some(why.to_string());
            return Ok(done);
        }
    };
    if matches!(setup.geometry, Geometry::Straight(_)) {
        match checked(&mut stage, &setup, &reader, &long, &mut dice)? {
            Ok(better) => reader = better,
            Err(why) => {
                done.unusable = Some(why);
                return Ok(done);
            }
        }
    }
    done.reservations = reader.reservations().to_vec();
    for number in 0..READINGS + TROUBLES {
        let deflection = dice.unit();
        let shot_seed = dice.next();
        let trouble = (number >= READINGS)
            .then(|| Trouble::ALL[(dice.next() % Trouble::ALL.len() as u64) as usize]);
        let shot = match trouble {
            None => scene.later(deflection, shot_seed),
            Some(trouble) => scene.troubled(trouble, deflection, shot_seed),
        };
        let seen = picture(&frame(&mut stage, &shot)?)?;
        // The plain methods take as long as all else together.
        let plain = (number == 0).then(|| plain::read(&scene, &long, &seen, deflection));
        done.readings.push(Reading {
            trouble,
            truth: deflection,
            seen: match reader.read(&seen) {
                Ok(seen) => Ok(Sight {
                    error: seen.deflection - deflection,
                    own: seen.u,
                    shared: seen.u_shared,
                    confidence: seen.confidence,
                }),
                Err(why) => Err(why.to_string()),
            },
            plain: plain.flatten(),
        });
    }
    Ok(done)
}

fn frame(stage: &mut Stage, shot: &Shot) -> Result<Frame, String> {
    stage.frame(shot).map_err(|error| error.to_string())
}

fn pictures(stage: &mut Stage, places: &[f64], dice: &mut Dice) -> Result<Vec<Picture>, String> {
    let take = |place: &f64| picture(&frame(stage, &Shot::plain(*place, dice.next()))?);
    places.iter().map(take).collect()
}

/// Whether a proposed mark lies at the true place: nearer than to any neighbour.
fn at_mark(scene: &Scene, proposed: [f64; 2], fraction: f64) -> bool {
    let truth = scene.truth();
    let off = |mark: &dial_pictures::Mark| {
        let [x, y] = pixel(mark.near);
        (x - proposed[0]).hypot(y - proposed[1])
    };
    let nearest = truth.marks.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
    nearest.is_some_and(|mark| {
        (mark.fraction - fraction).abs() < 1e-6 && off(mark) < scene.size.0 as f64 / 100.0
    })
}

/// From the renderer's pixel edges to the reader's pixel centres.
fn pixel([x, y]: [f64; 2]) -> [f64; 2] {
    [x - 0.5, y - 0.5]
}

fn proposed(scene: &Scene, setup: &Result<DialSetup, needle::reader::SetupError>) -> Proposed {
    match setup {
        Err(why) => Proposed {
            refused: Some(why.to_string()),
            pivot: None,
            right: false,
            sure: false,
            doubts: Vec::new(),
        },
        Ok(setup) => {
            let pivot = match (&setup.geometry, scene.truth().pivot) {
                (Geometry::Radial(radial), Some(truth)) => {
                    let [x, y] = pixel(truth);
                    Some((radial.pivot[0] - x).hypot(radial.pivot[1] - y))
                }
                _ => None,
            };
            let right = at_mark(scene, setup.place(setup.zero), 0.0)
                && at_mark(scene, setup.place(setup.full_scale), 1.0);
            Proposed {
                refused: None,
                pivot,
                right,
                sure: setup.sure(),
                doubts: setup.doubts.clone(),
            }
        }
    }
}

/// The set-up as a person would correct it: wrong marks are clicked, then all is confirmed.
fn helped(
    scene: &Scene,
    setup: DialSetup,
    dice: &mut Dice,
) -> Result<DialSetup, needle::reader::SetupError> {
    let truth = scene.truth();
    let mut click = |spot: [f64; 2]| {
        let [x, y] = pixel(spot);
        [x + CLICK * dice.normal(), y + CLICK * dice.normal()]
    };
    let (zero, full_scale) = (click(truth.zero), click(truth.full_scale));
    let wrong = |number: f64, fraction: f64| !at_mark(scene, setup.place(number), fraction);
    let corrections = Corrections {
        zero: wrong(setup.zero, 0.0).then_some(zero),
        full_scale: wrong(setup.full_scale, 1.0).then_some(full_scale),
        confirm: true,
        ..Corrections::default()
    };
    setup.corrected(&corrections)
}

/// The reader of a straight scale after a person has looked square-on at zero and full scale.
fn checked(
    stage: &mut Stage,
    setup: &DialSetup,
    reader: &Reader,
    long: &[Picture],
    dice: &mut Dice,
) -> Result<Result<Reader, String>, String> {
    let mut pairs = Vec::new();
    for place in [0.01, 0.99] {
        let seen = picture(&frame(stage, &Shot::plain(place, dice.next()))?)?;
        match reader.read(&seen) {
            Ok(seen) => pairs.push((seen.deflection, place + EYE * dice.normal())),
            Err(why) => return Ok(Err(format!("eye check: {why}"))),
        }
    }
    let setup = setup.clone().eye_checked([pairs[0], pairs[1]]);
    Ok(setup
        .and_then(|setup| Reader::new(&setup, long))
        .map_err(|why| why.to_string()))
}

/// Numbers that follow from a seed.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = seed("dice", self.0);
        self.0
    }

    fn unit(&mut self) -> f64 {
        self.next() as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.unit().max(1e-12).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}
