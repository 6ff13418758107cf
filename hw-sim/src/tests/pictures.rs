//! What the camera before the dial sees, faults included.

use super::wires::paused;
use super::*;
use crate::{DialCamera, Fault, Kind, Place, Snapshot};
use dial_pictures::{Category, Frame, Layout, Scene, Shot, Stage};
use std::sync::{Arc, Mutex};
use tokio::time::Duration;

fn scene() -> Scene {
    let mut scene = Scene::random_of(Category::Good, Layout::Arc, 3, (320, 240));
    scene.sensor.jpeg = None;
    scene
}

/// Three pictures of a resting needle, and where it rests.
fn three(fault: Option<Fault>) -> (Vec<Snapshot>, f64) {
    let faults = crate::Faults {
        fault: fault.into_iter().collect(),
    };
    let bench = Bench::faulty(&find("heron").unwrap(), 4, &faults);
    let rest = bench.shown();
    let mut camera = DialCamera::new(&Arc::new(Mutex::new(bench)), scene());
    let pictures = paused(async {
        let mut all = Vec::new();
        for _ in 0..3 {
            all.push(camera.picture().await.unwrap());
        }
        all
    });
    (pictures, rest)
}

fn reader(kind: Kind) -> Option<Fault> {
    Some(Fault::new(Place::Reader, kind))
}

/// How much two pictures differ, in steps, root mean square.
fn difference(a: &Frame, b: &Frame) -> f64 {
    let square = |(a, b): (&u8, &u8)| (f64::from(*a) - f64::from(*b)).powi(2);
    let sum: f64 = a.pixels.iter().zip(&b.pixels).map(square).sum();
    (sum / a.pixels.len() as f64).sqrt()
}

/// A picture with the needle at this deflection, and the difference that noise alone makes.
fn expected(deflection: f64) -> (Frame, f64) {
    let mut stage = Stage::new(scene());
    let frame = stage.frame(&Shot::plain(deflection, 99)).unwrap();
    (frame, 1.5 * scene().sensor.noise + 0.5)
}

#[test]
fn the_picture_shows_the_needle_where_it_stands() {
    let (pictures, rest) = three(None);
    let (here, noise) = expected(rest);
    let (elsewhere, _) = expected(rest + 0.1);
    for picture in &pictures {
        assert!((0.03..0.0601).contains(&picture.age), "{}", picture.age);
        let off = difference(&picture.frame, &here);
        assert!(off < noise && off < 0.7 * difference(&picture.frame, &elsewhere));
    }
    assert!(
        pictures[0].frame != pictures[1].frame,
        "no two are the same"
    );
}

#[test]
fn a_covered_lens_shows_nothing() {
    let (pictures, _) = three(reader(Kind::Blind));
    for picture in pictures {
        let brightest = picture.frame.pixels.iter().max().copied();
        assert!(brightest < Some(16), "{brightest:?}");
    }
}

#[test]
fn a_dazzled_camera_sees_white() {
    let (pictures, _) = three(reader(Kind::Dazzled));
    for picture in pictures {
        let white = picture.frame.pixels.iter().filter(|value| **value > 250);
        assert!(white.count() * 10 > 8 * picture.frame.pixels.len());
    }
}

#[test]
fn a_frozen_camera_sends_the_same_bytes_as_if_they_were_new() {
    let (pictures, _) = three(reader(Kind::Frozen));
    let (sound, _) = three(None);
    for (picture, sound) in pictures.iter().zip(sound) {
        assert!(picture.frame == pictures[0].frame);
        assert_eq!(picture.age, sound.age);
    }
}

#[test]
fn another_dial_and_a_lie_show_a_needle_elsewhere() {
    let sized = |kind, size| reader(kind).map(|fault| fault.sized(size));
    let (pictures, _) = three(sized(Kind::OtherDial, 0.6));
    let (there, noise) = expected(0.6);
    assert!(difference(&pictures[2].frame, &there) < noise);
    assert!(pictures[1].frame != pictures[2].frame, "alive");
    let (pictures, rest) = three(sized(Kind::Lies, 0.02));
    let (there, _) = expected(rest + 0.02);
    let (here, _) = expected(rest);
    let lie = difference(&pictures[2].frame, &there);
    assert!(lie < noise && lie < 0.7 * difference(&pictures[2].frame, &here));
}

#[test]
fn a_knocked_camera_shows_the_dial_elsewhere_and_keeps_still_there() {
    let (still, _) = three(None);
    let (moved, _) = three(reader(Kind::Knocked).map(|fault| fault.sized(15.0)));
    let noise = difference(&moved[1].frame, &moved[2].frame);
    assert!(noise < 2.5 * scene().sensor.noise + 0.5);
    assert!(difference(&still[1].frame, &moved[1].frame) > 4.0 * noise);
}

#[test]
fn a_needle_in_motion_is_blurred() {
    let mut bench = connected("heron", 5, 0..10);
    set(&mut bench, 4.0);
    let bench = Arc::new(Mutex::new(bench));
    let mut camera = DialCamera::new(&bench, scene());
    let ways = paused(async {
        let mut ways = Vec::new();
        for _ in 0..120 {
            ways.push(camera.exposed().await.unwrap().way.abs());
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        ways
    });
    let fastest = ways.iter().fold(0.0, |most: f64, way| most.max(*way));
    assert!(fastest > 1e-3, "{fastest}");
    assert!(
        ways.last().is_some_and(|way| *way < 0.05 * fastest),
        "it came to rest"
    );
}
