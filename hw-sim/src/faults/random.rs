//! Random plans: what may go wrong in one run.

use super::{Class, Fault, Faults, Kind, Place};
use crate::draw::Draw;
use crate::meter::{OHMS, RANGES};
use crate::wiring::{CHANNELS, PATH};

impl Faults {
    /// The plan that belongs to `seed`: one to three faults of information, or a single one of
    /// energy.
    pub fn random(seed: u64, class: Class) -> Self {
        let mut draw = Draw::new(seed, 200);
        let count = match class {
            Class::Energy => 1,
            Class::Information => 1 + draw.nanos(0, 6) / 3 + draw.nanos(0, 6) / 5,
        };
        let kinds: Vec<Kind> = Kind::ALL
            .into_iter()
            .filter(|kind| kind.class() == class && *kind != Kind::Restarts)
            .collect();
        let fault = (0..count)
            .map(|_| one(*pick(&kinds, &mut draw), &mut draw))
            .collect();
        Faults { fault }
    }
}

fn pick<'a, T>(all: &'a [T], draw: &mut Draw) -> &'a T {
    &all[draw.nanos(0, all.len() as u64) as usize]
}

fn one(kind: Kind, draw: &mut Draw) -> Fault {
    // Few benches have a bridge.
    let places: Vec<Place> = kind
        .places()
        .iter()
        .copied()
        .filter(|p| *p != Place::Bridge)
        .collect();
    let place = *pick(&places, draw);
    let mut fault = Fault::new(place, kind);
    fault.size = size(kind, draw);
    fault.channel = kind.at_channel().then(|| channel(kind, draw));
    fault.when_on = draw.chance(0.7);
    if place != Place::Movement && draw.chance(0.5) {
        fault.after_lines = draw.log_between(1.0, 2000.0) as u64;
    } else {
        fault.after_seconds = draw.log_between(0.05, 200.0);
    }
    match draw.nanos(0, 3) {
        0 if kind.countable() => fault.times = Some(draw.log_between(1.0, 20.0) as u32),
        1 if !kind.once() => fault.for_seconds = Some(draw.log_between(0.05, 20.0)),
        _ => {}
    }
    fault
}

/// A relay that matters in half of the cases, any in the others.
fn channel(kind: Kind, draw: &mut Draw) -> u16 {
    let channels = match kind.of_element() {
        true => &CHANNELS[PATH..],
        false if draw.chance(0.5) => &CHANNELS[..PATH],
        false => &CHANNELS[..],
    };
    *pick(channels, draw)
}

fn size(kind: Kind, draw: &mut Draw) -> Option<f64> {
    let sign = if draw.chance(0.5) { -1.0 } else { 1.0 };
    let limits = kind.size()?;
    Some(match kind {
        Kind::Late => draw.log_between(0.02, 5.0),
        Kind::Slow => draw.log_between(1e-3, 0.5),
        Kind::Pieces => draw.log_between(1e-3, 0.3),
        Kind::Garbled => draw.log_between(0.03, 1.0),
        Kind::SetClamped => draw.log_between(1e-3, 5.0),
        Kind::ReadBackLies if draw.chance(0.5) => 0.0,
        Kind::ReadBackLies => sign * draw.log_between(1e-4, 0.5),
        Kind::Gain => sign * draw.log_between(1e-5, 0.05),
        Kind::Offset => sign * draw.log_between(1e-6, 1e-2),
        Kind::WrongRange => *pick(&RANGES, draw),
        Kind::WrongFunction => pick(&OHMS, draw).0,
        _ => draw.between(limits.low, limits.high),
    })
}
