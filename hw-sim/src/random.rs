//! Random movements: what a drawer of salvaged meters may hold.

use crate::diodes::{Diodes, Junction, Seat};
use crate::draw::Draw;
use crate::spec::{Condition, Law, MovementSpec};
use std::f64::consts::TAU;

/// Which movements to draw from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pool {
    /// Sound moving coils, bare or with an internal shunt, 20 µA to 1 A.
    Measurable,
    /// Those, and every other kind: square law, suppressed, with multiplier, reversed, open, stuck,
    /// absent.
    Any,
    /// Those of `Any`; every third bare moving coil has diodes in its case. The others of a seed are the
    /// same in both pools.
    Rectified,
}

/// The movement that belongs to `seed`.
pub fn random(seed: u64, pool: Pool) -> MovementSpec {
    let mut draw = Draw::new(seed, 100);
    let mut spec = measurable(&mut draw);
    spec.name = format!("drawn-{seed}");
    if pool != Pool::Measurable {
        vary(&mut spec, &mut draw);
    }
    if pool == Pool::Rectified {
        rectify(&mut spec, &mut Draw::new(seed, 101));
    }
    spec
}

fn measurable(draw: &mut Draw) -> MovementSpec {
    let amps = draw.log_between(20e-6, 1.0);
    let drop = draw.log_between(0.02, 0.3);
    let period = draw.log_between(0.3, 2.0);
    let open = draw.log_between(0.08, 2.0);
    let with_shunt = amps > 10e-3 || draw.chance(0.25);
    let mut spec = MovementSpec {
        name: String::new(),
        description: String::new(),
        law: Law::Linear,
        coil_full_scale: amps,
        copper: drop / amps,
        swamp: 0.0,
        shunt: None,
        multiplier: 0.0,
        diodes: None,
        period,
        damping: open,
        back_emf: 0.0,
        friction: 0.0,
        breakaway: 0.0,
        zero: zero(draw),
        scale_error: scale_error(draw),
        lower_stop: -draw.between(0.03, 0.05),
        upper_stop: draw.between(1.055, 1.085),
        restitution: draw.between(0.2, 0.5),
        thermal_resistance: draw.between(100.0, 600.0),
        thermal_time: draw.log_between(5.0, 60.0),
        condition: Condition::Sound,
    };
    let omega = TAU / period;
    if with_shunt {
        let least = amps.min(0.5e-3) * 0.5;
        let core = draw.log_between(least.max(amps * 0.001), (amps * 0.5).min(5e-3));
        let branch = drop / core;
        let shunt = drop / (amps - core);
        spec.coil_full_scale = core;
        spec.copper = branch * draw.between(0.2, 0.4);
        spec.swamp = branch - spec.copper;
        spec.shunt = Some(shunt);
        // The shunt closes the coil's circuit: part of the open-terminal damping is its work.
        let magnetic = open * draw.between(0.3, 0.8);
        spec.damping = open - magnetic;
        spec.back_emf = magnetic * 2.0 * core * (branch + shunt) / omega;
        spec.description = format!("{amps:.3e} A, {drop:.3} V, shunt inside");
    } else {
        let shorted_adds = draw.log_between(0.2, 1.5);
        spec.back_emf = shorted_adds * 2.0 * drop / omega;
        spec.description = format!("{amps:.3e} A, {drop:.3} V, bare coil");
    }
    friction(&mut spec, draw);
    cool(&mut spec);
    spec
}

/// Standard deviation 0.4 %, drawn again beyond 1 %.
fn zero(draw: &mut Draw) -> f64 {
    loop {
        let zero = 0.004 * draw.normal();
        if zero.abs() <= 0.01 {
            return zero;
        }
    }
}

/// A smooth cubic, scaled to a largest error drawn up to 0.5 % of scale.
fn scale_error(draw: &mut Draw) -> [f64; 3] {
    let shape: [f64; 3] = std::array::from_fn(|_| draw.normal());
    let value = |d: f64| d * (shape[0] + d * (shape[1] + d * shape[2]));
    let largest = (0..=100)
        .map(|k| value(f64::from(k) * 0.01).abs())
        .fold(1e-9, f64::max);
    let scale = draw.between(0.0, 0.005) / largest;
    shape.map(|coefficient| coefficient * scale)
}

/// One movement in eight has no friction; half of all stay below 0.15 %; the rest reach 1 %.
fn friction(spec: &mut MovementSpec, draw: &mut Draw) {
    let kind = draw.between(0.0, 1.0);
    spec.friction = if kind < 0.125 {
        0.0
    } else if kind < 0.5 {
        draw.between(0.0, 0.001_5)
    } else {
        draw.between(0.001_5, 0.01)
    };
    spec.breakaway = spec.friction * draw.between(1.0, 1.3);
}

/// Keeps self-heating at full scale below 3 K.
fn cool(spec: &mut MovementSpec) {
    let watts = spec.coil_full_scale * spec.coil_full_scale * spec.copper;
    spec.thermal_resistance = spec.thermal_resistance.min(2.8 / watts);
}

/// Turns two of three into something else.
fn vary(spec: &mut MovementSpec, draw: &mut Draw) {
    match draw.nanos(0, 21) {
        0..7 => {}
        7..9 => {
            let amps = draw.log_between(20e-3, 1.0);
            spec.law = Law::Square;
            spec.coil_full_scale = amps;
            spec.copper = draw.between(0.05, 0.3) / amps;
            (spec.swamp, spec.shunt, spec.back_emf) = (0.0, None, 0.0);
            spec.damping = draw.log_between(0.15, 1.0);
            cool(spec);
            spec.description = format!("{amps:.3e} A, moving iron");
        }
        9..11 => {
            let start = draw.between(0.2, 0.5);
            spec.law = Law::Suppressed(start);
            spec.description += &format!(", scale begins at {start:.2} of the current");
        }
        11..13 => {
            spec.shunt = None;
            let volts = draw.log_between(1.0, 5.0);
            spec.coil_full_scale = spec.coil_full_scale.min(5e-3);
            spec.multiplier = (volts / spec.coil_full_scale - spec.core(20.0)).max(0.0);
            spec.description += &format!(", multiplier inside: {volts:.2} V");
        }
        13..15 => spec.condition = Condition::Reversed,
        15..17 => spec.condition = Condition::OpenCoil,
        17..19 => spec.condition = Condition::Stuck,
        _ => spec.condition = Condition::Absent,
    }
    if spec.condition != Condition::Sound {
        spec.description += &format!(", {:?}", spec.condition);
    }
}

/// Puts diodes into one bare moving coil of three: none that would take more than they leave.
fn rectify(spec: &mut MovementSpec, draw: &mut Draw) {
    let bare = spec.law != Law::Square && spec.shunt.is_none() && spec.multiplier == 0.0;
    if !bare || !draw.chance(1.0 / 3.0) {
        return;
    }
    let seat = [Seat::Protection, Seat::Bridge, Seat::HalfWave][draw.nanos(0, 3) as usize];
    let junctions = [Junction::Silicon, Junction::Germanium, Junction::Schottky];
    let mut junction = junctions[draw.nanos(0, 3) as usize];
    let volts = draw.log_between(0.1, 3.0);
    match seat {
        Seat::Protection if spec.coil_full_scale * spec.core(20.0) > 0.07 => {
            junction = Junction::Silicon;
        }
        Seat::Protection => {}
        Seat::Bridge | Seat::HalfWave => spec.multiplier = volts / spec.coil_full_scale,
    }
    spec.diodes = Some(Diodes { seat, junction });
    spec.description += &format!(", {seat:?} of {junction:?}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn measurable_pool_keeps_its_announced_bounds() {
        let mut quiet = 0;
        for seed in 0..2000 {
            let spec = random(seed, Pool::Measurable);
            assert_eq!(spec, random(seed, Pool::Measurable));
            let ohms = spec.terminal_resistance(20.0);
            let share = spec
                .shunt
                .map_or(1.0, |shunt| (spec.core(20.0) + shunt) / shunt);
            let amps = spec.coil_full_scale * share;
            assert!((19.9e-6..=1.001).contains(&amps), "{amps}");
            assert!((0.0199..=0.3001).contains(&(amps * ohms)));
            let open = spec.damping_into(f64::INFINITY, 20.0);
            assert!((0.079..=2.01).contains(&open), "{open}");
            assert!(spec.damping > 0.0 && spec.back_emf > 0.0);
            assert!(spec.damping_into(0.0, 20.0) > open);
            assert!(spec.friction <= 0.01 && spec.breakaway <= 1.3 * spec.friction + 1e-12);
            assert!((0..=100).all(|k| spec.scale_error(f64::from(k) / 100.0).abs() <= 0.005_01));
            let heat = spec.coil_full_scale.powi(2) * spec.copper * spec.thermal_resistance;
            assert!(heat < 3.0, "{heat} K");
            if amps > 10e-3 {
                assert!(spec.shunt.is_some() && spec.coil_full_scale <= 5e-3);
            }
            quiet += u32::from(spec.friction < 0.001_5);
        }
        assert!(
            (900..1100).contains(&quiet),
            "{quiet} of 2000 with little friction"
        );
    }

    /// A seed's movement is the one of the wider pool but for its diodes and what stands before them.
    #[test]
    fn every_third_bare_coil_of_the_widest_pool_has_diodes() {
        let mut seats = Vec::new();
        let mut bare = 0;
        for seed in 0..600 {
            let (mut spec, plain) = (random(seed, Pool::Rectified), random(seed, Pool::Any));
            bare += usize::from(plain.shunt.is_none() && plain.multiplier == 0.0);
            let Some(diodes) = spec.diodes.take() else {
                assert_eq!(spec, plain, "{seed}");
                continue;
            };
            seats.push(diodes.seat);
            spec.multiplier = plain.multiplier;
            spec.description.clone_from(&plain.description);
            assert_eq!(spec, plain, "{seed}");
        }
        for seat in [Seat::Protection, Seat::Bridge, Seat::HalfWave] {
            let share = seats.iter().filter(|known| **known == seat).count() as f64 / bare as f64;
            assert!((0.06..0.16).contains(&share), "{seat:?}: {share}");
        }
        assert!((0..600).all(|seed| random(seed, Pool::Any).diodes.is_none()));
    }

    #[test]
    fn the_wider_pool_holds_every_kind() {
        let all: Vec<_> = (0..300).map(|seed| random(seed, Pool::Any)).collect();
        for condition in [
            Condition::Sound,
            Condition::Reversed,
            Condition::OpenCoil,
            Condition::Stuck,
            Condition::Absent,
        ] {
            assert!(
                all.iter().any(|spec| spec.condition == condition),
                "{condition:?}"
            );
        }
        for spec in &all {
            let heat = spec.coil_full_scale.powi(2) * spec.copper * spec.thermal_resistance;
            assert!(heat < 3.0, "{} heats itself by {heat} K", spec.name);
        }
        assert!(all.iter().any(|spec| spec.law == Law::Square));
        assert!(all.iter().any(|spec| spec.multiplier > 0.0));
    }
}
