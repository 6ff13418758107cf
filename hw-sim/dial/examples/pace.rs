//! How long a frame takes: the needle drawn anew before its backdrop, noise included.

use dial_pictures::{Category, Frame, Layout, Scene, Shot, Stage};
use std::error::Error;
use std::time::Instant;

const FRAMES: u32 = 200;

fn main() -> Result<(), Box<dyn Error>> {
    let layouts = [Layout::Arc, Layout::Corner, Layout::Long, Layout::Edgewise];
    for size in [(640, 480), (1280, 720), (1920, 1080)] {
        for layout in layouts {
            let mut scene = Scene::random_of(Category::Typical, layout, 5, size);
            scene.sensor.jpeg = None;
            let began = Instant::now();
            let mut stage = Stage::new(scene);
            let set_up = began.elapsed().as_secs_f64() * 1e3;
            let mut frame = Frame::empty();
            let mut best = f64::MAX;
            let began = Instant::now();
            for number in 0..FRAMES {
                let each = Instant::now();
                let deflection = f64::from(number) / f64::from(FRAMES);
                stage.frame_into(&Shot::plain(deflection, number.into()), &mut frame)?;
                best = best.min(each.elapsed().as_secs_f64() * 1e3);
            }
            let mean = began.elapsed().as_secs_f64() * 1e3 / f64::from(FRAMES);
            println!(
                "{}x{} {layout:?}: set-up {set_up:.0} ms, frame {mean:.2} ms, best {best:.2} ms",
                size.0, size.1
            );
        }
    }
    Ok(())
}
