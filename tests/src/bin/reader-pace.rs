//! `reader-pace`: milliseconds of processor time for reading one picture on one core, decoded
//! already and with JPEG decoding, beside the same method written with OpenCV and numpy. Processor
//! time, as Linux counts it, so that a busy machine matters little.

use dial_pictures::{Category, Layout, Scene, Shot, Stage};
use needle::camera::decode_jpeg;
use needle::reader::{Corrections, DialSetup, Picture, Reader};
use needlerig_tests::campaign::pictured::LONG;
use serde_json::json;
use std::error::Error;
use std::path::Path;
use std::process::{Command, ExitCode};

type Outcome<T> = Result<T, Box<dyn Error>>;

const ROUNDS: usize = 200;
/// Where the needle stands in the pictures that are read.
const PLACES: [f64; 4] = [0.07, 0.33, 0.58, 0.96];

/// Milliseconds a picture, and the largest error in % of scale.
struct Pace {
    read: f64,
    decoded_and_read: f64,
    error: f64,
}

/// A dial before its camera: the pictures as they come from the camera, and as they are decoded.
struct Dial {
    set_up: Vec<Vec<u8>>,
    later: Vec<Vec<u8>>,
}

fn main() -> ExitCode {
    println!(
        "{:31} {:>8}  {:>7} {:>11} {:>9}",
        "milliseconds of processor time", "set-up", "reading", "and decoding", "error / %"
    );
    for size in [(640, 480), (1280, 720), (1920, 1080)] {
        for layout in [Layout::Arc, Layout::Long, Layout::Edgewise] {
            if let Err(why) = compare(layout, size) {
                eprintln!("{layout:?} {size:?}: {why}");
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}

/// Prints the pace of both on one dial. The other knows no straight scales.
fn compare(layout: Layout, size: (usize, usize)) -> Outcome<()> {
    let dial = shoot(layout, size)?;
    let name = format!("{} × {} {layout:?}", size.0, size.1);
    let (setup, taught, ours) = pace(&dial)?;
    let line = |who: &str, taught: String, pace: &Pace| {
        println!(
            "{:31} {taught:>8}  {:>7.2} {:>11.2} {:>9.3}",
            format!("{name}, {who}"),
            pace.read,
            pace.decoded_and_read,
            pace.error
        );
    };
    line("ours", format!("{taught:.0}"), &ours);
    if layout != Layout::Edgewise {
        let theirs = python(&dial, &setup)?;
        line("OpenCV", String::new(), &theirs);
        println!(
            "{:31} {:>8}  {:>6.1}× {:>10.1}×",
            "",
            "",
            theirs.read / ours.read,
            theirs.decoded_and_read / ours.decoded_and_read
        );
    }
    Ok(())
}

/// Pictures of a random dial as JPEG files.
fn shoot(layout: Layout, size: (usize, usize)) -> Outcome<Dial> {
    let mut scene = Scene::random_of(Category::Good, layout, 5, size);
    let quality = scene.sensor.jpeg.take().unwrap_or(90);
    let mut stage = Stage::new(scene);
    let mut shoot = |place: f64, seed: u64| -> Outcome<Vec<u8>> {
        Ok(stage.frame(&Shot::plain(place, seed))?.jpeg(quality)?)
    };
    Ok(Dial {
        set_up: (LONG.iter().zip(1..))
            .map(|(place, seed)| shoot(*place, seed))
            .collect::<Outcome<_>>()?,
        later: (PLACES.iter().zip(9..))
            .map(|(place, seed)| shoot(*place, seed))
            .collect::<Outcome<_>>()?,
    })
}

fn decoded(jpegs: &[Vec<u8>]) -> Outcome<Vec<Picture>> {
    let all = jpegs.iter().map(|jpeg| decode_jpeg(jpeg));
    Ok(all.collect::<Result<_, _>>()?)
}

/// The set-up, the milliseconds that it took, and the pace of reading.
fn pace(dial: &Dial) -> Outcome<(DialSetup, f64, Pace)> {
    let (pictures, later) = (decoded(&dial.set_up)?, decoded(&dial.later)?);
    let confirm = Corrections {
        confirm: true,
        ..Corrections::default()
    };
    let start = spent()?;
    let setup = DialSetup::propose(&pictures)?.corrected(&confirm)?;
    let reader = Reader::new(&setup, &pictures)?;
    let taught = spent()? - start;
    let mut error = 0.0f64;
    for (seen, place) in later.iter().zip(PLACES) {
        // A straight scale without an eye check has parallax.
        error = error.max(100.0 * (reader.read(seen)?.deflection - place).abs());
    }
    let read = timed(|round| {
        std::hint::black_box(reader.read(&later[round % later.len()])?);
        Ok(())
    })?;
    let decoded_and_read = timed(|round| {
        let seen = decode_jpeg(&dial.later[round % dial.later.len()])?;
        std::hint::black_box(reader.read(&seen)?);
        Ok(())
    })?;
    let pace = Pace {
        read,
        decoded_and_read,
        error,
    };
    Ok((setup, taught, pace))
}

fn timed(work: impl Fn(usize) -> Outcome<()>) -> Outcome<f64> {
    let start = spent()?;
    for round in 0..ROUNDS {
        work(round)?;
    }
    Ok((spent()? - start) / ROUNDS as f64)
}

/// The same method with OpenCV and numpy, on the same pictures with the same set-up.
fn python(dial: &Dial, setup: &DialSetup) -> Outcome<Pace> {
    let folder = tempfile::tempdir()?;
    let keep = |kind: &str, jpegs: &[Vec<u8>]| -> Outcome<Vec<String>> {
        let names = (0..jpegs.len()).map(|number| format!("{kind}-{number}.jpg"));
        let names: Vec<String> = names.collect();
        for (name, jpeg) in names.iter().zip(jpegs) {
            std::fs::write(folder.path().join(name), jpeg)?;
        }
        Ok(names)
    };
    let (set_up, later) = (keep("set-up", &dial.set_up)?, keep("later", &dial.later)?);
    let pictures: Vec<_> = later.iter().zip(PLACES).collect();
    let about = json!({ "setup": setup, "set_up": set_up, "pictures": pictures });
    std::fs::write(folder.path().join("dial.json"), about.to_string())?;
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let output = Command::new(root.join("target/pace/bin/python"))
        .arg(root.join("tests/peers/reader_pace.py"))
        .arg(folder.path())
        .output()
        .map_err(|error| format!("{error}; run: cargo xtask bench reader"))?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into());
    }
    let text = String::from_utf8(output.stdout)?;
    let numbers: Vec<f64> = text
        .split_whitespace()
        .map(str::parse)
        .collect::<Result<_, _>>()?;
    match numbers[..] {
        [read, decoded_and_read, error] => Ok(Pace {
            read,
            decoded_and_read,
            error,
        }),
        _ => Err(format!("three numbers were expected, not {text}").into()),
    }
}

/// Processor time of this program so far, in milliseconds.
fn spent() -> Outcome<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    // The name in brackets may hold blanks; user and system time are the 12th and 13th after it, in
    // hundredths of a second.
    let after = stat.rsplit(')').next().unwrap_or_default();
    let ticks = after.split_whitespace().skip(11).take(2);
    let ticks: f64 = ticks.filter_map(|field| field.parse::<f64>().ok()).sum();
    Ok(ticks * 10.0)
}
