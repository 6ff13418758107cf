//! When the needle counts as resting: still over a window, and the back-EMF gone.

/// Back-EMF left at rest that counts as none: this share of the drop …
const EMF_SHARE: f64 = 1e-5;
/// … and this much, in V: thermal EMFs drift …
const EMF_FLOOR: f64 = 4e-7;
/// … and so many standard uncertainties of what is left.
const NOISE: f64 = 1.5;

/// One cycle of watching.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tick {
    /// Seconds since the start of the run.
    pub at: f64,
    /// When the picture was taken.
    pub seen_at: f64,
    /// Deflection and its standard uncertainty, where the needle was seen.
    pub needle: Option<(f64, f64)>,
    /// Voltage over the sense element.
    pub loop_drop: f64,
    /// Voltage across the movement.
    pub drop: f64,
}

/// What a window of ticks says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stillness {
    /// Mean deflection.
    pub mean: f64,
    /// Standard deviation of one sighting.
    pub s: f64,
    /// Stated standard uncertainty of one sighting.
    pub stated: f64,
    /// Drift over the window, fraction of scale per second, with its standard uncertainty.
    pub slope: f64,
    /// Standard uncertainty of the slope.
    pub slope_u: f64,
    /// Mean drop, V.
    pub drop: f64,
    /// Change of the drop across the window and its standard uncertainty, V: the back-EMF of a
    /// needle that still moves changes it long before the picture shows the motion.
    pub drop_change: (f64, f64),
    /// Length of the window, s.
    pub span: f64,
    /// Sightings used.
    pub n: usize,
}

/// A straight line through points.
pub(crate) struct Line {
    /// Where the points lie in the middle.
    middle: (f64, f64),
    slope: f64,
    /// Standard deviation of the points about it.
    s: f64,
    /// Σ(x−x̄)².
    sxx: f64,
    /// How many points.
    n: f64,
}

impl Line {
    /// Its height at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.middle.1 + self.slope * (x - self.middle.0)
    }

    /// Variance of its height at `x`, in units of that of a point (least squares, any textbook).
    pub fn variance_at(&self, x: f64) -> f64 {
        1.0 / self.n + (x - self.middle.0).powi(2) / self.sxx
    }
}

/// The line through (x, y), by least squares.
pub(crate) fn line(points: &[(f64, f64)]) -> Option<Line> {
    let n = points.len() as f64;
    if points.len() < 4 {
        return None;
    }
    let (mx, my) = points
        .iter()
        .fold((0.0, 0.0), |(a, b), (x, y)| (a + x / n, b + y / n));
    let sxx: f64 = points.iter().map(|(x, _)| (x - mx) * (x - mx)).sum();
    let sxy: f64 = points.iter().map(|(x, y)| (x - mx) * (y - my)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let rest: f64 = points
        .iter()
        .map(|(x, y)| (y - my - slope * (x - mx)).powi(2))
        .sum();
    Some(Line {
        middle: (mx, my),
        slope,
        s: (rest / (n - 2.0)).sqrt(),
        sxx,
        n,
    })
}

/// Looks at a window of ticks; none when too little was seen in it.
pub fn stillness(ticks: &[Tick]) -> Option<Stillness> {
    let seen: Vec<(f64, f64)> = ticks
        .iter()
        .filter_map(|t| Some((t.seen_at, t.needle?.0)))
        .collect();
    let needle = line(&seen)?;
    let stated = ticks
        .iter()
        .filter_map(|t| t.needle)
        .map(|(_, u)| u)
        .fold(0.0, f64::max);
    let drops: Vec<(f64, f64)> = ticks.iter().map(|t| (t.at, t.drop)).collect();
    let drop = line(&drops)?;
    let span = ticks.last()?.at - ticks.first()?.at;
    Some(Stillness {
        mean: needle.middle.1,
        s: needle.s,
        stated,
        slope: needle.slope,
        slope_u: needle.s.max(stated) / needle.sxx.sqrt(),
        drop: drop.middle.1,
        drop_change: (drop.slope * span, drop.s / drop.sxx.sqrt() * span),
        span,
        n: seen.len(),
    })
}

/// Of the change across a window of `x` time constants, the share that an exponential has left in
/// the mean over the last third of it, which is what a rest is read from.
fn faded(x: f64) -> f64 {
    3.0 / x * ((-x * 2.0 / 3.0).exp() - (-x).exp()) / (1.0 - (-x).exp())
}

impl Stillness {
    /// Motion still to come, as a fraction of scale, if the slower time constant is `slow` seconds.
    pub fn rest_of_motion(&self, slow: f64) -> f64 {
        self.slope * slow
    }

    /// Back-EMF that may be left, in units of what counts as none.
    fn emf_left(&self, slow: f64) -> f64 {
        let fade = faded(self.span / slow);
        let (change, u) = self.drop_change;
        change.abs() * fade / (EMF_SHARE * self.drop.abs() + EMF_FLOOR + NOISE * u * fade)
    }

    /// Still: no more spread than the reader's own noise, no drift beyond `tolerance` of scale.
    pub fn is_still(&self, slow: f64, tolerance: f64) -> bool {
        let spread = self.s <= 1.6 * self.stated.max(1e-6) + 0.3 * tolerance;
        let drift = self.rest_of_motion(slow).abs() <= tolerance + 2.0 * self.slope_u * slow;
        spread && drift && self.emf_left(slow) <= 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is left of an exponential, against the readings themselves.
    #[test]
    fn what_is_left_in_the_last_third_follows_from_the_change() {
        for x in [0.5, 1.5, 3.0] {
            let at = |share: f64| (-x * share).exp();
            let end: f64 = (0..1000)
                .map(|n| at(2.0 / 3.0 + (f64::from(n) + 0.5) / 3000.0))
                .sum();
            let change = at(0.0) - at(1.0);
            assert!((faded(x) - end / 1000.0 / change).abs() < 1e-6, "{x}");
        }
    }

    /// A drop that creeps towards its rest is not at rest until little enough is left.
    #[test]
    fn a_creeping_drop_is_no_rest() {
        let window = |left: f64| -> Vec<Tick> {
            let tick = |n: i32| {
                let at = f64::from(n) * 0.05;
                Tick {
                    at,
                    seen_at: at,
                    needle: Some((0.5, 5e-4)),
                    loop_drop: 0.1,
                    drop: 0.1 + left * (1.0 - at).exp(),
                }
            };
            (0..=20).map(tick).collect()
        };
        let rests = |left: f64| stillness(&window(left)).unwrap().is_still(1.0, 1e-3);
        assert!(rests(5e-7) && !rests(8e-6));
    }
}
