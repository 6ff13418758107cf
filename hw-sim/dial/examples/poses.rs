//! Writes pictures of one random dial with its needle in the places asked for, as PNG files.

use dial_pictures::{Category, Layout, Scene, Shot, Stage};
use std::error::Error;
use std::path::Path;

const USAGE: &str =
    "usage: poses FOLDER good|typical|hard narrow|arc|corner|long|edgewise SEED DEFLECTION...";

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [folder, category, layout, seed, deflections @ ..] = words.as_slice() else {
        return Err(USAGE.into());
    };
    let category = match category.as_str() {
        "good" => Category::Good,
        "typical" => Category::Typical,
        "hard" => Category::Hard,
        _ => return Err(USAGE.into()),
    };
    let layout = match layout.as_str() {
        "narrow" => Layout::Narrow,
        "arc" => Layout::Arc,
        "corner" => Layout::Corner,
        "long" => Layout::Long,
        "edgewise" => Layout::Edgewise,
        _ => return Err(USAGE.into()),
    };
    let scene = Scene::random_of(category, layout, seed.parse()?, (1280, 720));
    let mut stage = Stage::new(scene);
    for (number, deflection) in (1..).zip(deflections) {
        let frame = stage.frame(&Shot::plain(deflection.parse()?, number))?;
        let path = Path::new(folder).join(format!("at-{deflection}.png"));
        let (width, height) = (frame.width as u32, frame.height as u32);
        image::save_buffer(path, &frame.pixels, width, height, image::ColorType::Rgb8)?;
    }
    Ok(())
}
