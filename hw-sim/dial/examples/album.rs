//! Writes pictures of random dials as PNG files. With a kind of trouble, each has that trouble.

use dial_pictures::{Category, Layout, Scene, Stage, Trouble};
use std::error::Error;
use std::path::Path;

const USAGE: &str = "usage: album FOLDER good|typical|hard any|narrow|arc|corner|long|edgewise \
FIRST COUNT [NoNeedle|Occluded|Nudged|Knocked|Dark|Bright|Vibration|Glare|Defocus|LightMoved|Flicker]";

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [folder, category, layout, first, count, trouble @ ..] = words.as_slice() else {
        return Err(USAGE.into());
    };
    let kind = |trouble: &&Trouble| words.last() == Some(&format!("{trouble:?}"));
    let trouble = match trouble {
        [] => None,
        _ => Some(*Trouble::ALL.iter().find(kind).ok_or(USAGE)?),
    };
    let category = match category.as_str() {
        "good" => Category::Good,
        "typical" => Category::Typical,
        _ => Category::Hard,
    };
    let layout = match layout.as_str() {
        "narrow" => Some(Layout::Narrow),
        "arc" => Some(Layout::Arc),
        "corner" => Some(Layout::Corner),
        "long" => Some(Layout::Long),
        "edgewise" => Some(Layout::Edgewise),
        _ => None,
    };
    let first: u64 = first.parse()?;
    for seed in first..first + count.parse::<u64>()? {
        let size = (1280, 720);
        let scene = match layout {
            Some(layout) => Scene::random_of(category, layout, seed, size),
            None => Scene::random(category, seed, size),
        };
        let deflection = 0.1 + 0.17 * (seed % 6) as f64;
        let shot = match trouble {
            Some(trouble) => scene.troubled(trouble, deflection, seed),
            None => scene.later(deflection, seed),
        };
        let frame = Stage::new(scene).frame(&shot)?;
        let path = Path::new(folder).join(format!("dial-{seed}.png"));
        let (width, height) = (frame.width as u32, frame.height as u32);
        image::save_buffer(path, &frame.pixels, width, height, image::ColorType::Rgb8)?;
    }
    Ok(())
}
