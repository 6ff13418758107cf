//! The full-scale current at the mark: rising, falling and their mean, since friction biases
//! either side by the same amount.

use super::data::{Data, READER, current, deflection};
use crate::fit::straight_line;
use crate::statistics::sample_sd;
use evidence::{Observation, Purpose};
use quantity::Uncertain;
use serde::{Deserialize, Serialize};

/// A rest this near to the full-scale mark is carried to it by the local slope.
const NEAR_MARK: f64 = 0.009;
/// A needle that moved this far from its last rest has followed the current: just less than a quarter of
/// one of fifty divisions, the least that an eye reads.
const FOLLOWED: f64 = 0.0049;
/// Swing left at the end of a ramp, as a fraction of scale: within it, friction may stop the needle
/// elsewhere from below than from above. A sixth of it shows in the mean (simulated).
const SWING: f64 = 0.0012;
/// Friction too small to show in the repeats.
pub(super) const LEAST_FRICTION: f64 = 0.0003;
/// Rising and falling friction need not be quite equal: this share of it (estimate).
const FRICTION_SHARE: f64 = 0.02;
/// The local slope comes from rests above this deflection.
const LOCAL: f64 = 0.7;

/// The full-scale mark in detail.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FullScale {
    /// Mean of rising and falling, in A.
    pub mean: Uncertain,
    /// Mean current at the mark reached from below, in A.
    pub rising: f64,
    /// Mean current at the mark reached from above, in A.
    pub falling: f64,
    /// Half the difference, as a fraction of scale.
    pub friction: f64,
    /// Standard deviation of one rising rest, in A, with its degrees of freedom; none for infinitely many.
    pub scatter: (f64, Option<f64>),
    /// Current per deflection at the mark, in A.
    pub slope: f64,
    /// Passes from both sides.
    pub passes: usize,
    /// The polarity contact was thrown: plus and minus are exchanged.
    pub reversed: bool,
}

/// Works out the full-scale mark.
pub(super) fn full_scale(data: &Data<'_>) -> Result<FullScale, String> {
    let slope = slope(data).ok_or("the needle was not brought near the full-scale mark")?;
    let (rising, falling) = approaches(data, slope);
    let passes = rising.len().min(falling.len());
    if passes == 0 {
        return Err("the full-scale mark was not reached from both sides".to_owned());
    }
    let currents = |side: &[Approach<'_>]| side.iter().map(|(i, _)| *i).collect::<Vec<_>>();
    let (up, down) = (currents(&rising), currents(&falling));
    let middles: Vec<f64> = up.iter().zip(&down).map(|(a, b)| (a + b) / 2.0).collect();
    let value = mean(&middles);
    let one = rising[0].1;
    let scatter = scatter(&up, &down, slope, one);
    let repeat = Uncertain::with_dof(
        0.0,
        scatter.0 / (2.0 * passes as f64).sqrt(),
        scatter.1.unwrap_or(f64::INFINITY),
        "repeats at full scale",
    );
    let friction = ((mean(&up) - mean(&down)) / 2.0 / slope).max(0.0);
    let held = FRICTION_SHARE * friction + friction.clamp(LEAST_FRICTION, SWING) / 6.0;
    let band = Uncertain::rectangular(0.0, held * slope, "place in the friction band");
    let shared = one.needle.map_or(0.0, |needle| needle.u_shared);
    let reader = Uncertain::normal(0.0, shared * slope, READER);
    let relative = data.current_errors(one);
    let mut inputs: Vec<(f64, &Uncertain)> = vec![(1.0, &repeat), (1.0, &reader), (1.0, &band)];
    inputs.extend(relative.iter().map(|error| (value, error)));
    Ok(FullScale {
        mean: Uncertain::combine(value, &inputs),
        rising: mean(&up),
        falling: mean(&down),
        friction,
        scatter,
        slope,
        passes,
        reversed: one.set.reversed,
    })
}

/// Rests near the mark, each carried to it by the slope: from below, and from above. Only a rest
/// at the end of a move that the needle followed all the way counts: after a small correcting move
/// it may hang anywhere between sliding and break-away friction.
fn approaches<'a>(data: &Data<'a>, slope: f64) -> (Vec<Approach<'a>>, Vec<Approach<'a>>) {
    let mut near: Vec<Approach<'a>> = Vec::new();
    let mut before = data.zero_before().unwrap_or(0.0);
    for rest in data.all.iter().filter(|o| o.of_rest()) {
        let (Some(d), Some(i)) = (deflection(rest), current(rest)) else {
            continue;
        };
        let travel = d - before;
        before = d;
        let followed = match rest.purpose {
            Purpose::Rising => travel >= FOLLOWED,
            Purpose::Falling => travel <= -FOLLOWED,
            _ => false,
        };
        if followed && (d - 1.0).abs() <= NEAR_MARK {
            near.push((i - slope * (d - 1.0), rest));
        }
    }
    near.into_iter()
        .partition(|(_, rest)| rest.purpose == Purpose::Rising)
}

/// Current at the mark in A, and the rest it comes from.
type Approach<'a> = (f64, &'a Observation);

/// Standard deviation of one rest in A, pooled over both sides, never below what the sightings
/// themselves scatter.
fn scatter(up: &[f64], down: &[f64], slope: f64, one: &Observation) -> (f64, Option<f64>) {
    let dof = (up.len() + down.len()).saturating_sub(2);
    let reading = one.needle.map_or(0.0, |needle| needle.u) * slope;
    if dof == 0 {
        return (reading.max(f64::MIN_POSITIVE), None);
    }
    let squares = |side: &[f64]| sample_sd(side).map_or(0.0, |s| s * s * (side.len() - 1) as f64);
    let pooled = ((squares(up) + squares(down)) / dof as f64).sqrt();
    // What is read to a quarter of a division comes out the same again and again.
    match pooled > reading {
        true => (pooled, Some(dof as f64)),
        false => (reading.max(f64::MIN_POSITIVE), None),
    }
}

/// Current per deflection near full scale, from rising rests.
fn slope(data: &Data<'_>) -> Option<f64> {
    let upper: Vec<(f64, f64)> = data
        .rests()
        .filter(|o| o.purpose != Purpose::Falling)
        .filter_map(|o| Some((deflection(o)?, current(o)?)))
        .filter(|(d, _)| *d > LOCAL)
        .collect();
    let (x, y): (Vec<f64>, Vec<f64>) = upper.into_iter().unzip();
    let top = x.iter().copied().fold(0.0, f64::max);
    let low = x.iter().copied().fold(f64::INFINITY, f64::min);
    if top < 1.0 - NEAR_MARK || top - low < 0.03 {
        return None;
    }
    straight_line(&x, &y, None)
        .ok()
        .map(|fit| fit.parameters[1])
}

/// Current at which a suppressed-zero scale begins, as a share of the full-scale current; none where
/// a straight line does not describe the scale.
pub(super) fn suppression(data: &Data<'_>) -> Option<f64> {
    let points = data
        .rests()
        .filter_map(|o| Some((current(o)?, deflection(o)?)));
    let (x, y): (Vec<f64>, Vec<f64>) = points.filter(|(_, d)| *d > 0.1).unzip();
    let fit = straight_line(&x, &y, None).ok()?;
    let (offset, slope) = (fit.parameters[0], fit.parameters[1]);
    let zero = data.zero_before()?.max(0.0);
    (fit.residual_sd() < 0.006).then_some((zero - offset) / slope * slope / (1.0 - offset))
}

/// Exponent of deflection from zero against current, over rests above a tenth of scale.
pub(super) fn exponent(data: &Data<'_>) -> Option<f64> {
    let zero = data.zero_before()?;
    let points: Vec<(f64, f64)> = data
        .rests()
        .filter_map(|o| Some((current(o)?.ln(), deflection(o)? - zero)))
        .filter(|(_, d)| *d > 0.1)
        .map(|(i, d)| (i, d.ln()))
        .collect();
    let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
    straight_line(&x, &y, None)
        .ok()
        .map(|fit| fit.parameters[1])
}

/// Mean of at least one value.
pub(super) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
