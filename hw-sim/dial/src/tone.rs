//! From light to the 8-bit picture: the sRGB curve, and noise.

/// Steps of the table of the curve.
const STEPS: usize = 8192;
/// Parts into which a step of the 8-bit picture is divided before rounding.
const PARTS: f32 = 32.0;
/// Samples of noise drawn once.
const NOISE: usize = 1 << 16;

/// The sensor's tone curve and its noise.
#[derive(Debug, Clone)]
pub(crate) struct Tone {
    /// The curve over the square root of the light, so that the steep part is resolved.
    curve: Vec<f32>,
    /// Standard normal numbers, times 4096.
    noise: Vec<i16>,
}

impl Tone {
    pub fn new() -> Self {
        let step = |k: usize| {
            let root = k as f64 / STEPS as f64;
            let light = root * root;
            let shade = if light <= 0.003_130_8 {
                12.92 * light
            } else {
                1.055 * light.powf(1.0 / 2.4) - 0.055
            };
            (255.0 * f64::from(PARTS) * shade) as f32
        };
        let mut dice = crate::dice::Dice::new(0x0d1a_1507, 40);
        Tone {
            curve: (0..=STEPS + 1).map(step).collect(),
            noise: (0..NOISE)
                .map(|_| (4096.0 * dice.normal()) as i16)
                .collect(),
        }
    }

    /// Develops planes of light into interleaved parts of steps.
    pub fn develop(&self, out: &mut [i16], light: [&[f32]; 3]) {
        for (channel, plane) in light.iter().enumerate() {
            for (out, value) in out[channel..].iter_mut().step_by(3).zip(*plane) {
                let at = value.clamp(0.0, 1.0).sqrt() * STEPS as f32;
                let low = at as usize;
                let (a, b) = (self.curve[low], self.curve[low + 1]);
                *out = (a + (at - low as f32) * (b - a) + 0.5) as i16;
            }
        }
    }

    /// Adds noise of this many steps and rounds to 8 bits.
    pub fn expose(&self, developed: &[i16], noise: f64, seed: u64, out: &mut [u8]) {
        // Sixteen-bit arithmetic throughout: this loop decides how long a frame takes.
        let scale = (noise * f64::from(PARTS) * 16.0) as i16;
        const RUN: usize = 1 << 12;
        let runs = out.chunks_mut(RUN).zip(developed.chunks(RUN));
        for (number, (out, developed)) in runs.enumerate() {
            // Each run reads the noise from a place of its own.
            let mixed = scramble(seed ^ (number as u64) << 40);
            let start = mixed as usize % (NOISE - RUN);
            for ((out, value), noise) in out.iter_mut().zip(developed).zip(&self.noise[start..]) {
                let noise = ((i32::from(*noise) * i32::from(scale)) >> 16) as i16;
                let parts = value.wrapping_add(noise).wrapping_add(PARTS as i16 / 2);
                *out = (parts >> 5).clamp(0, 255) as u8;
            }
        }
    }
}

/// A number spread evenly over 64 bits.
pub(crate) fn scramble(seed: u64) -> u64 {
    let mut x = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}
