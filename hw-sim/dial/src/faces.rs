//! Outlines of faces, covers and screws.

use crate::dice::Dice;
use crate::plan::lift;
use crate::scene::{Colour, Layout, Scene, Sweep};
use crate::space::Point;
use std::f64::consts::{PI, TAU};

/// Points of an arc about a centre, from one direction to another (clockwise of straight up).
fn arc(centre: [f64; 2], radius: f64, from: f64, to: f64) -> impl Iterator<Item = [f64; 2]> {
    const STEPS: usize = 90;
    (0..=STEPS).map(move |k| {
        let (s, c) = (from + (to - from) * k as f64 / STEPS as f64).sin_cos();
        [centre[0] + radius * s, centre[1] - radius * c]
    })
}

fn rectangle(left: f64, top: f64, right: f64, bottom: f64) -> Vec<[f64; 2]> {
    vec![[left, top], [right, top], [right, bottom], [left, bottom]]
}

/// Face and cover (or hub) of a dial whose print reaches out to radius `reach`.
pub(crate) fn outlines(
    layout: Layout,
    sweep: Sweep,
    reach: f64,
    dice: &mut Dice,
) -> (Vec<[f64; 2]>, Vec<[f64; 2]>) {
    let margin = dice.between((0.06, 0.16));
    match (layout, sweep) {
        (Layout::Corner, Sweep::Turn { start, .. }) => {
            let far = reach + margin;
            let near = dice.between((0.12, 0.2));
            let face = if start < -0.1 {
                rectangle(-far, -far, near, near)
            } else {
                rectangle(-near, -far, far, near)
            };
            let hidden = dice.between((0.16, 0.32));
            (face, arc([0.0, 0.0], hidden, 0.0, TAU).collect())
        }
        (Layout::Long, _) => {
            let face = arc([0.0, 0.0], reach + margin, 0.0, TAU).collect();
            let hub = dice.between((0.07, 0.16));
            (face, arc([0.0, 0.0], hub, 0.0, TAU).collect())
        }
        (_, Sweep::Turn { arc: sweep, .. }) => {
            let half = reach * (0.5 * sweep).sin() + margin;
            let below = dice.between((0.14, 0.24));
            let bump = dice.between((0.22, 0.36));
            let line = dice.between((-0.02, 0.1));
            let face = rectangle(-half, -reach - margin, half, line + below);
            let (left, right) = (-half - 0.01, half + 0.01);
            let mut cover = vec![[right, line + below + 0.01], [left, line + below + 0.01]];
            cover.push([left, line]);
            cover.extend(arc([0.0, line], bump, -0.5 * PI, 0.5 * PI));
            cover.push([right, line]);
            (face, cover)
        }
        (_, Sweep::Slide { start, length }) => {
            let side = dice.between((0.15, 0.25));
            let face = rectangle(
                start - side,
                0.5 - reach - margin,
                start + length + side,
                0.62,
            );
            let hidden = dice.between((0.3, 0.42));
            let edge = (start - side - 0.01, start + length + side + 0.01);
            (face, rectangle(edge.0, hidden, edge.1, 0.63))
        }
    }
}

impl Scene {
    /// Screws of the case with their colours: a head and a slot each.
    pub(crate) fn screws(&self) -> Vec<(Vec<Point>, Colour)> {
        let case = self.case();
        let ends = |k: usize| {
            let low = case.iter().fold(f64::MAX, |m, p| m.min(p[k]));
            let high = case.iter().fold(f64::MIN, |m, p| m.max(p[k]));
            [low - 0.07, high + 0.07]
        };
        let mut all = Vec::new();
        for (at, x) in ends(0).into_iter().enumerate() {
            for (again, y) in ends(1).into_iter().enumerate() {
                let turned = 0.4 + at as f64 + 2.1 * again as f64;
                let head: Vec<_> = arc([x, y], 0.04, 0.0, TAU).collect();
                all.push((lift(&head, 0.01), [0.35, 0.35, 0.33]));
                let (s, c) = turned.sin_cos();
                let corner =
                    |along: f64, aside: f64| [x + along * c - aside * s, y + along * s + aside * c];
                let slot = [
                    corner(-0.035, -0.006),
                    corner(0.035, -0.006),
                    corner(0.035, 0.006),
                    corner(-0.035, 0.006),
                ];
                all.push((lift(&slot, 0.01), [0.03, 0.03, 0.03]));
            }
        }
        all
    }
}
