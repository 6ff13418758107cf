//! One exposure: where the needle stands, and what is not as it was at set-up.

use crate::dice::Dice;
use crate::scene::{Category, Glare, Scene};
use crate::space::Spot;
use serde::{Deserialize, Serialize};

/// What disturbs a picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Disturbance {
    /// The needle is not in the picture.
    NoNeedle,
    /// Something hides part of the dial: outlines in picture coordinates, with their colour.
    Occluded {
        /// Outline, px.
        outline: Vec<Spot>,
        /// Light that it sends.
        colour: [f32; 3],
        /// Standard deviation of the blur of its edge, px: it is out of focus.
        blur: f64,
    },
    /// The camera was moved: the picture moves by so many pixels and turns by so many rad.
    Knocked {
        /// Way of the picture, px.
        by: Spot,
        /// Turn of the picture, rad.
        roll: f64,
        /// Share of the way that is the camera sliding, not turning.
        slide: f64,
    },
    /// Exposure, as a factor on that of the set-up.
    Exposure(f64),
    /// The needle swings during the exposure, to both sides by this share of the scale.
    Vibration(f64),
    /// The needle moves steadily during the exposure, over this share of the scale.
    Moving(f64),
    /// A new bright spot.
    Glare(Glare),
    /// Further blur, standard deviation in px.
    Defocus(f64),
    /// The light now comes from elsewhere: ways of the shadow per height, and gradient.
    LightMoved {
        /// New displacement of the shadow per height.
        shadow_way: (f64, f64),
        /// New gradient.
        gradient: (f64, f64),
    },
    /// Bands of brightness over the picture, as mains light gives them with a rolling shutter.
    Flicker {
        /// Amplitude, as a share of the light.
        depth: f64,
        /// Rows from one bright band to the next.
        period: f64,
        /// Place of the first band, rad.
        phase: f64,
    },
}

/// Kinds of disturbances, to draw from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Trouble {
    /// The needle is not in the picture.
    NoNeedle,
    /// A hand or a rod over part of the needle.
    Occluded,
    /// The camera moved by 1 px to 6 px.
    Nudged,
    /// The camera moved by 10 px to 90 px, and turned.
    Knocked,
    /// Exposure 0.01 to 0.12 of that of the set-up.
    Dark,
    /// Exposure 2.5 to 8 times that of the set-up.
    Bright,
    /// The needle swings by ±0.3 % to ±3 % of the scale.
    Vibration,
    /// A new bright spot on the needle.
    Glare,
    /// Out of focus.
    Defocus,
    /// The light comes from elsewhere.
    LightMoved,
    /// Bands of brightness.
    Flicker,
}

impl Trouble {
    /// Every kind.
    pub const ALL: [Trouble; 11] = [
        Trouble::NoNeedle,
        Trouble::Occluded,
        Trouble::Nudged,
        Trouble::Knocked,
        Trouble::Dark,
        Trouble::Bright,
        Trouble::Vibration,
        Trouble::Glare,
        Trouble::Defocus,
        Trouble::LightMoved,
        Trouble::Flicker,
    ];
}

/// One exposure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shot {
    /// Where the needle stands, as a fraction of the scale.
    pub deflection: f64,
    /// Seed of the noise.
    pub seed: u64,
    /// What is not as it was at set-up.
    pub disturbances: Vec<Disturbance>,
}

impl Shot {
    /// A needle at this deflection, everything as at set-up.
    pub fn plain(deflection: f64, seed: u64) -> Self {
        Shot {
            deflection,
            seed,
            disturbances: Vec::new(),
        }
    }
}

impl Scene {
    /// An exposure some time after the set-up: the camera has crept, the exposure drifted, as much
    /// as is usual in the scene's category.
    pub fn later(&self, deflection: f64, seed: u64) -> Shot {
        let mut dice = Dice::new(seed, 20);
        let (creep, drift) = match self.category {
            Category::Good => (0.15, 0.05),
            Category::Typical => (0.4, 0.12),
            Category::Hard => (1.0, 0.3),
        };
        let mut shot = Shot::plain(deflection, seed);
        shot.disturbances.push(Disturbance::Knocked {
            by: [creep * dice.normal(), creep * dice.normal()],
            roll: 0.0,
            slide: 0.0,
        });
        let factor = 1.0 + dice.either_sign(drift);
        shot.disturbances.push(Disturbance::Exposure(factor));
        shot
    }

    /// An exposure with trouble of this kind, its particulars drawn from `seed`.
    pub fn troubled(&self, trouble: Trouble, deflection: f64, seed: u64) -> Shot {
        let mut dice = Dice::new(seed, 21);
        let mut shot = self.later(deflection, seed);
        let disturbance = self.draw(trouble, deflection, &mut dice);
        if matches!(
            disturbance,
            Disturbance::Knocked { .. } | Disturbance::Exposure(_)
        ) {
            let kind = std::mem::discriminant(&disturbance);
            shot.disturbances
                .retain(|other| std::mem::discriminant(other) != kind);
        }
        shot.disturbances.push(disturbance);
        shot
    }

    fn draw(&self, trouble: Trouble, deflection: f64, dice: &mut Dice) -> Disturbance {
        let turn = |dice: &mut Dice, way: f64| {
            let (s, c) = dice.between((0.0, std::f64::consts::TAU)).sin_cos();
            [way * c, way * s]
        };
        match trouble {
            Trouble::NoNeedle => Disturbance::NoNeedle,
            Trouble::Occluded => self.occluded(deflection, dice),
            Trouble::Nudged | Trouble::Knocked => {
                let far = trouble == Trouble::Knocked;
                let scale = self.size.0 as f64 / 1280.0;
                let way = if far {
                    dice.between((10.0, 90.0)) * scale
                } else {
                    dice.between((1.0, 6.0))
                };
                Disturbance::Knocked {
                    by: turn(dice, way),
                    roll: if far {
                        dice.either_sign(0.05)
                    } else {
                        dice.either_sign(0.003)
                    },
                    slide: dice.unit(),
                }
            }
            Trouble::Dark => Disturbance::Exposure(dice.between((0.01, 0.12))),
            Trouble::Bright => Disturbance::Exposure(dice.between((2.5, 8.0))),
            Trouble::Vibration => Disturbance::Vibration(dice.between((0.003, 0.03))),
            Trouble::Glare => {
                let size = self.size.0 as f64;
                Disturbance::Glare(Glare {
                    at: self.on_needle(deflection, dice.between((0.3, 0.95))),
                    radii: (
                        size * dice.between((0.01, 0.06)),
                        size * dice.between((0.005, 0.03)),
                    ),
                    turned: dice.between((0.0, 3.0)),
                    peak: dice.between((0.4, 2.0)),
                })
            }
            Trouble::Defocus => {
                let scale = self.size.0 as f64 / 1280.0;
                Disturbance::Defocus(scale * dice.between((2.5, 9.0)))
            }
            Trouble::LightMoved => Disturbance::LightMoved {
                shadow_way: (dice.either_sign(1.5), dice.either_sign(1.5)),
                gradient: (dice.either_sign(0.5), dice.either_sign(0.4)),
            },
            Trouble::Flicker => Disturbance::Flicker {
                depth: dice.between((0.03, 0.3)),
                period: self.size.1 as f64 * dice.between((0.2, 1.2)),
                phase: dice.between((0.0, std::f64::consts::TAU)),
            },
        }
    }

    /// The place at this share of the needle's length, px.
    fn on_needle(&self, deflection: f64, share: f64) -> Spot {
        let (from, to) = self.needle.reach;
        let out = from.max(0.0) + share * (to - from.max(0.0));
        let height = self.needle.height;
        let point = self.dial.sweep.point(deflection, out, 0.0, height);
        self.camera.project(point)
    }

    /// A rod across the needle, or a hand from the border of the picture up to it.
    fn occluded(&self, deflection: f64, dice: &mut Dice) -> Disturbance {
        let [x, y] = self.on_needle(deflection, dice.between((0.35, 0.9)));
        let (s, c) = dice.between((0.0, std::f64::consts::TAU)).sin_cos();
        let size = self.size.0 as f64;
        let place = |ahead: f64, aside: f64| [x + c * ahead - s * aside, y + s * ahead + c * aside];
        if dice.chance(0.5) {
            let half = size * dice.between((0.005, 0.025));
            let far = 1.5 * size;
            let grey = dice.between((0.01, 0.4)) as f32;
            return Disturbance::Occluded {
                outline: vec![
                    place(-far, -half),
                    place(far, -half),
                    place(far, half),
                    place(-far, half),
                ],
                colour: [grey; 3],
                blur: dice.between((1.0, 4.0)),
            };
        }
        let half = size * dice.between((0.05, 0.15));
        let beyond = size * dice.between((0.02, 0.12));
        let tip = (0..=24).map(|k| {
            let (s, c) = (std::f64::consts::PI * f64::from(k) / 24.0).sin_cos();
            place(beyond * s, half * c)
        });
        let wrist = [
            place(-1.5 * size, -1.3 * half),
            place(-1.5 * size, 1.3 * half),
        ];
        let tone = dice.between((0.3, 1.2)) as f32;
        Disturbance::Occluded {
            outline: tip.chain(wrist).collect(),
            colour: [0.45 * tone, 0.25 * tone, 0.17 * tone],
            blur: dice.between((1.5, 6.0)),
        }
    }
}
