//! Resistance by the slope of the four-wire drop against the loop current at rest. The constant
//! takes up thermal EMF and meter offset; where the movement takes enough power to warm itself, the
//! warming is fitted along with it.

use super::data::{Data, current, drop};
use crate::fit::{Fit, linear};
use evidence::{Observation, Purpose};
use quantity::Uncertain;
use serde::{Deserialize, Serialize};

/// Power below which self-heating can't matter: 1000 K/W on copper give 0.004 % (estimate).
const COLD: f64 = 10e-6;
/// Time constants tried for the warming, in s.
const WARMING: [f64; 9] = [3.0, 5.0, 8.0, 13.0, 20.0, 32.0, 50.0, 80.0, 130.0];
/// Rests needed for a slope.
const LEAST: usize = 4;

/// The warming of the coil, as fitted.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Thermal {
    /// Relative rise of resistance per watt.
    pub per_watt: f64,
    /// Time constant in s.
    pub time: f64,
}

pub(super) struct Slope {
    pub resistance: Uncertain,
    pub rise_at_full_scale: Option<f64>,
}

/// Works out the slope.
pub(super) fn slope(data: &Data<'_>) -> Result<Slope, String> {
    let rests = best_group(data);
    if rests.len() < LEAST {
        return idle_slope(data);
    }
    let points: Vec<(f64, f64)> = rests
        .iter()
        .filter_map(|o| Some((current(o)?, drop(o)?)))
        .collect();
    let highest = points.iter().map(|(i, v)| i * v).fold(0.0, f64::max);
    let unfit =
        |error: crate::fit::FitError| format!("no straight line through the drops: {error}");
    let cold = fit(&points, None).map_err(unfit)?;
    let warm = (highest > COLD)
        .then(|| warmed(data, &rests, &points))
        .flatten();
    let (fit, thermal) = match warm {
        Some((fit, thermal)) => (fit, Some(thermal)),
        None => (cold, None),
    };
    let ohms = fit.parameters[1];
    let rise = thermal.map(|t| t.per_watt * highest);
    Ok(Slope {
        resistance: budget(data, rests[0], ohms, &fit),
        rise_at_full_scale: rise,
    })
}

/// The slope's budget: scatter about the line, sense element, gains; and the load of the meter.
fn budget(data: &Data<'_>, one: &Observation, ohms: f64, fit: &Fit) -> Uncertain {
    let scatter = Uncertain::with_dof(0.0, fit.u(1), fit.dof as f64, "scatter about the drop line");
    let mut relative = data.current_errors(one);
    relative.truncate(2); // the offset is taken up by the constant
    let gain = data.drop_gain(one);
    let mut inputs: Vec<(f64, &Uncertain)> = vec![(1.0, &scatter), (ohms, &gain)];
    inputs.extend(relative.iter().map(|error| (-ohms, error)));
    let apparent = Uncertain::combine(ohms, &inputs);
    // Voltmeter across the movement: R = R' Rv/(Rv − R').
    let load = data.rig.drop_input.get();
    let factor = load / (load - ohms);
    apparent.map1(|r| r * factor, |_| factor * factor)
}

/// Rests of the sense element and meter range with the most of them.
fn best_group<'a>(data: &Data<'a>) -> Vec<&'a Observation> {
    let key = |o: &Observation| (o.set.sense, o.drop.map(|d| d.range), o.set.path.clone());
    let mut groups: Vec<Vec<&Observation>> = Vec::new();
    for rest in data.rests() {
        match groups.iter_mut().find(|group| key(group[0]) == key(rest)) {
            Some(group) => group.push(rest),
            None => groups.push(vec![rest]),
        }
    }
    groups.into_iter().max_by_key(Vec::len).unwrap_or_default()
}

/// V = V₀ + R I [+ R k θ I], all rests of one weight.
fn fit(points: &[(f64, f64)], warmth: Option<&[f64]>) -> Result<Fit, crate::fit::FitError> {
    let row = |(index, (i, _)): (usize, &(f64, f64))| match warmth {
        None => vec![1.0, *i],
        Some(warmth) => vec![1.0, *i, i * warmth[index]],
    };
    let design: Vec<Vec<f64>> = points.iter().enumerate().map(row).collect();
    let y: Vec<f64> = points.iter().map(|(_, v)| *v).collect();
    linear(&design, &y, None, &[])
}

/// The best fit with warming of one time constant. The power history comes from all cycles of the
/// run, rests or not.
fn warmed(
    data: &Data<'_>,
    rests: &[&Observation],
    points: &[(f64, f64)],
) -> Option<(Fit, Thermal)> {
    let mut best: Option<(Fit, Thermal)> = None;
    for time in WARMING {
        let warmth = warmth(data.all, rests, time);
        let Ok(fit) = fit(points, Some(&warmth)) else {
            continue;
        };
        let per_watt = fit.parameters[2] / fit.parameters[1];
        if per_watt > 0.0 && best.as_ref().is_none_or(|(old, _)| fit.chi2 < old.chi2) {
            best = Some((fit, Thermal { per_watt, time }));
        }
    }
    best
}

/// Power in the movement, low-passed with `time`, at the moment of each rest, in W.
fn warmth(all: &[Observation], rests: &[&Observation], time: f64) -> Vec<f64> {
    let mut warmth = Vec::with_capacity(rests.len());
    let (mut level, mut last) = (0.0, 0.0);
    let mut next = rests.iter().peekable();
    for o in all {
        let power = match (current(o), drop(o)) {
            (Some(i), Some(v)) if o.set.shunt.is_empty() => i * v.abs(),
            _ => 0.0,
        };
        let fade = (-(o.at.get() - last) / time).exp();
        level = power + (level - power) * fade;
        last = o.at.get();
        if next.next_if(|rest| rest.seq == o.seq).is_some() {
            warmth.push(level);
        }
    }
    warmth
}

/// Nothing moved, or not far enough: the slope over the cycles in which current flowed.
fn idle_slope(data: &Data<'_>) -> Result<Slope, String> {
    let flowing =
        |o: &&Observation| o.purpose == Purpose::Watch && o.set.connected && o.set.shunt.is_empty();
    let last = data.all.iter().filter(flowing).max_by(|a, b| {
        current(a)
            .unwrap_or(0.0)
            .total_cmp(&current(b).unwrap_or(0.0))
    });
    let last = last.ok_or("no current was ever driven")?;
    let key = |o: &Observation| (o.set.sense, o.drop.map(|d| d.range), o.set.reversed);
    let cycles: Vec<&Observation> = data
        .all
        .iter()
        .filter(flowing)
        .filter(|o| key(o) == key(last))
        .collect();
    let points: Vec<(f64, f64)> = cycles
        .iter()
        .filter_map(|o| Some((current(o)?, drop(o)?)))
        .collect();
    let open = drop(last).unwrap_or(0.0).abs() > 0.5 * last.set.supply.get()
        && last.set.supply.get() > 0.0;
    if open {
        return Err(
            "almost the whole supply voltage stands across the terminals: no current flows"
                .to_owned(),
        );
    }
    let fit =
        fit(&points, None).map_err(|e| format!("too little current for a resistance: {e}"))?;
    let ohms = fit.parameters[1];
    Ok(Slope {
        resistance: budget(data, last, ohms, &fit),
        rise_at_full_scale: None,
    })
}
