//! What is drawn lies where the truth says it lies.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail the test")]
use dial_pictures::{
    Category, Cover, Disturbance, Frame, Layout, Scene, Shape, Shot, Spot, Stage, Trouble,
};

const SIZE: (usize, usize) = (1280, 720);

/// A scene of this layout without noise, glare, shadow, mirror or compression.
fn clean(layout: Layout, seed: u64) -> Scene {
    let mut scene = Scene::random_of(Category::Typical, layout, seed, SIZE);
    // Enough for the rounding to 8 bits to average out.
    scene.sensor.noise = 0.45;
    scene.sensor.jpeg = None;
    scene.light.glare.clear();
    scene.light.gradient = (0.0, 0.0);
    scene.light.vignette = 0.0;
    scene.light.shadow = 0.0;
    scene.dial.mirror = None;
    scene.dial.second = None;
    scene.dial.line = None;
    scene
}

/// The mean of several frames in linear light, green channel.
fn light(scene: &Scene, shot: &Shot) -> Vec<f64> {
    const FRAMES: u64 = 24;
    let mut stage = Stage::new(scene.clone());
    let mut mean = vec![0.0; SIZE.0 * SIZE.1];
    for seed in 0..FRAMES {
        let shot = Shot {
            seed,
            ..shot.clone()
        };
        let frame = linear(&stage.frame(&shot).unwrap());
        for (sum, value) in mean.iter_mut().zip(frame) {
            *sum += value / FRAMES as f64;
        }
    }
    mean
}

fn linear(frame: &Frame) -> Vec<f64> {
    let light = |value: u8| {
        let shade = f64::from(value) / 255.0;
        if shade <= 0.040_45 {
            shade / 12.92
        } else {
            ((shade + 0.055) / 1.055).powf(2.4)
        }
    };
    let table: Vec<f64> = (0..=255).map(light).collect();
    let green = frame.pixels.iter().skip(1).step_by(3);
    green.map(|value| table[usize::from(*value)]).collect()
}

/// The same without its needle, which is left so short that the cover hides it.
fn bare(scene: &Scene) -> Vec<f64> {
    let mut hidden = scene.clone();
    hidden.needle.reach = (0.0, 0.01);
    light(&hidden, &Shot::plain(0.0, 1))
}

/// Mean distance of what was drawn from the line `a`–`b`, within `reach` px of it, over the shares
/// `part` of it, the middle of which counts most; `change` is the picture's difference to its
/// surroundings. Positive is to the right of the way from `a` to `b`.
fn off_line(change: &[f64], a: Spot, b: Spot, part: (f64, f64), reach: f64) -> f64 {
    let length = (b[0] - a[0]).hypot(b[1] - a[1]);
    let along = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let (mut weight, mut moment) = (0.0, 0.0);
    let range = |axis: usize| {
        let low = a[axis].min(b[axis]) - reach;
        low as usize..(a[axis].max(b[axis]) + reach) as usize
    };
    let pixels = range(1).flat_map(|y| range(0).map(move |x| (x, y)));
    for (x, y) in pixels {
        let change = change[y * SIZE.0 + x];
        let (dx, dy) = (x as f64 + 0.5 - a[0], y as f64 + 0.5 - a[1]);
        let share = (dx * along[0] + dy * along[1]) / length;
        let place = (share - part.0) / (part.1 - part.0);
        let across = dy * along[0] - dx * along[1];
        if (0.0..1.0).contains(&place) && across.abs() < reach {
            // Weights that fall to nothing at both ends, so that no pixel decides.
            let counts = change * (std::f64::consts::PI * place).sin().powi(2);
            weight += counts;
            moment += counts * across;
        }
    }
    assert!(weight.abs() > 1.0, "nothing drawn there");
    moment / weight
}

/// Distance of the needle as drawn from its true axis, over the part of it that has nothing but
/// the plain face around.
fn needle_off(scene: &Scene, without: &[f64], shot: &Shot, part: (f64, f64)) -> f64 {
    let with = light(scene, shot);
    let change: Vec<f64> = with.iter().zip(without).map(|(a, b)| a - b).collect();
    // The lens bends the axis: its chord over this part only.
    let mut short = scene.clone();
    let (from, to) = scene.needle.reach;
    short.needle.reach = (from + part.0 * (to - from), from + part.1 * (to - from));
    let (a, b) = short.needle_axis(shot.deflection);
    off_line(&change, a, b, (0.0, 1.0), 22.0)
}

/// Area of a polygon cut down to one pixel: Sutherland and Hodgman's clipping, then the shoelace.
fn share_of_pixel(outline: &[Spot], x: f64, y: f64) -> f64 {
    let mut all = outline.to_vec();
    for (axis, limit, sign) in [
        (0, x, 1.0),
        (0, x + 1.0, -1.0),
        (1, y, 1.0),
        (1, y + 1.0, -1.0),
    ] {
        let inside = |p: &Spot| sign * (p[axis] - limit);
        let mut kept = Vec::new();
        for (k, p) in all.iter().enumerate() {
            let last = &all[(k + all.len() - 1) % all.len()];
            let (a, b) = (inside(last), inside(p));
            if (a >= 0.0) != (b >= 0.0) {
                let t = a / (a - b);
                kept.push([
                    last[0] + t * (p[0] - last[0]),
                    last[1] + t * (p[1] - last[1]),
                ]);
            }
            if b >= 0.0 {
                kept.push(*p);
            }
        }
        all = kept;
        if all.is_empty() {
            return 0.0;
        }
    }
    area(&all)
}

fn area(outline: &[Spot]) -> f64 {
    let count = outline.len();
    let twice: f64 = (0..count)
        .map(|k| (outline[k], outline[(k + 1) % count]))
        .map(|(a, b)| a[0] * b[1] - a[1] * b[0])
        .sum();
    0.5 * twice.abs()
}

/// A star-shaped outline that reaches over the border of a picture of 60 × 40.
fn star(seed: usize) -> Vec<Spot> {
    let wild = |k: usize| ((seed * 31 + k * 17) as f64 * 0.618_034).fract();
    let corners = 3 + seed % 9;
    let middle = [60.0 * wild(100), 40.0 * wild(101)];
    (0..corners)
        .map(|k| {
            let angle = std::f64::consts::TAU * (k as f64 + 0.8 * wild(k)) / corners as f64;
            let radius = 0.4 + 22.0 * wild(k + 40);
            [
                middle[0] + radius * angle.cos(),
                middle[1] + radius * angle.sin(),
            ]
        })
        .collect()
}

#[test]
fn every_pixel_is_covered_by_exactly_its_share_of_the_polygon() {
    for seed in 0..60 {
        let mut outline = star(seed);
        if seed % 2 == 1 {
            outline.reverse();
        }
        let mut shares = vec![0.0; 60 * 40];
        for (y, x, row) in Cover::of(&outline, (60, 40)).rows() {
            for (at, share) in row.iter().enumerate() {
                shares[y * 60 + x + at] = f64::from(*share);
            }
        }
        for y in 0..40 {
            for x in 0..60 {
                let true_share = share_of_pixel(&outline, x as f64, y as f64);
                let off = (shares[y * 60 + x] - true_share).abs();
                assert!(off < 2e-6, "seed {seed}, pixel {x} {y}: off by {off}");
            }
        }
    }
}

#[test]
fn marks_are_drawn_at_their_true_places() {
    for (layout, seed) in [
        (Layout::Narrow, 1),
        (Layout::Arc, 2),
        (Layout::Corner, 3),
        (Layout::Long, 4),
        (Layout::Edgewise, 5),
    ] {
        let mut scene = clean(layout, seed);
        (scene.dial.majors, scene.dial.minors) = (5, 2);
        let mut blank = scene.clone();
        blank.dial.colours.ink = blank.dial.colours.face;
        let (printed, blank) = (bare(&scene), bare(&blank));
        let change: Vec<f64> = printed.iter().zip(&blank).map(|(a, b)| a - b).collect();
        for mark in scene.truth().marks {
            let off = off_line(&change, mark.near, mark.far, (0.3, 0.75), 9.0);
            assert!(
                off.abs() < 0.01,
                "{layout:?}, mark at {}: {off} px",
                mark.fraction
            );
        }
    }
}

#[test]
fn the_needle_is_drawn_on_its_true_axis() {
    for (layout, seed) in [(Layout::Arc, 12), (Layout::Corner, 13), (Layout::Long, 14)] {
        let mut scene = clean(layout, seed);
        scene.dial.unit.clear();
        let without = bare(&scene);
        for (shape, deflection) in [
            (Shape::Bar, 0.07),
            (Shape::Bar, 0.5),
            (Shape::Lance, 0.31),
            (Shape::Knife, 0.78),
        ] {
            scene.needle.shape = shape;
            let shot = Shot::plain(deflection, 1);
            let off = needle_off(&scene, &without, &shot, (0.45, 0.66));
            assert!(
                off.abs() < 0.01,
                "{layout:?} {shape:?} at {deflection}: {off} px"
            );
        }
    }
}

#[test]
fn a_needle_of_double_height_moves_by_the_parallax_of_its_height() {
    let mut scene = clean(Layout::Arc, 12);
    scene.dial.unit.clear();
    let (_, low) = scene.needle_axis(0.5);
    scene.needle.height *= 2.0;
    let (_, high) = scene.needle_axis(0.5);
    assert!(
        (high[0] - low[0]).hypot(high[1] - low[1]) > 0.5,
        "no parallax to see"
    );
    let off = needle_off(&scene, &bare(&scene), &Shot::plain(0.5, 1), (0.45, 0.66));
    assert!(off.abs() < 0.01, "{off} px");
}

#[test]
fn a_swinging_needle_is_wider_and_stands_where_it_stood() {
    let mut scene = clean(Layout::Arc, 12);
    scene.dial.unit.clear();
    let mut shot = Shot::plain(0.4, 1);
    shot.disturbances.push(Disturbance::Vibration(0.01));
    let off = needle_off(&scene, &bare(&scene), &shot, (0.45, 0.66));
    assert!(off.abs() < 0.02, "{off} px");
    let width = |shot: &Shot| {
        let (with, without) = (light(&scene, shot), bare(&scene));
        with.iter()
            .zip(&without)
            .filter(|(a, b)| (*a - *b).abs() > 0.05)
            .count()
    };
    assert!(width(&shot) as f64 > 1.3 * width(&Shot::plain(0.4, 1)) as f64);
}

#[test]
fn the_mirror_shows_the_needle_displaced_away_from_the_camera() {
    let mut scene = clean(Layout::Long, 14);
    scene.dial.unit.clear();
    scene.dial.mirror = Some((0.45, 0.6));
    scene.needle.height = 0.04;
    scene.needle.shape = Shape::Knife;
    let (root, tip) = scene.needle_axis(0.3);
    let without = bare(&scene);
    let with = light(&scene, &Shot::plain(0.3, 1));
    let change: Vec<f64> = with.iter().zip(&without).map(|(a, b)| a - b).collect();
    let reach = scene.needle.reach;
    let share = |out: f64| (out - reach.0) / (reach.1 - reach.0);
    let ring = |low, high| off_line(&change, root, tip, (share(low), share(high)), 15.0);
    let (outside, inside) = (ring(0.25, 0.42), ring(0.48, 0.57));
    // The image of a needle at height h lies a little lower than -h: where the axis would appear.
    let mut sunk = scene.clone();
    sunk.needle.height = -scene.needle.height - 0.008;
    let (low_root, low_tip) = sunk.needle_axis(0.3);
    let along = [tip[0] - root[0], tip[1] - root[1]];
    let t = share(0.525);
    let between = |a: Spot, b: Spot, k: usize| a[k] + t * (b[k] - a[k]);
    let sunk_by = |k: usize| between(low_root, low_tip, k) - between(root, tip, k);
    let cross = sunk_by(1) * along[0] - sunk_by(0) * along[1];
    let aside = cross / along[0].hypot(along[1]);
    assert!(aside.abs() > 2.0, "no displacement to see: {aside} px");
    assert!(outside.abs() < 0.02, "outside the mirror: {outside} px");
    let share = inside / aside;
    assert!(
        (0.2..0.8).contains(&share),
        "needle and image together: {inside} of {aside} px"
    );
}

#[test]
fn drawing_only_the_needle_gives_the_picture_that_drawing_everything_gives() {
    for (seed, layout) in [(1, Layout::Arc), (2, Layout::Corner), (3, Layout::Long)] {
        let mut scene = Scene::random_of(Category::Hard, layout, seed, SIZE);
        scene.sensor.noise = 0.0;
        scene.sensor.jpeg = None;
        let mut stage = Stage::new(scene);
        let quick = stage.frame(&Shot::plain(0.6, 9)).unwrap();
        let mut whole = Shot::plain(0.6, 9);
        whole.disturbances.push(Disturbance::Exposure(1.0));
        assert!(stage.frame(&whole).unwrap() == quick);
    }
}

#[test]
fn a_frame_leaves_no_trace_in_the_next() {
    let mut scene = Scene::random_of(Category::Typical, Layout::Arc, 8, (640, 480));
    scene.dial.mirror = Some((0.7, 0.8));
    let mut stage = Stage::new(scene);
    let first = stage.frame(&Shot::plain(0.2, 3)).unwrap();
    for deflection in [-0.1, 0.5, 1.2, 40.0] {
        stage.frame(&Shot::plain(deflection, 4)).unwrap();
    }
    assert!(stage.frame(&Shot::plain(0.2, 3)).unwrap() == first);
}

#[test]
fn a_knocked_camera_moves_the_picture_by_as_many_pixels() {
    let scene = clean(Layout::Arc, 2);
    for slide in [0.0, 0.4, 1.0] {
        let mut moved = scene.clone();
        moved.camera = scene.camera.knocked([12.0, -7.0], 0.0, slide);
        let (old, new) = (scene.truth(), moved.truth());
        let count = old.marks.len() as f64;
        for (axis, way) in [(0, 12.0), (1, -7.0)] {
            let pairs = old.marks.iter().zip(&new.marks);
            let mean = pairs.map(|(a, b)| b.near[axis] - a.near[axis]).sum::<f64>() / count;
            assert!(
                (mean / way - 1.0).abs() < 0.15,
                "slide {slide}, axis {axis}: {mean} px"
            );
        }
    }
}

#[test]
fn the_lens_term_moves_a_place_outwards_by_the_cube_of_its_distance() {
    let mut scene = clean(Layout::Arc, 2);
    let out = |scene: &Scene| {
        let (spot, centre) = (scene.truth().zero, scene.camera.centre);
        (spot[0] - centre[0]).hypot(spot[1] - centre[1]) / scene.camera.focal
    };
    scene.camera.radial = 0.0;
    let straight = out(&scene);
    scene.camera.radial = 0.04;
    assert!((out(&scene) - straight - 0.04 * straight.powi(3)).abs() < 1e-12);
}

#[test]
fn every_trouble_changes_the_picture_and_comes_again_with_its_seed() {
    let mut scene = Scene::random_of(Category::Good, Layout::Arc, 3, (640, 480));
    scene.sensor.jpeg = None;
    let mut stage = Stage::new(scene);
    for trouble in Trouble::ALL {
        let shot = stage.scene().troubled(trouble, 0.5, 11);
        let usual = stage.scene().later(0.5, 11);
        assert_eq!(stage.scene().troubled(trouble, 0.5, 11), shot);
        let (with, without) = (stage.frame(&shot).unwrap(), stage.frame(&usual).unwrap());
        assert!(with != without, "{trouble:?} changes nothing");
    }
}

#[test]
fn exposure_scales_the_light() {
    let scene = clean(Layout::Long, 4);
    let mut shot = Shot::plain(0.5, 1);
    let usual = light(&scene, &shot);
    shot.disturbances.push(Disturbance::Exposure(0.5));
    let half = light(&scene, &shot);
    let sum = |light: &[f64]| light.iter().sum::<f64>();
    assert!((sum(&half) / sum(&usual) - 0.5).abs() < 0.002);
}

#[test]
fn noise_has_the_stated_strength() {
    let mut scene = clean(Layout::Long, 4);
    scene.sensor.noise = 3.0;
    scene.dial.colours.panel = [0.3; 3];
    let mut stage = Stage::new(scene);
    let a = stage.frame(&Shot::plain(0.5, 1)).unwrap();
    let b = stage.frame(&Shot::plain(0.5, 2)).unwrap();
    let square = |(a, b): (&u8, &u8)| (f64::from(*a) - f64::from(*b)).powi(2);
    let mean = a.pixels.iter().zip(&b.pixels).map(square).sum::<f64>() / a.pixels.len() as f64;
    let sigma = (0.5 * mean).sqrt();
    assert!((sigma - 3.0).abs() < 0.1, "{sigma}");
}

#[test]
fn scenes_of_all_seeds_show_their_whole_scale() {
    for seed in 0..300 {
        for category in [Category::Good, Category::Typical, Category::Hard] {
            let scene = Scene::random(category, seed, SIZE);
            for mark in scene.truth().marks {
                for spot in [mark.near, mark.far] {
                    let seen = (0.0..1280.0).contains(&spot[0]) && (0.0..720.0).contains(&spot[1]);
                    assert!(seen, "{category:?} {seed}: a mark at {spot:?}");
                }
            }
        }
    }
}
