//! How long it takes to decode pictures as cameras send them.

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use needle::camera::decode_jpeg;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::error::Error;
use std::time::Instant;

const ROUNDS: u32 = 100;

fn main() -> Result<(), Box<dyn Error>> {
    let mut chance = ChaCha8Rng::seed_from_u64(1);
    for (width, height) in [(640u16, 480u16), (1280, 720), (1920, 1080)] {
        let at = |pixel: usize| (pixel % usize::from(width), pixel / usize::from(width));
        let mut samples = Vec::new();
        for pixel in 0..usize::from(width) * usize::from(height) {
            let (x, y) = at(pixel);
            let ink = (x / 40 + y / 40) % 4 == 0;
            let tone = if ink { 40 } else { 190 } + chance.random_range(0..7) + (x / 64) as u8;
            samples.extend_from_slice(&[tone, tone - 3, tone - 9]);
        }
        let mut bytes = Vec::new();
        let mut encoder = Encoder::new(&mut bytes, 85);
        encoder.set_sampling_factor(SamplingFactor::F_2_2);
        encoder.encode(&samples, width, height, ColorType::Rgb)?;
        let (began, mut best) = (Instant::now(), f64::MAX);
        for _ in 0..ROUNDS {
            let each = Instant::now();
            decode_jpeg(&bytes)?;
            best = best.min(each.elapsed().as_secs_f64() * 1e3);
        }
        let mean = began.elapsed().as_secs_f64() * 1e3 / f64::from(ROUNDS);
        let size = bytes.len() / 1024;
        println!("{width}x{height}, {size} KiB: {mean:.2} ms, best {best:.2} ms");
    }
    Ok(())
}
