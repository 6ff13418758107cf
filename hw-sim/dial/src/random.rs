//! Scenes drawn at random.

use crate::dice::Dice;
use crate::faces::outlines;
use crate::letters;
use crate::plan::figure;
use crate::ranges::Ranges;
use crate::scene::{
    Category, Colour, Dial, DialColours, Glare, Layout, Light, Needle, Scene, Sensor, Shape, Sweep,
};
use crate::space::{Camera, Spot, tilted};
use std::f64::consts::{FRAC_PI_2, TAU};

impl Scene {
    /// The scene that belongs to `seed`, of any layout; pictures of `size` (width, height) px.
    pub fn random(category: Category, seed: u64, size: (usize, usize)) -> Scene {
        let layout = Dice::new(seed, 1).pick(&[
            Layout::Narrow,
            Layout::Arc,
            Layout::Arc,
            Layout::Arc,
            Layout::Corner,
            Layout::Long,
            Layout::Long,
            Layout::Edgewise,
        ]);
        Scene::random_of(category, layout, seed, size)
    }

    /// The scene of this layout that belongs to `seed`.
    pub fn random_of(category: Category, layout: Layout, seed: u64, size: (usize, usize)) -> Scene {
        let ranges = Ranges::of(category);
        let (dial, needle) = dial(layout, &ranges, &mut Dice::new(seed, 2));
        let camera = camera(&ranges, &dial, size, &mut Dice::new(seed, 3));
        let light = light(&ranges, &dial, size, &mut Dice::new(seed, 4));
        let mut dice = Dice::new(seed, 5);
        let sensor = Sensor {
            blur: dice.between(ranges.blur),
            noise: dice.between(ranges.noise),
            jpeg: Some(dice.between(ranges.jpeg) as u8),
        };
        Scene {
            size,
            category,
            dial,
            needle,
            camera,
            light,
            sensor,
        }
    }
}

fn sweep(layout: Layout, dice: &mut Dice) -> Sweep {
    let turn = |degrees: f64| {
        let arc = degrees.to_radians();
        Sweep::Turn {
            start: -0.5 * arc,
            arc,
        }
    };
    match layout {
        Layout::Narrow => turn(dice.between((60.0, 80.0))),
        Layout::Arc => turn(dice.between((80.0, 120.0))),
        Layout::Long => turn(dice.between((235.0, 272.0))),
        Layout::Corner => Sweep::Turn {
            start: if dice.chance(0.5) { -FRAC_PI_2 } else { 0.0 },
            arc: FRAC_PI_2,
        },
        Layout::Edgewise => {
            let length = dice.between((1.8, 2.6));
            Sweep::Slide {
                start: -0.5 * length,
                length,
            }
        }
    }
}

/// Major intervals, minor intervals in each, value at full scale.
const SCALES: [(usize, usize, f64); 10] = [
    (5, 10, 50.0),
    (5, 5, 5.0),
    (5, 4, 100.0),
    (10, 5, 10.0),
    (10, 2, 100.0),
    (6, 5, 30.0),
    (3, 10, 15.0),
    (4, 5, 200.0),
    (5, 2, 1.0),
    (6, 10, 300.0),
];

fn dial(layout: Layout, ranges: &Ranges, dice: &mut Dice) -> (Dial, Needle) {
    let sweep = sweep(layout, dice);
    let (majors, minors, full_scale) = dice.pick(&SCALES);
    let outward = layout == Layout::Edgewise || dice.chance(0.65);
    let sign = if outward { 1.0 } else { -1.0 };
    let major = dice.between((0.09, 0.15));
    let minor = major * dice.between((0.45, 0.7));
    // Marks never crowd: at most 40 % of the scale is ink.
    let pitch = sweep.way(1.0) / (majors * minors) as f64;
    let wide = dice.between((0.008, 0.018)).min(0.4 * pitch);
    let narrow = wide * dice.between((0.5, 0.8));
    let longest = (0..=majors)
        .map(|major| letters::width(&figure(full_scale, major, majors), 1.0))
        .fold(0.0, f64::max);
    let room = sweep.way(1.0 + sign * (major + 0.1)) / majors as f64;
    let numeral = dice.between((0.07, 0.11)).min(0.8 * room / longest);
    let turning = matches!(sweep, Sweep::Turn { .. });
    let mirror_top = if outward {
        0.97
    } else {
        1.0 - major - 2.2 * numeral
    };
    let mirror = (turning && dice.chance(ranges.mirror))
        .then(|| (mirror_top - dice.between((0.05, 0.09)), mirror_top));
    let (colours, needle_colour) = colours(dice);
    let tip = if outward {
        dice.between((0.96, 1.0 + 0.6 * major))
    } else {
        dice.between((1.0 - 1.1 * major, 0.98))
    };
    let shape = dice.pick(&[Shape::Bar, Shape::Lance, Shape::Knife]);
    let width = dice.between(match shape {
        Shape::Bar => (0.012, 0.028),
        Shape::Lance => (0.03, 0.055),
        Shape::Knife => (0.007, 0.013),
    });
    let tail = match layout {
        Layout::Long => -dice.between((0.15, 0.3)),
        Layout::Edgewise => 0.1,
        _ => -0.05,
    };
    let needle = Needle {
        shape,
        colour: needle_colour,
        width,
        reach: (tail, tip),
        height: dice.between((0.012, 0.05)),
    };
    let lettering = if outward {
        1.0 + major + (0.3 + longest) * numeral
    } else {
        1.0
    };
    let (face, cover) = outlines(layout, sweep, lettering, dice);
    let dial = Dial {
        layout,
        sweep,
        majors,
        minors,
        tick_length: (sign * major, sign * minor),
        tick_width: (wide, narrow),
        line: dice.chance(0.7).then(|| dice.between((0.006, 0.012))),
        mirror,
        second: (turning && mirror.is_none() && dice.chance(0.2)).then_some(if outward {
            0.88
        } else {
            0.62
        }),
        full_scale,
        unit: dice
            .pick(&["V", "mA", "uA", "A", "kV", "DC V", "%"])
            .to_owned(),
        numeral,
        face,
        cover,
        colours,
    };
    (dial, needle)
}

fn grey(value: f64) -> Colour {
    [value as f32; 3]
}

/// Colours of a dial, and of a needle that can be told from it.
fn colours(dice: &mut Dice) -> (DialColours, Colour) {
    let red = [0.55, 0.03, 0.02];
    let dark = dice.chance(0.25);
    let (face, ink, needle) = if dark {
        let needle = dice.pick(&[grey(0.85), [0.8, 0.22, 0.03], grey(0.75)]);
        (
            grey(dice.between((0.015, 0.04))),
            grey(dice.between((0.7, 0.85))),
            needle,
        )
    } else {
        let bright = dice.between((0.7, 0.88)) as f32;
        let cream = dice.between((0.0, 0.25)) as f32;
        let face = [
            bright,
            bright * (1.0 - 0.25 * cream),
            bright * (1.0 - cream),
        ];
        let needle = dice.pick(&[grey(0.02), grey(0.02), red]);
        (face, grey(dice.between((0.015, 0.06))), needle)
    };
    let case = grey(dice.between((0.02, 0.25)));
    let colours = DialColours {
        face,
        ink,
        case,
        cover: dice.pick(&[case, grey(0.03), grey(0.4), [0.3, 0.27, 0.2]]),
        panel: dice.pick(&[grey(0.3), grey(0.12), [0.2, 0.25, 0.28], [0.35, 0.28, 0.2]]),
    };
    (colours, needle)
}

/// A camera from which the whole face is seen, filling most of the picture.
fn camera(ranges: &Ranges, dial: &Dial, size: (usize, usize), dice: &mut Dice) -> Camera {
    let (wide, high) = (size.0 as f64, size.1 as f64);
    let tilt = dice.between((0.0, ranges.tilt)).to_radians();
    let view = dice.between(ranges.view).to_radians();
    let turn = tilted(tilt, dice.between((0.0, TAU)), dice.either_sign(0.08));
    let fill = dice.between((0.8, 0.95));
    let mut camera = Camera {
        focal: 0.5 * wide / (0.5 * view).tan(),
        centre: [0.5 * wide, 0.5 * high],
        radial: dice.either_sign(ranges.radial),
        turn,
        shift: [0.0, 0.0, 6.0],
    };
    // Distance and place follow from the picture, by a few corrections.
    for _ in 0..12 {
        let (low, high_end) = bounds(&camera, &dial.face);
        let size_ratio = ((high_end[0] - low[0]) / wide).max((high_end[1] - low[1]) / high);
        let z = camera.shift[2];
        for k in 0..2 {
            let off = 0.5 * (low[k] + high_end[k]) - camera.centre[k];
            camera.shift[k] -= off * z / camera.focal;
        }
        camera.shift[2] *= size_ratio / fill;
        // Nearer than three radii the lens would need to be a wide one.
        if camera.shift[2] < 3.0 {
            camera.focal *= 3.0 / camera.shift[2];
            camera.shift[2] = 3.0;
        }
    }
    camera
}

fn bounds(camera: &Camera, outline: &[[f64; 2]]) -> (Spot, Spot) {
    let mut low = [f64::MAX; 2];
    let mut high = [f64::MIN; 2];
    for [x, y] in outline {
        let spot = camera.project([*x, *y, 0.0]);
        for k in 0..2 {
            low[k] = low[k].min(spot[k]);
            high[k] = high[k].max(spot[k]);
        }
    }
    (low, high)
}

fn light(ranges: &Ranges, dial: &Dial, size: (usize, usize), dice: &mut Dice) -> Light {
    let wide = size.0 as f64;
    let brightest = dial.colours.face[0].max(dial.colours.ink[0]);
    let (most, strength) = ranges.glare;
    let spots = dice.below(most + 1);
    let spot = |dice: &mut Dice| Glare {
        at: [
            wide * dice.between((0.1, 0.9)),
            size.1 as f64 * dice.between((0.1, 0.9)),
        ],
        radii: (
            wide * dice.between((0.01, 0.1)),
            wide * dice.between((0.008, 0.04)),
        ),
        turned: dice.between((0.0, 3.0)),
        peak: strength * dice.between((0.2, 1.0)),
    };
    Light {
        level: dice.between((0.45, 0.75)) / f64::from(brightest),
        gradient: (
            dice.either_sign(ranges.gradient),
            dice.either_sign(ranges.gradient),
        ),
        vignette: dice.between((0.02, 0.15)),
        shadow_way: (dice.either_sign(1.2), dice.either_sign(1.2)),
        shadow: dice.between(ranges.shadow),
        shadow_blur: wide / 1280.0 * dice.between((1.5, 6.0)),
        glare: (0..spots).map(|_| spot(dice)).collect(),
    }
}
