//! The cameras of the program on the pictures that the simulated bench serves over HTTP.

use evidence::Sight;
use hw_sim::pictures::{Category, Frame, Layout, Scene, Shot, Stage};
use hw_sim::{Bench, DialCamera, Fault, Kind, Place, find};
use needle::camera::{
    Camera, CameraError, CameraSight, Lens, Novelty, StillCamera, StreamCamera, read_needle,
};
use needle::reader::{Corrections, DialSetup, Picture, Reader};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::oneshot;

const SIZE: (usize, usize) = (640, 480);
/// Longer than anything takes that is to succeed.
const AMPLE: Duration = Duration::from_secs(20);
/// Several frames long.
const SHORT: Duration = Duration::from_millis(400);

/// A served camera; it ends when it is dropped.
struct Served {
    address: String,
    end: Option<oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

/// The dial before the bench.
fn scene() -> Scene {
    let mut scene = Scene::random_of(Category::Good, Layout::Arc, 3, SIZE);
    scene.sensor.jpeg = None;
    scene
}

fn bench(fault: Option<Fault>) -> Bench {
    let spec = find("heron").unwrap();
    match fault {
        Some(fault) => Bench::faulty(&spec, 3, &fault.into()),
        None => Bench::standard(&spec, 3),
    }
}

fn serve(fault: Option<Kind>) -> Served {
    let (tell, told) = std::sync::mpsc::channel();
    let (end, ended) = oneshot::channel();
    let serve = async move {
        let bench = bench(fault.map(|kind| Fault::new(Place::Reader, kind)));
        let camera = DialCamera::new(&Arc::new(Mutex::new(bench)), scene());
        let served = hw_sim::http::camera(camera, 0).await.unwrap();
        tell.send(served.address).unwrap();
        let _ = ended.await;
    };
    let thread = std::thread::spawn(|| {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build();
        runtime.unwrap().block_on(serve);
    });
    Served {
        address: format!("http://{}", told.recv().unwrap()),
        end: Some(end),
        thread: Some(thread),
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        drop(self.end.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The served still and stream, with this deadline.
fn both(served: &Served, deadline: Duration) -> [Box<dyn Camera>; 2] {
    let still = StillCamera::new(&format!("{}/still.jpg", served.address), deadline);
    let stream = StreamCamera::new(&format!("{}/stream.mjpg", served.address), deadline);
    [Box::new(still), Box::new(stream.unwrap())]
}

#[test]
fn still_and_stream_show_the_dial() {
    let served = serve(None);
    for mut camera in both(&served, AMPLE) {
        for _ in 0..3 {
            let picture = camera.frame().unwrap().picture;
            assert_eq!(
                (picture.width(), picture.height(), picture.channels()),
                (640, 480, 3)
            );
            let range =
                picture.samples().iter().max().unwrap() - picture.samples().iter().min().unwrap();
            assert!(range > 100, "a dial has light and dark parts: {range}");
        }
    }
}

#[test]
fn a_covered_lens_gives_dark_pictures() {
    let served = serve(Some(Kind::Blind));
    for mut camera in both(&served, AMPLE) {
        let picture = camera.frame().unwrap().picture;
        assert!(picture.samples().iter().all(|value| *value < 24));
    }
}

#[test]
fn a_frozen_camera_is_found_out() {
    let served = serve(Some(Kind::Frozen));
    for mut camera in both(&served, SHORT) {
        let last = (0..3).filter_map(|_| camera.frame().err()).last();
        assert!(
            matches!(last, Some(CameraError::Repeated { .. })),
            "{last:?}"
        );
    }
}

#[test]
fn a_lost_camera_is_an_error() {
    let served = serve(None);
    let mut cameras = both(&served, SHORT);
    drop(served);
    for camera in &mut cameras {
        // A picture that was on its way may still come.
        let last = (0..3).filter_map(|_| camera.frame().err()).last();
        let gone = matches!(
            last,
            Some(CameraError::Unreachable { .. } | CameraError::Damaged(_))
        );
        assert!(gone, "{last:?}");
    }
}

#[test]
fn a_path_that_is_not_served_says_so() {
    let served = serve(None);
    let address = format!("{}/other", served.address);
    let error = StillCamera::new(&address, AMPLE).frame().unwrap_err();
    assert!(error.to_string().contains("404"), "{error}");
}

fn picture(frame: Frame) -> Picture {
    Picture::rgb(frame.width, frame.height, frame.pixels).unwrap()
}

/// A reader set up from pictures of the needle in five places, confirmed by a person or not.
fn reader_that_is(confirmed: bool) -> Reader {
    let mut stage = Stage::new(scene());
    let mut take = |(number, deflection)| {
        let frame = stage.frame(&Shot::plain(deflection, number)).unwrap();
        picture(frame)
    };
    let places = [0.0, 0.2, 0.4, 0.6, 0.8];
    let pictures: Vec<Picture> = (1000..).zip(places).map(&mut take).collect();
    let corrections = Corrections {
        confirm: confirmed,
        ..Corrections::default()
    };
    let proposed = DialSetup::propose(&pictures).unwrap();
    let setup = proposed.corrected(&corrections).unwrap();
    Reader::new(&setup, &pictures).unwrap()
}

fn reader() -> Reader {
    reader_that_is(true)
}

#[test]
fn a_reader_that_nobody_confirmed_is_not_relied_on() {
    let frame = Stage::new(scene()).frame(&Shot::plain(0.3, 1)).unwrap();
    let doubt = read_needle(&reader_that_is(false), &picture(frame)).unwrap_err();
    assert!(doubt.contains("confirmed"), "{doubt}");
}

#[test]
fn the_needle_is_read_over_http() {
    let served = serve(None);
    let rest = bench(None).shown();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    for camera in both(&served, AMPLE) {
        let lens = Lens::new(camera, AMPLE).unwrap();
        let mut sight = CameraSight::new(lens, reader(), None);
        let sighting = runtime.block_on(sight.look());
        let needle = sighting.seen.unwrap();
        let off = (needle.deflection - rest).abs();
        assert!(off < 0.005, "off by {off} of scale");
        assert!(sighting.age < AMPLE.as_secs_f64());
    }
}

/// What the reader says to twenty pictures of a bench with this fault, in virtual time.
fn sightings(fault: Option<Fault>) -> Vec<Result<f64, String>> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()
        .unwrap();
    let mut camera = DialCamera::new(&Arc::new(Mutex::new(bench(fault))), scene());
    let (reader, mut novelty) = (reader(), Novelty::default());
    runtime.block_on(async {
        let mut all = Vec::new();
        for _ in 0..20 {
            let frame = camera.picture().await.unwrap().frame;
            let new = novelty.is_new(&frame.pixels);
            let seen = read_needle(&reader, &picture(frame));
            all.push(if new {
                seen.map(|needle| needle.deflection)
            } else {
                Err("old".into())
            });
        }
        all
    })
}

#[test]
fn the_needle_is_read_in_the_pictures_of_the_bench() {
    let rest = bench(None).shown();
    for seen in sightings(None) {
        let off = (seen.unwrap() - rest).abs();
        assert!(off < 0.003, "off by {off} of scale");
    }
}

#[test]
fn a_spoilt_camera_is_never_read_as_a_resting_needle() {
    let reader = |kind| Fault::new(Place::Reader, kind);
    assert!(
        sightings(Some(reader(Kind::Blind)))
            .iter()
            .all(Result::is_err)
    );
    let frozen = sightings(Some(reader(Kind::Frozen)));
    assert!(frozen[1..].iter().all(Result::is_err), "{frozen:?}");
    let rest = bench(None).shown();
    let off = |deflection: f64| (deflection - rest).abs();
    // A small knock is followed; a large one is followed or refused, and never misleads.
    for seen in sightings(Some(reader(Kind::Knocked).sized(3.0))) {
        assert!(seen.is_ok_and(|deflection| off(deflection) < 0.005));
    }
    for seen in sightings(Some(reader(Kind::Knocked).sized(200.0))) {
        assert!(seen.map_or(true, |deflection| off(deflection) < 0.005));
    }
}
