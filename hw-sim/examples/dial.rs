//! How fast the simulated bench goes when each of its pictures is rendered: virtual time, no wires.

use hw_sim::pictures::{Category, Layout, Scene};
use hw_sim::{Bench, DialCamera, find};
use std::error::Error;
use std::sync::{Arc, Mutex};
use std::time::Instant;

const PICTURES: u32 = 400;

fn main() -> Result<(), Box<dyn Error>> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()?;
    let heron = find("heron").ok_or("no such movement")?;
    for size in [(640, 480), (1280, 720)] {
        let mut scene = Scene::random_of(Category::Good, Layout::Arc, 1, size);
        scene.sensor.jpeg = None;
        let bench = Arc::new(Mutex::new(Bench::standard(&heron, 1)));
        let mut camera = DialCamera::new(&bench, scene);
        let (simulated, wall) = runtime.block_on(async {
            camera.picture().await?;
            let (virtual_start, start) = (tokio::time::Instant::now(), Instant::now());
            for _ in 0..PICTURES {
                camera.picture().await?;
            }
            let simulated = virtual_start.elapsed().as_secs_f64();
            Ok::<_, hw_sim::NoPicture>((simulated, start.elapsed().as_secs_f64()))
        })?;
        println!(
            "{}x{}: {:.2} ms a picture, {:.0} simulated seconds a second",
            size.0,
            size.1,
            1e3 * wall / f64::from(PICTURES),
            simulated / wall
        );
    }
    Ok(())
}
