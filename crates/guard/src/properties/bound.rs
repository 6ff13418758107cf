//! The bound of a checked drive against the current worked out element by element.

use super::{arrangement, cases, known, unlimited};
use crate::allowance::Evidence;
use crate::check::{LoopMeasured, SET_POINT_EVERY};
use crate::ramp::set_point;
use crate::rig::Rig;
use crate::state::{Arrangement, State};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use quantity::{Amps, Ohms, Seconds, Volts};

/// What chance decides about a rig within what its file states. All from −1 to 1, but for the last.
#[derive(Clone, Debug)]
struct True {
    gain: f64,
    offset: f64,
    elements: Vec<f64>,
    /// Contacts and movement together.
    rest: Ohms,
}

fn truth() -> impl Strategy<Value = True> {
    let sign = -1.0..=1.0f64;
    let elements = prop::collection::vec(sign.clone(), 12);
    let movement = prop_oneof![Just(0.0), (-3.0..4.5f64).prop_map(|e| 10f64.powf(e))];
    (sign.clone(), sign, elements, movement).prop_map(|(gain, offset, elements, ohms)| True {
        gain,
        offset,
        elements,
        rest: Ohms::new(ohms),
    })
}

impl True {
    /// Terminal voltage at rest; a supply can't go negative.
    fn volts(&self, rig: &Rig, set: Volts) -> Volts {
        let supply = &rig.supply;
        let volts = set * (1.0 + self.gain * supply.accuracy) + supply.offset * self.offset;
        volts.max(Volts::ZERO)
    }

    /// The loop, written out in words of its own: fixed resistor, series elements in use, sense.
    fn ohms(&self, rig: &Rig, arrangement: &Arrangement) -> Ohms {
        let range = &arrangement.range;
        let series = (0..rig.series.len()).filter(|&i| range.series[i]);
        let mut used: Vec<_> = series.map(|i| &rig.series[i]).collect();
        used.push(&rig.paths[range.path].fixed);
        used.push(&rig.sense[range.sense]);
        let mut ohms = self.rest;
        for (element, x) in used.iter().zip(&self.elements) {
            ohms += element.ohms + element.ohms * (element.tolerance * x);
        }
        ohms
    }
}

#[derive(Clone, Debug)]
struct Move {
    range: usize,
    from: f64,
    target: f64,
    over: f64,
}

fn moves() -> impl Strategy<Value = Move> {
    let over = prop_oneof![Just(0.0), 0.0..8.0f64];
    (0..20usize, 0.0..1.0f64, 0.0..1.0f64, over).prop_map(|(range, from, target, over)| Move {
        range,
        from,
        target,
        over,
    })
}

/// Start and checked end of a move, and the largest current at any moment of it.
fn carried_out(rig: &Rig, truth: &True, m: &Move) -> Option<(Amps, Amps)> {
    let arrangement = arrangement(rig, m.range);
    let grid = rig.supply.resolution;
    let volts = grid * (rig.supply.max_voltage * m.from / grid).floor();
    let (evidence, top) = (Evidence::default(), arrangement.range.top);
    let arrangement = Some(arrangement);
    let state = State { arrangement, volts };
    let over = Seconds::new(m.over);
    let checked = known(rig, &evidence).drive(&state, top * m.target, over);
    let checked = checked.ok()?;
    let ohms = truth.ohms(rig, state.arrangement.as_ref()?);
    let count = (over / SET_POINT_EVERY).ceil().max(1.0) as usize;
    let (mut now, mut highest) = (volts, Volts::ZERO);
    for step in 1..=count {
        let share = step as f64 / count as f64;
        let next = set_point(volts, checked.volts, share, grid);
        let overshoot = (next - now).max(Volts::ZERO) * rig.supply.overshoot;
        highest = highest.max(truth.volts(rig, next) + overshoot);
        now = next;
    }
    // On the way down the start is the highest; it was allowed before.
    (checked.volts >= volts).then_some((checked.bound, highest / ohms))
}

proptest! {
    #![proptest_config(cases(4000))]

    /// Whatever the elements, contacts and movement within what is stated.
    #[test]
    fn no_current_is_above_the_bound(truth in truth(), m in moves()) {
        let rig = unlimited();
        if let Some((bound, current)) = carried_out(&rig, &truth, &m) {
            prop_assert!(current <= bound * (1.0 + 1e-9), "{current} above {bound}");
        }
    }

    /// The loop measured at one set-point bounds the current at another.
    #[test]
    fn a_measured_loop_bounds_the_current_elsewhere(
        truth in truth(), m in moves(), at in -3.0..0.0f64, error in -1.0..1.0f64, u in 3e-4..0.1f64,
    ) {
        let rig = unlimited();
        let arrangement = arrangement(&rig, m.range);
        let ohms = truth.ohms(&rig, &arrangement);
        let volts = rig.supply.max_voltage * 10f64.powf(at);
        let current = truth.volts(&rig, volts) / ohms;
        let read = current * (1.0 - 1.9 * u * error);
        let evidence = Evidence::default();
        let known = crate::check::Known {
            measured: Some(LoopMeasured { ohms: volts / read, u, volts, movement: Some(Ohms::ZERO), rest: None }),
            ..known(&rig, &evidence)
        };
        let target = arrangement.range.top * m.target;
        let state = State { arrangement: Some(arrangement), volts: Volts::ZERO };
        if let Ok(checked) = known.drive(&state, target, Seconds::ZERO) {
            let highest = truth.volts(&rig, checked.volts) + checked.volts * rig.supply.overshoot;
            let highest = highest / ohms;
            prop_assert!(highest <= checked.bound * (1.0 + 1e-9), "{highest} above {}", checked.bound);
        }
    }

    /// Set-points go one way, stay between start and checked end, end there, and no step is larger
    /// than twice the mean one, which the bound relies on.
    #[test]
    fn ramps_go_one_way_and_end_where_they_were_checked(from in 0u32..80_000, to in 0u32..80_000, count in 1usize..200) {
        let grid = unlimited().supply.resolution;
        let (from, to) = (grid * f64::from(from), grid * f64::from(to));
        let points: Vec<Volts> = (0..=count)
            .map(|step| set_point(from, to, step as f64 / count as f64, grid))
            .collect();
        prop_assert_eq!((points[0], points[count]), (from, to));
        let most = (to - from).abs() * 2.0 / count as f64 + grid * 1.001;
        for pair in points.windows(2) {
            let step = pair[1] - pair[0];
            let onward = if to >= from { step } else { Volts::ZERO - step };
            prop_assert!(onward >= Volts::ZERO, "{} to {}", pair[0], pair[1]);
            prop_assert!(onward <= most || count == 1, "{onward} of {most}");
        }
    }
}

/// A bound that is never exceeded can still be useless. Here the movement drops what it does on a
/// real rig, up to 0.3 V.
#[test]
fn the_bound_is_useful() {
    let rig = unlimited();
    let mut runner = TestRunner::deterministic();
    let strategy = (truth(), moves());
    let mut ratios = Vec::new();
    for _ in 0..8000 {
        let (mut truth, m) = strategy.new_tree(&mut runner).unwrap().current();
        let top = arrangement(&rig, m.range).range.top;
        truth.rest = Ohms::new(0.3 * truth.gain.abs() / top.get());
        // Below a tenth of a range the supply's offset is most of it.
        if m.target < 0.1 {
            continue;
        }
        if let Some((bound, current)) = carried_out(&rig, &truth, &m) {
            ratios.push(bound / current);
        }
    }
    ratios.sort_by(f64::total_cmp);
    let count = ratios.len();
    assert!(count >= 2000, "only {count} moves were allowed");
    let (median, high) = (ratios[count / 2], ratios[count * 95 / 100]);
    println!("bound over true current, {count} moves: median {median:.3}, 95 % below {high:.3}");
    assert!(ratios[0] >= 1.0);
    assert!(median < 1.05 && high < 1.15, "{median} {high}");
}
