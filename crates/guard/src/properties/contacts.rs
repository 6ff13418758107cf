//! The order in which contacts move.

use super::{cases, rig};
use crate::rig::{Range, Rig};
use crate::state::{Arrangement, energised, moves};
use proptest::prelude::*;
use quantity::{Amps, Volts};
use std::collections::BTreeSet;

fn arrangements() -> impl Strategy<Value = Option<Arrangement>> {
    let series = prop::collection::vec(any::<bool>(), 10);
    let shunt = prop::collection::btree_set(0..12usize, 0..5);
    let some = (0..6usize, series, 0..7usize, shunt, any::<bool>()).prop_map(
        |(path, series, sense, shunt, reversed)| Arrangement {
            range: Range {
                path,
                series,
                pots: Vec::new(),
                sense,
                top: Amps::micro(10.0),
            },
            shunt: shunt.into_iter().collect(),
            reversed,
            largest_drop: Volts::new(1.0),
        },
    );
    prop_oneof![1 => Just(None), 9 => some.prop_map(Some)]
}

/// Conductance between the supply and the movement at most, S: paths in parallel, series elements
/// that are not shorted. None while the movement is not reached by any current.
fn conductance(rig: &Rig, on: &BTreeSet<u32>) -> f64 {
    let switch = &rig.switch;
    let reached = [switch.source, switch.short, switch.movement];
    let sensed = rig.sense.iter().any(|e| on.contains(&e.channel));
    if !sensed || !reached.iter().all(|channel| on.contains(channel)) {
        return 0.0;
    }
    let paths = rig.paths.iter().filter(|p| on.contains(&p.fixed.channel));
    let paths: f64 = paths.map(|p| 1.0 / p.fixed.ohms.get()).sum();
    let series = rig.series.iter().filter(|e| !on.contains(&e.channel));
    let series: f64 = series.map(|e| e.ohms.get()).sum();
    let bypassed = switch.bypass.is_some_and(|channel| on.contains(&channel));
    let series = if bypassed { 0.0 } else { series };
    if paths == 0.0 {
        return 0.0;
    }
    1.0 / (1.0 / paths + series)
}

/// Whether the shunt branch of element `channel` conducts.
fn shunted(rig: &Rig, on: &BTreeSet<u32>) -> BTreeSet<u32> {
    let closed = rig.switch.shunt.is_some_and(|switch| on.contains(&switch));
    let elements = rig.shunt.iter().map(|e| e.channel);
    elements.filter(|c| closed && on.contains(c)).collect()
}

proptest! {
    #![proptest_config(cases(2000))]

    /// Each group moves in any order; whatever the order, no state on the way lets more current
    /// through than the heavier of start and end, and no shunt element opens before the barrier.
    #[test]
    fn nothing_on_the_way_carries_more_than_start_or_end(
        from in arrangements(), to in arrangements(), order in any::<[u64; 4]>(),
    ) {
        let rig = rig();
        let (from, to) = (energised(&rig, from.as_ref()), energised(&rig, to.as_ref()));
        let planned = moves(&rig, &from, &to);
        let most = conductance(&rig, &from).max(conductance(&rig, &to)) * (1.0 + 1e-12);
        let mut now = from.clone();
        let before = shunted(&rig, &from);
        let groups = [planned.lowering, planned.polarity, planned.raising, planned.closing];
        for (mut group, seed) in groups.into_iter().zip(order) {
            group.sort_by_key(|m| (seed ^ u64::from(m.channel)).wrapping_mul(0x9e37_79b9_7f4a_7c15));
            for m in &group {
                if m.energise { now.insert(m.channel) } else { now.remove(&m.channel) };
                let here = conductance(&rig, &now);
                prop_assert!(here <= most, "{here} S on the way, {most} S at the ends");
                let paths = rig.paths.iter().filter(|p| now.contains(&p.fixed.channel)).count();
                prop_assert!(paths <= 1, "{paths} paths at once");
                if seed == order[0] {
                    prop_assert!(shunted(&rig, &now).is_superset(&before));
                }
            }
        }
        prop_assert_eq!(now, to);
    }

    /// Two sense elements are never in the circuit at once: the current would be read wrong.
    #[test]
    fn one_sense_element_at_a_time(from in arrangements(), to in arrangements()) {
        let rig = rig();
        let (from, to) = (energised(&rig, from.as_ref()), energised(&rig, to.as_ref()));
        let planned = moves(&rig, &from, &to);
        let sense: BTreeSet<u32> = rig.sense.iter().map(|e| e.channel).collect();
        prop_assert!(planned.lowering.iter().all(|m| !(m.energise && sense.contains(&m.channel))));
        prop_assert!(planned.raising.iter().all(|m| !sense.contains(&m.channel)));
        prop_assert!(planned.closing.iter().all(|m| m.energise && sense.contains(&m.channel)));
    }
}

/// By hand, from the rig file: the relay of a series element that is used is at rest, and the bypass only
/// closes where none is.
#[test]
fn what_is_energised() {
    let rig = rig();
    let mut arrangement = Arrangement {
        range: Range {
            path: 1,
            series: (0..10).map(|number| number < 3).collect(),
            pots: Vec::new(),
            sense: 2,
            top: Amps::micro(1.0),
        },
        shunt: vec![0],
        reversed: true,
        largest_drop: Volts::new(1.0),
    };
    let channels = |more: &[u32]| -> BTreeSet<u32> {
        let shorted = 124..=130;
        let always = [101, 102, 103, 104, 105, 112, 143, 161];
        shorted.chain(always).chain(more.iter().copied()).collect()
    };
    assert_eq!(energised(&rig, Some(&arrangement)), channels(&[]));
    arrangement.range.series = vec![false; 10];
    let all = channels(&[106, 121, 122, 123]);
    assert_eq!(energised(&rig, Some(&arrangement)), all);
    assert_eq!(energised(&rig, None), BTreeSet::new());
}
