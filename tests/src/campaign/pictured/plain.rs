//! What a hurried programmer would write, with the true pivot given: the baselines.

use dial_pictures::Scene;
use needle::reader::Picture;

/// Errors of the brightest radial line and of difference with a Hough transform, of scale; none
/// for a straight scale. Both interpolate the angle between zero and full scale.
pub fn read(scene: &Scene, setup: &[Picture], seen: &Picture, truth: f64) -> Option<[f64; 2]> {
    let known = scene.truth();
    let [px, py] = known.pivot?;
    let angle = |[x, y]: [f64; 2]| (x - px).atan2(py - y);
    let arc = known.arc?;
    let zero = angle(known.zero);
    let full = (angle(known.full_scale) - zero).rem_euclid(std::f64::consts::TAU);
    let full = if arc > 5.5 { arc } else { full };
    let (_, tip) = scene.needle_axis(0.5);
    let reach = (tip[0] - px).hypot(tip[1] - py);
    let rest = setup.first()?;
    let dark = scene.dial.colours.face[1] > scene.needle.colour[1];
    let grey = |picture: &Picture, x: f64, y: f64| -> f64 {
        let inside =
            x >= 0.0 && y >= 0.0 && x < picture.width() as f64 && y < picture.height() as f64;
        if !inside {
            return 0.0;
        }
        let at = 3 * (y as usize * picture.width() + x as usize);
        picture.samples()[at..at + 3]
            .iter()
            .map(|v| f64::from(*v))
            .sum::<f64>()
            / 3.0
    };
    let steps = (full / 0.002) as usize;
    let best = |score: &dyn Fn(f64) -> f64| {
        let angles = (0..=steps).map(|i| zero - 0.02 + (full + 0.04) * i as f64 / steps as f64);
        angles
            .max_by(|a, b| score(*a).total_cmp(&score(*b)))
            .unwrap_or(zero)
    };
    let along = |angle: f64, value: &dyn Fn(f64, f64) -> f64| -> f64 {
        let places = (0..60).map(|i| reach * (0.3 + 0.65 * f64::from(i) / 60.0));
        places
            .map(|r| value(px + r * angle.sin(), py - r * angle.cos()))
            .sum()
    };
    let radial = best(&|angle| {
        let sum = along(angle, &|x, y| grey(seen, x, y));
        if dark { -sum } else { sum }
    });
    // Votes of changed pixels for lines, in bins of a quarter of a degree by two pixels.
    let difference = |x: f64, y: f64| {
        let off = grey(seen, x, y) - grey(rest, x, y);
        if dark { -off } else { off }
    };
    let hough = hough(seen, &difference, [px, py], (zero, full));
    let fraction = |angle: f64| (angle - zero) / full - truth;
    Some([fraction(radial), fraction(hough?)])
}

/// Direction of the line with the most votes, taken through its middle.
fn hough(
    picture: &Picture,
    difference: &dyn Fn(f64, f64) -> f64,
    [px, py]: [f64; 2],
    (zero, full): (f64, f64),
) -> Option<f64> {
    let bins = (full / 0.25f64.to_radians()) as usize + 8;
    let reach = 30;
    let mut votes = vec![0u32; bins * (2 * reach + 1)];
    let turn = |bin: usize| zero - 0.02 + bin as f64 * 0.25f64.to_radians();
    for y in (0..picture.height()).step_by(2) {
        for x in (0..picture.width()).step_by(2) {
            let (x, y) = (x as f64, y as f64);
            if difference(x, y) < 40.0 {
                continue;
            }
            let (dx, dy) = (x - px, y - py);
            for bin in 0..bins {
                let (s, c) = turn(bin).sin_cos();
                let ahead = dx * s - dy * c;
                let aside = ((dx * c + dy * s) / 2.0).round();
                if ahead > 0.0 && aside.abs() <= reach as f64 {
                    votes[bin * (2 * reach + 1) + (aside + reach as f64) as usize] += 1;
                }
            }
        }
    }
    let (best, most) = votes.iter().enumerate().max_by_key(|(_, votes)| **votes)?;
    (*most > 0).then(|| turn(best / (2 * reach + 1)))
}
