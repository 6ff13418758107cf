//! Resistance by the slope of the four-wire drop against the loop current at rest. The constant
//! takes up thermal EMF and meter offset; where the movement takes enough power to warm itself, the
//! warming is fitted along with it.

use super::data::{Data, current, drop};
use crate::fit::{Fit, linear, polynomial};
use evidence::{Observation, Purpose};
use quantity::{Ohms, Seconds, Uncertain};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Power below which self-heating can't matter: 1000 K/W on copper give 0.004 % (estimate).
const COLD: f64 = 10e-6;
/// Rise of the resistance per watt that may be expected at most: those 1000 K/W on copper.
const RISES: f64 = 4.0;
/// A warming that may raise the drop by less than so many times what the digits leave open is not looked
/// for.
const SHOWS: f64 = 10.0;
/// Time constants between which the warming's is looked for, in s.
const WARMING: (f64, f64) = (2.0, 300.0);
/// Time constants tried between them; the best is then narrowed down.
const TRIED: usize = 24;
/// How often the spaces around the best are halved.
const NARROWED: usize = 7;
/// A rest may still change its drop by 0.015 % over the window that was watched; the readings are
/// those of its last third.
const EMF_LEFT: f64 = 5e-5;
/// Error of a drop over current that were not waited for (estimate).
const NOT_WAITED_FOR: f64 = 0.005;
/// So long a set-point has stood before what is read counts …
const PAUSE: Seconds = Seconds::milli(400.0);
/// … and by less than this share of scale the needle goes on meanwhile, so that it adds next to no voltage
/// of its own.
const STANDS: f64 = 0.002;
/// Why an open coil has no resistance.
pub(super) const NO_CURRENT: &str =
    "almost the whole supply voltage stands across the terminals: no current flows";
/// Why diodes have no resistance.
pub(super) const BENDS: &str = "the drop does not grow with the current as a resistor's does: a \
                                rectifier or diodes inside";
/// By how much of itself the slope must fall from no current to the largest to count as bent, and by
/// how many times the standard uncertainty of that: much of it, or a little of it very surely. In
/// simulated runs resistors came to 0.07 % and 8 times, silicon diodes across 100 mV to 0.06 % and 20
/// times.
const BENT: [(f64, f64); 2] = [(0.01, 4.0), (4e-4, 12.0)];
/// The same of drops that were read while the current grew, and not at rest. There, where the growth
/// pauses, resistors came to 12 % and 24 times, rectifiers to 3 % and more than 50 times.
const BENT_GROWING: [(f64, f64); 1] = [(0.01, 36.0)];
/// Rests needed for a slope.
const LEAST: usize = 4;
/// How far apart their currents have to be, as a share of the largest: between rests closer together a
/// few microvolts of thermal EMF turn the line by more than its scatter shows.
const APART: f64 = 0.3;

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
    if rests.is_empty() {
        return idle_slope(data);
    }
    let points = points(&rests);
    let highest = points.iter().map(|(i, v)| i * v).fold(0.0, f64::max);
    if bends(&points, highest * RISES, &BENT) {
        return Err(BENDS.to_owned());
    }
    let unfit =
        |error: crate::fit::FitError| format!("no straight line through the drops: {error}");
    let cold = Candidate {
        fit: fit(&points, None).map_err(unfit)?,
        thermal: None,
    };
    let mut candidates = vec![cold];
    let ohms = candidates[0].fit.parameters[1];
    let top = points.iter().map(|(_, v)| v.abs()).fold(0.0, f64::max);
    let could = highest * RISES;
    // Readings of few digits would make a warming of their own steps.
    let shows = could * top > SHOWS * data.digits(rests[0], ohms);
    if highest > COLD && shows {
        candidates.extend(warmed(|time| {
            let warmth = warmth(data.all, &rests, time, ohms);
            let fit = fit(&points, Some(&warmth)).ok()?;
            let per_watt = fit.parameters[2] / fit.parameters[1];
            let thermal = Some(Thermal { per_watt, time });
            (per_watt > 0.0).then_some(Candidate { fit, thermal })
        }));
    }
    let (best, unsure) = choose(&candidates);
    let unsure = if shows { unsure } else { ohms * could };
    Ok(Slope {
        resistance: budget(data, rests[0], &points, &best.fit, unsure),
        rise_at_full_scale: best.thermal.map(|t| t.per_watt * highest),
    })
}

/// A line through the drops, with or without warming.
struct Candidate {
    fit: Fit,
    thermal: Option<Thermal>,
}

/// The candidate that fits best, and how far the slopes of those lie that fit nearly as well, in Ω.
fn choose(candidates: &[Candidate]) -> (&Candidate, f64) {
    let mut best = &candidates[0];
    for candidate in candidates {
        if candidate.fit.chi2 < best.fit.chi2 {
            best = candidate;
        }
    }
    let limit = nearly(&best.fit);
    let near = candidates.iter().filter(|c| c.fit.chi2 <= limit);
    let apart = near.map(|c| (c.fit.parameters[1] - best.fit.parameters[1]).abs());
    (best, apart.fold(0.0, f64::max))
}

/// The slope's budget: scatter about the line, the warming's time constant, sense element, gains;
/// and the load of the meter.
fn budget(
    data: &Data<'_>,
    one: &Observation,
    points: &[(f64, f64)],
    fit: &Fit,
    unsure: f64,
) -> Uncertain {
    let ohms = fit.parameters[1];
    let scatter = Uncertain::with_dof(0.0, fit.u(1), fit.dof as f64, "scatter about the drop line");
    // Readings of few digits may lie on the line by chance.
    let digits = data.digits(one, ohms) / spread(points);
    let digits = Uncertain::normal(0.0, digits, "digits of the displays");
    let warming = Uncertain::rectangular(0.0, unsure, "how the coil warms");
    let emf = Uncertain::rectangular(0.0, EMF_LEFT, "back-EMF left at rest");
    let mut relative = data.current_errors(one);
    relative.pop(); // the offset is taken up by the constant
    let gain = data.drop_gain(one);
    let mut inputs: Vec<(f64, &Uncertain)> = vec![
        (1.0, &scatter),
        (1.0, &digits),
        (1.0, &warming),
        (ohms, &gain),
        (ohms, &emf),
    ];
    inputs.extend(relative.iter().map(|error| (-ohms, error)));
    let apparent = Uncertain::combine(ohms, &inputs);
    // Voltmeter across the movement: R = R' Rv/(Rv − R').
    let load = data.rig.drop_input.get();
    let factor = load / (load - ohms);
    apparent.map1(|r| r * factor, |_| factor * factor)
}

/// Root of the sum of squares of the currents about their mean.
fn spread(points: &[(f64, f64)]) -> f64 {
    let mean = points.iter().map(|(i, _)| i).sum::<f64>() / points.len() as f64;
    points
        .iter()
        .map(|(i, _)| (i - mean).powi(2))
        .sum::<f64>()
        .sqrt()
}

/// Rests of one path, sense element and meter ranges, from which a slope follows, and of these the ones whose
/// drops lie farthest apart; the zero at the end, read with the same, pins the constant.
fn best_group<'a>(data: &Data<'a>) -> Vec<&'a Observation> {
    let range = |reading: Option<evidence::Reading>| reading.map(|reading| reading.range);
    let key = |o: &Observation| {
        (
            o.set.sense,
            range(o.drop),
            range(o.loop_drop),
            o.set.path.clone(),
        )
    };
    let mut groups: Vec<Vec<&Observation>> = Vec::new();
    for rest in data.rests() {
        match groups.iter_mut().find(|group| key(group[0]) == key(rest)) {
            Some(group) => group.push(rest),
            None => groups.push(vec![rest]),
        }
    }
    for group in &mut groups {
        let zeros = data.all.iter().filter(|o| o.purpose == Purpose::ZeroAfter);
        let same: Vec<_> = zeros.filter(|zero| key(group[0]) == key(zero)).collect();
        group.extend(same);
    }
    groups.retain(|group| group.len() >= LEAST && apart(group));
    let span = |group: &Vec<&Observation>| {
        let drops = || group.iter().filter_map(|o| drop(o));
        drops().fold(f64::MIN, f64::max) - drops().fold(f64::MAX, f64::min)
    };
    let farthest = |a: &Vec<_>, b: &Vec<_>| span(a).total_cmp(&span(b));
    groups.into_iter().max_by(farthest).unwrap_or_default()
}

/// Whether the currents of these rests lie far enough apart for a slope.
fn apart(rests: &[&Observation]) -> bool {
    let currents = rests.iter().filter_map(|o| current(o));
    let (low, high) = currents.fold((f64::MAX, f64::MIN), |(low, high), current| {
        (low.min(current), high.max(current))
    });
    high - low >= APART * high.abs().max(low.abs())
}

/// Whether the drop's slope surely falls with the current, by more than `least` of itself and as `bent`
/// asks for. Every junction does that, be it in series with the coil or across it; a coil that warms does
/// the contrary.
fn bends(points: &[(f64, f64)], least: f64, bent: &[(f64, f64)]) -> bool {
    let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let Ok(fit) = polynomial(&x, &y, None, 2) else {
        return false;
    };
    let most = x.iter().copied().fold(0.0, f64::max);
    let falls = -2.0 * fit.parameters[2] * most;
    let of_itself = falls / fit.parameters[1].abs();
    let surely = falls / (2.0 * fit.u(2) * most);
    let enough = |(share, times): &(f64, f64)| of_itself > *share && surely > *times;
    of_itself > least && bent.iter().any(enough)
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

/// Fits with warming, from `with` for a time constant: a series of them, and then ever closer to
/// the best and to either end of those that fit nearly as well.
fn warmed(with: impl Fn(f64) -> Option<Candidate>) -> Vec<Candidate> {
    let step = (WARMING.1 / WARMING.0).ln() / (TRIED - 1) as f64;
    let mut tried: Vec<Candidate> = (0..TRIED)
        .filter_map(|n| with(WARMING.0 * (step * n as f64).exp()))
        .collect();
    for _ in 0..NARROWED {
        let Some(best) =
            (0..tried.len()).min_by(|&a, &b| chi2(&tried[a]).total_cmp(&chi2(&tried[b])))
        else {
            break;
        };
        let limit = nearly(&tried[best].fit);
        let near = |at: &usize| chi2(&tried[*at]) <= limit;
        let first = (0..=best).rev().take_while(near).last().unwrap_or(best);
        let last = (best..tried.len()).take_while(near).last().unwrap_or(best);
        // Halfway between neighbours, on either side of the best and of both ends.
        let gaps: BTreeSet<usize> = [first, best, best + 1, last + 1].into();
        let between = gaps
            .into_iter()
            .filter(|&gap| gap > 0 && gap < tried.len())
            .filter_map(|gap| Some((time(&tried[gap - 1])? * time(&tried[gap])?).sqrt()));
        let more: Vec<Candidate> = between.filter_map(&with).collect();
        tried.extend(more);
        tried.sort_by(|a, b| time(a).unwrap_or(0.0).total_cmp(&time(b).unwrap_or(0.0)));
    }
    tried
}

fn chi2(candidate: &Candidate) -> f64 {
    candidate.fit.chi2
}

fn time(candidate: &Candidate) -> Option<f64> {
    Some(candidate.thermal?.time)
}

/// χ² up to which others fit nearly as well as `best`: more by 4, the residuals of the best taken as
/// the scatter.
fn nearly(best: &Fit) -> f64 {
    best.chi2 * (1.0 + 4.0 / best.dof.max(1) as f64)
}

/// Power in the movement, low-passed with `time`, at the moment of each rest, in W.
fn warmth(all: &[Observation], rests: &[&Observation], time: f64, ohms: f64) -> Vec<f64> {
    let mut warmth = Vec::with_capacity(rests.len());
    let (mut level, mut last) = (0.0, 0.0);
    let mut next = rests.iter().peekable();
    for o in all {
        let power = match (current(o), drop(o)) {
            (Some(i), Some(v)) if o.set.shunt.is_empty() => i * v.abs(),
            (_, Some(v)) => v * v / ohms,
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

/// Nothing moved, or not far enough: the slope over the cycles in which the current stood, as it does before
/// it is let go and after. The drop was not waited for there, so one figure for that goes into the budget.
fn idle_slope(data: &Data<'_>) -> Result<Slope, String> {
    let flowing =
        |o: &&Observation| o.purpose == Purpose::Watch && o.set.connected && o.set.shunt.is_empty();
    let flowing: Vec<&Observation> = data.all.iter().filter(flowing).collect();
    let most = largest(&flowing).ok_or("no current was ever driven")?;
    let share = most.set.supply.get() * 0.5;
    if size(most) > share && share > 0.0 {
        return Err(NO_CURRENT.to_owned());
    }
    if bends(&points(&alike(&flowing, most)), 0.0, &BENT_GROWING) {
        return Err(BENDS.to_owned());
    }
    let too_little = "too little current for a resistance";
    let paused = paused(&flowing);
    let never_stood = "the current never stood long enough for a resistance";
    let most = largest(&paused).ok_or(never_stood)?;
    let paused = alike(&paused, most);
    if !apart(&paused) {
        return Err(never_stood.to_owned());
    }
    let points = points(&paused);
    let fit = fit(&points, None).map_err(|error| format!("{too_little}: {error}"))?;
    let ohms = fit.parameters[1];
    if ohms <= 0.0 || fit.u(1) > 0.2 * ohms {
        return Err(too_little.to_owned());
    }
    let waited = Uncertain::rectangular(0.0, NOT_WAITED_FOR, "drop not waited for");
    let rested = budget(data, most, &points, &fit, 0.0);
    let resistance = Uncertain::combine(rested.value(), &[(1.0, &rested), (ohms, &waited)]);
    Ok(Slope {
        resistance,
        rise_at_full_scale: None,
    })
}

/// Cycles in which the set-point had stood for a while, and the needle with it: one that moves adds a voltage
/// of its own, which grows with the current while that grows and can't be told from resistance.
fn paused<'a>(flowing: &[&'a Observation]) -> Vec<&'a Observation> {
    let same = |a: &&Observation, b: &&Observation| {
        let key = |o: &Observation| (o.set.supply, o.set.path.clone(), o.set.series);
        key(a) == key(b) && group(a) == group(b)
    };
    let mut paused = Vec::new();
    let mut before = None;
    for pause in flowing.chunk_by(same) {
        let later = &pause[pause.len() / 2..];
        // Where a person reads the meters, one reading is all that there is of a set-point.
        let since = before.unwrap_or(pause[0].at);
        let waited = later[0].at - since;
        before = pause.last().map(|o| o.at);
        let (first, last) = later.split_at(later.len() / 2);
        let goes = mean_needle(first).zip(mean_needle(last));
        if waited >= PAUSE && goes.is_none_or(|(from, to)| (to - from).abs() < STANDS) {
            paused.extend(later);
        }
    }
    paused
}

fn mean_needle(observations: &[&Observation]) -> Option<f64> {
    let seen = observations
        .iter()
        .filter_map(|o| Some(o.needle?.deflection));
    let seen: Vec<f64> = seen.collect();
    (!seen.is_empty()).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
}

/// What was read with the same sense element, on the same range of the drop meter and with the same polarity.
fn group(o: &Observation) -> (Option<Ohms>, Option<f64>, bool) {
    (o.set.sense, o.drop.map(|d| d.range), o.set.reversed)
}

fn alike<'a>(observations: &[&'a Observation], one: &Observation) -> Vec<&'a Observation> {
    let alike = observations.iter().filter(|o| group(o) == group(one));
    alike.copied().collect()
}

fn largest<'a>(observations: &[&'a Observation]) -> Option<&'a Observation> {
    let mut all = observations.iter().copied();
    let first = all.next()?;
    Some(all.fold(first, |a, b| if size(b) > size(a) { b } else { a }))
}

fn size(o: &Observation) -> f64 {
    drop(o).unwrap_or(0.0).abs()
}

fn points(observations: &[&Observation]) -> Vec<(f64, f64)> {
    let point = |o: &&Observation| Some((current(o)?, drop(o)?));
    observations.iter().filter_map(point).collect()
}
