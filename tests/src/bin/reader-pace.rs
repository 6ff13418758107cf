//! `reader-pace`: milliseconds of processor time for reading one picture, decoded already, on one
//! core. Processor time, as Linux counts it, so that a busy machine does not matter.

use dial_pictures::{Category, Layout, Scene, Shot, Stage};
use needle::reader::{Corrections, DialSetup, Picture, Reader};
use needlerig_tests::campaign::pictured::picture;
use std::process::ExitCode;

const ROUNDS: u32 = 200;

fn main() -> ExitCode {
    let layouts = [Layout::Arc, Layout::Long, Layout::Edgewise];
    for size in [(640, 480), (1280, 720), (1920, 1080)] {
        for layout in layouts {
            match pace(layout, size) {
                Ok((taught, read)) => println!(
                    "{} × {} {layout:?}: set-up {taught:.0} ms, reading {read:.2} ms",
                    size.0, size.1
                ),
                Err(why) => {
                    eprintln!("{layout:?} {size:?}: {why}");
                    return ExitCode::FAILURE;
                }
            }
        }
    }
    ExitCode::SUCCESS
}

/// Processor time of this program so far, in milliseconds.
fn spent() -> Result<f64, String> {
    let stat = std::fs::read_to_string("/proc/self/stat").map_err(|e| e.to_string())?;
    // The name in brackets may hold blanks; user and system time are the 12th and 13th after it, in
    // hundredths of a second.
    let after = stat.rsplit(')').next().unwrap_or_default();
    let ticks = after.split_whitespace().skip(11).take(2);
    let ticks: f64 = ticks.filter_map(|field| field.parse::<f64>().ok()).sum();
    Ok(ticks * 10.0)
}

/// Milliseconds for setting up from five pictures, and for reading one.
fn pace(layout: Layout, size: (usize, usize)) -> Result<(f64, f64), String> {
    let mut stage = Stage::new(Scene::random_of(Category::Good, layout, 5, size));
    let mut shoot = |shot: &Shot| -> Result<Picture, String> {
        picture(&stage.frame(shot).map_err(|e| e.to_string())?)
    };
    let places = [0.0, 0.22, 0.45, 0.68, 0.9];
    let pictures: Vec<Picture> = (places.iter().zip(1..))
        .map(|(place, seed)| shoot(&Shot::plain(*place, seed)))
        .collect::<Result<_, _>>()?;
    let seen = shoot(&Shot::plain(0.4, 9))?;
    let start = spent()?;
    let confirm = Corrections {
        confirm: true,
        ..Corrections::default()
    };
    let reader = DialSetup::propose(&pictures)
        .and_then(|setup| setup.corrected(&confirm))
        .and_then(|setup| Reader::new(&setup, &pictures))
        .map_err(|e| e.to_string())?;
    let taught = spent()? - start;
    let start = spent()?;
    for _ in 0..ROUNDS {
        std::hint::black_box(reader.read(&seen)).map_err(|e| e.to_string())?;
    }
    Ok((taught, (spent()? - start) / f64::from(ROUNDS)))
}
