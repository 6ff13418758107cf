//! Pictures of the dial before the simulated bench's camera.

use hw_sim::pictures::{Category, Frame, Layout, Scene, Shot, Stage};
use needle::reader::Picture;

/// The dial before the bench.
pub fn scene() -> Scene {
    let mut scene = Scene::random_of(Category::Good, Layout::Arc, 3, (640, 480));
    scene.sensor.jpeg = None;
    scene
}

fn picture(frame: Frame) -> Picture {
    Picture::rgb(frame.width, frame.height, frame.pixels).unwrap()
}

/// Pictures of the needle in these places.
pub fn pictures(places: &[f64], first: u64) -> Vec<Picture> {
    let mut stage = Stage::new(scene());
    let take =
        |(number, place): (u64, &f64)| picture(stage.frame(&Shot::plain(*place, number)).unwrap());
    (first..).zip(places).map(take).collect()
}

/// The places of a set-up.
pub const PLACES: [f64; 5] = [0.0, 0.2, 0.4, 0.6, 0.8];
