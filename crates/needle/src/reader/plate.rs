//! The clean plate: the dial without its needle, from pictures with the needle in different places.

use super::line::median;
use super::picture::{Picture, Plane, Tone};
use super::refusal::SetupError;

/// Brightness at and above which a sample counts as saturated.
pub(crate) const SATURATED: u8 = 252;

/// Share of the strongest contrast from which on a place is the needle itself.
const NEEDLE: f32 = 0.6;

/// The dial without its needle.
#[derive(Clone, Debug)]
pub(crate) struct Plate {
    pub(crate) picture: Picture,
    /// In the tone in which the needle is brighter than the face.
    pub(crate) plane: Plane,
    pub(crate) tone: Tone,
    /// How much brighter than the face the needle is, in that tone.
    pub(crate) contrast: f32,
    /// Tone of the needle.
    pub(crate) needle: f32,
    /// Noise of one pixel in that tone (standard deviation).
    pub(crate) noise: f32,
    /// The set-up pictures, in the tone and with the light of the first.
    pub(crate) frames: Vec<Plane>,
}

impl Plate {
    /// Builds the plate from set-up pictures of one size.
    ///
    /// # Errors
    /// When the pictures don't fit each other.
    pub(crate) fn new(pictures: &[Picture]) -> Result<Self, SetupError> {
        let [first, ..] = pictures else {
            return Err(SetupError::Pictures(0));
        };
        if !(3..=9).contains(&pictures.len()) {
            return Err(SetupError::Pictures(pictures.len()));
        }
        if let Some(other) = pictures.iter().position(|picture| !picture.fits(first)) {
            return Err(SetupError::Differs(other));
        }
        let mut levelled = Vec::with_capacity(pictures.len());
        for (index, picture) in pictures.iter().enumerate() {
            levelled.push(level(picture, first).ok_or(SetupError::Light(index))?);
        }
        let picture = middle(&levelled);
        let tone = needle_tone(&levelled, &picture);
        let plane = picture.plane(tone);
        let frames: Vec<Plane> = levelled.iter().map(|frame| frame.plane(tone)).collect();
        let (contrast, needle, noise) = levels(&frames, &plane);
        Ok(Self {
            picture,
            plane,
            tone,
            contrast,
            needle,
            noise,
            frames,
        })
    }

    /// Whether no channel of the pixel nearest to the place is saturated, above or below.
    pub(crate) fn sound_at(&self, x: f32, y: f32) -> bool {
        let (column, row) = (x.round(), y.round());
        let (width, height) = (self.picture.width(), self.picture.height());
        if !(column >= 0.0 && row >= 0.0) || column >= width as f32 || row >= height as f32 {
            return false;
        }
        let pixel = self.picture.pixel(row as usize * width + column as usize);
        pixel.iter().all(|sample| *sample < SATURATED)
    }
}

/// The picture with the brightness of `like`: one gain for each channel, the median ratio.
fn level(picture: &Picture, like: &Picture) -> Option<Picture> {
    let channels = picture.channels();
    let mut tables = Vec::with_capacity(channels);
    for channel in 0..channels {
        let step = 37 * channels;
        let pairs = (picture.samples().iter().skip(channel).step_by(step))
            .zip(like.samples().iter().skip(channel).step_by(step));
        let mut ratios: Vec<f64> = pairs
            .filter(|(a, b)| (20..SATURATED).contains(*a) && (20..SATURATED).contains(*b))
            .map(|(a, b)| f64::from(*b) / f64::from(*a))
            .collect();
        // A channel that is dark all over says nothing and needs no levelling.
        let gain = match ratios.len() {
            0..100 => 1.0,
            _ => median(&mut ratios)?,
        };
        if !(0.4..2.5).contains(&gain) {
            return None;
        }
        let gain = if (gain - 1.0).abs() < 0.004 {
            1.0
        } else {
            gain
        };
        let table: Vec<u8> = (0..=255u8)
            .map(|value| (f64::from(value) * gain).round().min(255.0) as u8)
            .collect();
        tables.push(table);
    }
    let samples = picture.samples().iter().enumerate();
    let levelled = samples
        .map(|(index, sample)| tables[index % channels][usize::from(*sample)])
        .collect();
    Picture::new(picture.width(), picture.height(), channels, levelled).ok()
}

/// Sample by sample, the middle value of all pictures.
fn middle(pictures: &[Picture]) -> Picture {
    let first = &pictures[0];
    let mut stack = vec![0u8; pictures.len()];
    let half = pictures.len() / 2;
    let samples = (0..first.samples().len())
        .map(|index| {
            for (slot, picture) in stack.iter_mut().zip(pictures) {
                *slot = picture.samples()[index];
            }
            stack.sort_unstable();
            match stack.len() % 2 {
                1 => stack[half],
                _ => stack[half - 1].midpoint(stack[half]),
            }
        })
        .collect();
    Picture::new(first.width(), first.height(), first.channels(), samples)
        .unwrap_or_else(|_| first.clone())
}

/// Weights in which the needle is brighter than its background: the mean difference between the
/// pictures and the plate over the pixels that differ most.
fn needle_tone(pictures: &[Picture], plate: &Picture) -> Tone {
    let pixels = plate.width() * plate.height();
    let wanted = pixels / 1000 + 50;
    let mut sums = [0.0f64; 3];
    for picture in pictures {
        let apart = |index: usize| -> u16 {
            let pair = picture.pixel(index).iter().zip(plate.pixel(index));
            pair.map(|(a, b)| u16::from(a.abs_diff(*b))).sum()
        };
        let mut counts = [0usize; 766];
        for index in 0..pixels {
            counts[usize::from(apart(index))] += 1;
        }
        let mut left = wanted;
        let mut limit = 765u16;
        while limit > 1 && counts[usize::from(limit)] < left {
            left -= counts[usize::from(limit)];
            limit -= 1;
        }
        for index in (0..pixels).filter(|index| apart(*index) >= limit) {
            for (channel, sum) in sums.iter_mut().enumerate().take(plate.channels()) {
                let (a, b) = (picture.pixel(index)[channel], plate.pixel(index)[channel]);
                *sum += f64::from(a) - f64::from(b);
            }
        }
    }
    let total: f64 = sums.iter().map(|sum| sum.abs()).sum();
    if total <= 0.0 {
        return Tone([1.0 / 3.0; 3]);
    }
    // A grey picture has one channel, whose sign is all that counts.
    Tone(sums.map(|sum| (sum / total) as f32))
}

/// Contrast of the needle, its tone, and the noise of a pixel.
fn levels(frames: &[Plane], plate: &Plane) -> (f32, f32, f32) {
    let pixels = plate.values.len();
    let mut contrast = Vec::new();
    let mut needle = Vec::new();
    let mut noise = Vec::new();
    for frame in frames {
        let mut apart: Vec<(f32, f32)> = (frame.values.iter().zip(&plate.values))
            .map(|(frame, plate)| (frame - plate, *frame))
            .collect();
        let mut quiet: Vec<f64> = apart
            .iter()
            .step_by(53)
            .map(|(d, _)| f64::from(d.abs()))
            .collect();
        noise.push(median(&mut quiet).unwrap_or(0.0) * 1.4826);
        let top = pixels / 1000 + 50;
        let cut = pixels - top;
        apart.select_nth_unstable_by(cut, |a, b| a.0.total_cmp(&b.0));
        let strongest = &mut apart[cut..];
        strongest.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
        // A thin needle is not all of this: its shadow is, too.
        let least = NEEDLE * strongest[top / 10].0;
        let inner = strongest.iter().take_while(|(d, _)| *d >= least);
        let (mut apart, mut tones): (Vec<f64>, Vec<f64>) =
            inner.map(|(d, v)| (f64::from(*d), f64::from(*v))).unzip();
        contrast.push(median(&mut apart).unwrap_or(0.0));
        needle.push(median(&mut tones).unwrap_or(0.0));
    }
    let typical = |values: &mut Vec<f64>| median(values).unwrap_or(0.0) as f32;
    (
        typical(&mut contrast),
        typical(&mut needle),
        typical(&mut noise).max(0.3),
    )
}
