//! Writes pictures of random dials as PNG files: `album FOLDER CATEGORY LAYOUT FIRST COUNT`.

use dial_pictures::{Category, Frame, Layout, Scene, Stage};
use std::error::Error;
use std::path::Path;

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [folder, category, layout, first, count] = words.as_slice() else {
        return Err(
            "usage: album FOLDER good|typical|hard any|narrow|arc|corner|long|edgewise FIRST COUNT"
                .into(),
        );
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
        let shot = scene.later(0.1 + 0.17 * (seed % 6) as f64, seed);
        let frame = Stage::new(scene).frame(&shot)?;
        save(&frame, &Path::new(folder).join(format!("dial-{seed}.png")))?;
    }
    Ok(())
}

fn save(frame: &Frame, path: &Path) -> Result<(), Box<dyn Error>> {
    let file = std::fs::File::create(path)?;
    let mut encoder = png::Encoder::new(file, frame.width as u32, frame.height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header()?.write_image_data(&frame.pixels)?;
    Ok(())
}
