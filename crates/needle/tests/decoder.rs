//! Bytes that are no picture, or not quite: errors, no panic, and bounded memory.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

use image::{ExtendedColorType, ImageEncoder, codecs::png::PngEncoder};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use needle::camera::{CameraError, Region, decode_jpeg, decode_picture, decode_png};
use needle::reader::Picture;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const SIZE: (usize, usize) = (160, 120);

/// A smooth picture with some edges.
fn samples(channels: usize) -> Vec<u8> {
    (0..SIZE.0 * SIZE.1 * channels)
        .map(|at| {
            let (x, y) = (at / channels % SIZE.0, at / channels / SIZE.0);
            let edge = if (x / 20 + y / 30) % 2 == 0 { 90 } else { 0 };
            (40 + x / 2 + y / 4 + edge + 10 * (at % channels)) as u8
        })
        .collect()
}

fn jpeg(kind: ColorType, channels: usize, quality: u8, progressive: bool) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder.set_progressive(progressive);
    encoder
        .encode(&samples(channels), SIZE.0 as u16, SIZE.1 as u16, kind)
        .unwrap();
    bytes
}

fn png(kind: ExtendedColorType, channels: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    let (width, height) = (SIZE.0 as u32, SIZE.1 as u32);
    PngEncoder::new(&mut bytes)
        .write_image(&samples(channels), width, height, kind)
        .unwrap();
    bytes
}

fn mean_difference(picture: &Picture, samples: &[u8]) -> f64 {
    assert_eq!(picture.samples().len(), samples.len());
    let pairs = picture.samples().iter().zip(samples);
    let sum: f64 = pairs.map(|(a, b)| f64::from(a.abs_diff(*b))).sum();
    sum / samples.len() as f64
}

/// Every kind of file that is taken.
fn files() -> Vec<Vec<u8>> {
    vec![
        jpeg(ColorType::Rgb, 3, 90, false),
        jpeg(ColorType::Luma, 1, 90, false),
        png(ExtendedColorType::Rgb8, 3),
        png(ExtendedColorType::L8, 1),
        png(ExtendedColorType::Rgba8, 4),
    ]
}

#[test]
fn whole_files_give_their_picture() {
    let colour = decode_picture(&jpeg(ColorType::Rgb, 3, 95, false)).unwrap();
    assert_eq!(colour.channels(), 3);
    assert!(mean_difference(&colour, &samples(3)) < 3.0);
    let grey = decode_picture(&jpeg(ColorType::Luma, 1, 95, false)).unwrap();
    assert_eq!(grey.channels(), 1);
    assert!(mean_difference(&grey, &samples(1)) < 2.0);
    let exact = decode_picture(&png(ExtendedColorType::Rgb8, 3)).unwrap();
    assert_eq!(exact.samples(), samples(3));
    let grey = decode_picture(&png(ExtendedColorType::L8, 1)).unwrap();
    assert_eq!(grey.samples(), samples(1));
    assert_eq!(
        decode_picture(&png(ExtendedColorType::Rgba8, 4))
            .unwrap()
            .channels(),
        3
    );
}

#[test]
fn pictures_without_entropy_tables_give_the_same() {
    for (kind, channels) in [(ColorType::Rgb, 3), (ColorType::Luma, 1)] {
        let whole = jpeg(kind, channels, 90, false);
        let mut bare = whole.clone();
        let mut left_out = 0;
        while let Some(at) = bare.windows(2).position(|pair| pair == [0xff, 0xc4]) {
            let length = usize::from(u16::from_be_bytes([bare[at + 2], bare[at + 3]]));
            bare.drain(at..at + 2 + length);
            left_out += 1;
        }
        assert!(left_out > 0, "the picture had no tables to leave out");
        assert_eq!(decode_jpeg(&bare).unwrap(), decode_jpeg(&whole).unwrap());
    }
}

#[test]
fn a_picture_that_is_cut_short_is_no_picture() {
    for file in files() {
        for kept in (0..file.len() - 1).step_by(7) {
            let cut = decode_picture(&file[..kept]);
            assert!(
                matches!(cut, Err(CameraError::Damaged(_))),
                "{kept} of {}",
                file.len()
            );
        }
    }
}

#[test]
fn a_picture_with_an_end_but_not_all_of_its_middle_is_no_picture() {
    for (kind, channels) in [(ColorType::Rgb, 3), (ColorType::Luma, 1)] {
        let file = jpeg(kind, channels, 90, false);
        let scan = file
            .windows(2)
            .position(|pair| pair == [0xff, 0xda])
            .unwrap();
        // Of the last row of blocks nobody can tell.
        for kept in (scan + 20..file.len() * 7 / 8).step_by(5) {
            let mut joined = file[..kept].to_vec();
            joined.extend_from_slice(&[0xff, 0xd9]);
            let read = decode_jpeg(&joined);
            assert!(
                matches!(read, Err(CameraError::Damaged(_))),
                "{kept} of {}",
                file.len()
            );
        }
    }
}

#[test]
fn plain_pictures_of_any_size_are_whole() {
    for (width, height) in [(64, 64), (65, 70), (200, 64), (64, 200)] {
        for (value, quality) in [(0, 20), (128, 50), (255, 95)] {
            let samples = vec![value; width * height * 3];
            let mut bytes = Vec::new();
            Encoder::new(&mut bytes, quality)
                .encode(&samples, width as u16, height as u16, ColorType::Rgb)
                .unwrap();
            let picture = decode_jpeg(&bytes).unwrap();
            assert!(mean_difference(&picture, &samples) < 2.0);
        }
    }
}

#[test]
fn a_progressive_picture_is_refused() {
    let why = decode_jpeg(&jpeg(ColorType::Rgb, 3, 60, true)).unwrap_err();
    assert!(why.to_string().contains("sequential"), "{why}");
}

#[test]
fn garbage_ends_in_an_error_or_a_picture_of_the_stated_size_never_in_a_panic() {
    let mut chance = ChaCha8Rng::seed_from_u64(5);
    for file in files() {
        for _ in 0..400 {
            let mut bytes = file.clone();
            for _ in 0..chance.random_range(1..12) {
                let at = chance.random_range(0..bytes.len());
                match chance.random_range(0..4) {
                    0 => bytes[at] = chance.random(),
                    1 => bytes[at] ^= 1 << chance.random_range(0..8),
                    2 => drop(bytes.drain(at..(at + 9).min(bytes.len()))),
                    _ => bytes.insert(at, 0xff),
                }
            }
            if let Ok(picture) = decode_picture(&bytes) {
                let area = picture.width() * picture.height();
                assert_eq!(picture.samples().len(), area * picture.channels());
            }
        }
    }
    for _ in 0..2000 {
        let length = chance.random_range(0..3000);
        let mut bytes: Vec<u8> = (0..length).map(|_| chance.random()).collect();
        let start: &[u8] = if chance.random() {
            &[0xff, 0xd8, 0xff]
        } else {
            b"\x89PNG\r\n\x1a\n"
        };
        let put = start.len().min(bytes.len());
        bytes[..put].copy_from_slice(&start[..put]);
        bytes.extend_from_slice(&[0xff, 0xd9]);
        assert!(decode_picture(&bytes).is_err());
    }
}

/// Most memory that this process has held so far, bytes.
#[cfg(target_os = "linux")]
fn most_held() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmHWM:"))
        .unwrap();
    let number = line.split_ascii_whitespace().nth(1).unwrap();
    1024 * number.parse::<u64>().unwrap()
}

#[test]
#[cfg(target_os = "linux")]
fn huge_pictures_are_refused_without_taking_memory_for_them() {
    let before = most_held();
    let refused = |bytes: &[u8], why: &str| match decode_picture(bytes) {
        Err(CameraError::Damaged(text)) => assert!(text.contains(why), "{text}"),
        other => panic!("{other:?}"),
    };
    let mut large = jpeg(ColorType::Rgb, 3, 90, false);
    let frame = large
        .windows(2)
        .position(|pair| pair == [0xff, 0xc0])
        .unwrap();
    large[frame + 5..frame + 9].copy_from_slice(&[0xff, 0xff, 0xff, 0xff]);
    refused(&large, "JPEG");
    large[frame + 5..frame + 9].copy_from_slice(&[0x1f, 0xff, 0x1f, 0xff]);
    refused(&large, "pixels");
    let mut wide = png(ExtendedColorType::Rgb8, 3);
    wide[16..24].copy_from_slice(&[0, 0x10, 0, 0, 0, 0x10, 0, 0]);
    assert!(decode_png(&wide).is_err());
    refused(&vec![0xff; 20 << 20], "neither");
    let mut file = vec![0u8; 20 << 20];
    file[..2].copy_from_slice(&[0xff, 0xd8]);
    refused(&file, "bytes");
    let held = most_held() - before;
    assert!(held < 100 << 20, "{held} bytes were taken");
}

#[test]
fn a_region_is_a_picture_of_its_own() {
    let whole = Picture::rgb(SIZE.0, SIZE.1, samples(3)).unwrap();
    let region = Region {
        left: 30,
        top: 20,
        width: 100,
        height: 80,
    };
    let part = region.of(&whole).unwrap();
    assert_eq!((part.width(), part.height()), (100, 80));
    let at = |picture: &Picture, x: usize, y: usize| {
        let first = 3 * (y * picture.width() + x);
        picture.samples()[first..first + 3].to_vec()
    };
    for (x, y) in [(0, 0), (99, 0), (0, 79), (99, 79), (41, 17)] {
        assert_eq!(at(&part, x, y), at(&whole, x + 30, y + 20));
    }
    for wrong in [
        Region { left: 61, ..region },
        Region { top: 41, ..region },
        Region {
            left: usize::MAX,
            ..region
        },
        Region { width: 0, ..region },
    ] {
        assert!(wrong.of(&whole).is_err(), "{wrong:?}");
    }
}
