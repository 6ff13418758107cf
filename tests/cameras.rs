//! The cameras of the program on the pictures that the simulated bench serves over HTTP.

use hw_sim::pictures::{Category, Layout, Scene};
use hw_sim::{Bench, DialCamera, Fault, Kind, Place, find};
use needle::camera::{Camera, CameraError, StillCamera, StreamCamera};
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

fn serve(fault: Option<Kind>) -> Served {
    let (tell, told) = std::sync::mpsc::channel();
    let (end, ended) = oneshot::channel();
    let serve = async move {
        let spec = find("heron").unwrap();
        let bench = match fault {
            Some(kind) => Bench::faulty(&spec, 3, &Fault::new(Place::Reader, kind).into()),
            None => Bench::standard(&spec, 3),
        };
        let mut scene = Scene::random_of(Category::Good, Layout::Arc, 3, SIZE);
        scene.sensor.jpeg = None;
        let camera = DialCamera::new(&Arc::new(Mutex::new(bench)), scene);
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
