//! The dial in front of a camera: pictures of what the bench's needle shows, rendered when asked
//! for.

use crate::bench::{Bench, SharedBench};
use crate::camera::{Exposed, LOST};
use crate::draw::Draw;
use crate::faults::Place;
use dial_pictures::{Category, Disturbance, Frame, Layout, PictureError, Scene, Shot, Spot, Stage};
use std::sync::{MutexGuard, PoisonError};
use thiserror::Error;
use tokio::time::sleep_until;

/// Size of the pictures of the bench's own camera, px.
const SIZE: (usize, usize) = (640, 480);
/// Kinds of dials before it.
const LAYOUTS: [Layout; 4] = [Layout::Narrow, Layout::Arc, Layout::Corner, Layout::Long];
/// Stream of the seeds of its dials.
const DIALS: u64 = 60;
/// Number of the first picture taken by hand, far from those of the clock.
const BY_HAND: u64 = 1 << 60;
/// Turn of the picture with each pixel that a knock moves it, rad.
const ROLL: f64 = 2e-4;
/// Direction of a knock.
const ASIDE: [f64; 2] = [0.8, 0.6];

/// A picture, and how long ago it was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// The picture.
    pub frame: Frame,
    /// Time since the middle of its exposure, s.
    pub age: f64,
}

/// Why there is no picture.
#[derive(Debug, Clone, Error, PartialEq, Eq)]
pub enum NoPicture {
    /// The camera lost it: too long passed since it was taken.
    #[error("{LOST}")]
    Lost,
    /// It can't be compressed.
    #[error(transparent)]
    Compression(#[from] PictureError),
}

/// A camera before the dial of the bench's movement. It takes pictures at a steady rate and hands
/// each over a little later, as the reader does; only those asked for are rendered.
pub struct DialCamera {
    bench: SharedBench,
    stage: Stage,
    scene: Scene,
    /// How far the camera was knocked when the stage was set up, px.
    knocked: f64,
}

impl DialCamera {
    /// A camera that sees this scene, with the bench's needle in it.
    pub fn new(bench: &SharedBench, scene: Scene) -> Self {
        DialCamera {
            bench: bench.clone(),
            stage: Stage::new(scene.clone()),
            scene,
            knocked: 0.0,
        }
    }

    /// The bench's own camera: which dial it sees, and how it stands before it, follows from the
    /// bench's seed. Who finds that it stands badly tries again, with the next `attempt`.
    pub fn own(bench: &SharedBench, attempt: u64) -> Self {
        let seed = {
            let bench = bench.lock().unwrap_or_else(PoisonError::into_inner);
            bench.camera.seed()
        };
        let mut draw = Draw::new(seed, DIALS + attempt);
        let layout = LAYOUTS[draw.nanos(0, LAYOUTS.len() as u64) as usize];
        let mut scene = Scene::random_of(Category::Good, layout, draw.nanos(0, 1 << 53), SIZE);
        // Frames stay in this process.
        scene.sensor.jpeg = None;
        DialCamera::new(bench, scene)
    }

    /// Pictures with the needle put in these places by hand, before anything begins.
    ///
    /// # Errors
    /// When a picture can't be compressed as the scene asks for.
    pub fn by_hand(&mut self, places: &[f64]) -> Result<Vec<Frame>, PictureError> {
        let shots = (BY_HAND..).zip(places);
        shots
            .map(|(number, place)| self.stage.frame(&Shot::plain(*place, number)))
            .collect()
    }

    /// Where a person sees the zero mark and the full-scale mark begin, px; the first pixel covers
    /// 0 to 1.
    pub fn marks(&self) -> [Spot; 2] {
        let truth = self.scene.truth();
        [truth.zero, truth.full_scale]
    }

    /// The scene as it was set up.
    pub fn scene(&self) -> &Scene {
        &self.scene
    }

    /// Waits for the next picture to be handed over, on tokio's clock, and renders it.
    ///
    /// # Errors
    /// When it was lost on the way, or can't be compressed as the scene asks for.
    pub async fn picture(&mut self) -> Result<Snapshot, NoPicture> {
        let exposed = self.exposed().await?;
        let frame = self.render(&exposed)?;
        Ok(Snapshot {
            frame,
            age: exposed.age,
        })
    }

    /// Waits for the next picture to be handed over: what it shows.
    pub(crate) async fn exposed(&mut self) -> Result<Exposed, NoPicture> {
        let (number, instant) = {
            let mut bench = self.bench();
            bench.received(Place::Reader);
            let (number, at) = bench.next_picture();
            (number, bench.instant(at))
        };
        sleep_until(instant).await;
        self.bench().expose(number).ok_or(NoPicture::Lost)
    }

    /// The bench, brought up to now.
    fn bench(&self) -> MutexGuard<'_, Bench> {
        let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
        bench.catch_up();
        bench
    }

    pub(crate) fn render(&mut self, exposed: &Exposed) -> Result<Frame, PictureError> {
        if exposed.knocked != self.knocked {
            self.knocked = exposed.knocked;
            let mut scene = self.scene.clone();
            let by = ASIDE.map(|share| share * self.knocked);
            scene.camera = scene.camera.knocked(by, ROLL * self.knocked, 0.5);
            self.stage = Stage::new(scene);
        }
        let mut shot = Shot::plain(exposed.shown, exposed.number);
        if exposed.way != 0.0 {
            shot.disturbances.push(Disturbance::Moving(exposed.way));
        }
        if exposed.exposure != 1.0 {
            let exposure = Disturbance::Exposure(exposed.exposure);
            shot.disturbances.push(exposure);
        }
        self.stage.frame(&shot)
    }
}
