//! The dial in front of a camera: pictures of what the bench's needle shows, rendered when asked
//! for.

use crate::bench::{Bench, SharedBench};
use crate::camera::{Exposed, LOST};
use crate::faults::Place;
use dial_pictures::{Disturbance, Frame, PictureError, Scene, Shot, Stage};
use std::sync::{MutexGuard, PoisonError};
use thiserror::Error;
use tokio::time::sleep_until;

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
        if exposed.covered {
            shot.disturbances.push(Disturbance::Exposure(0.0));
        }
        self.stage.frame(&shot)
    }
}
