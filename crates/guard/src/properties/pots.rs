//! A series bank of potentiometers.

use super::{cases, known};
use crate::allowance::Evidence;
use crate::pots::larger;
use crate::refusal::Refusal;
use crate::rig::Rig;
use crate::state::{Arrangement, State, loop_low};
use proptest::prelude::*;
use quantity::{Amps, Ohms, Seconds, Volts};

/// The simulated rig with potentiometers.
fn rig() -> Rig {
    let text = include_str!("../../../../rigs/simulated-digipots.toml");
    Rig::parse(text, "simulated-digipots.toml").unwrap()
}

fn arrangement(rig: &Rig, top: Amps) -> Arrangement {
    Arrangement {
        range: rig.range_for(top, Ohms::ZERO, 0).unwrap(),
        shunt: Vec::new(),
        reversed: false,
        largest_drop: Volts::new(1.0),
    }
}

fn codes() -> impl Strategy<Value = Vec<u16>> {
    prop::collection::vec(0..=128u16, 4)
}

proptest! {
    #![proptest_config(cases(2000))]

    /// Potentiometers move one by one, in any order, and the bridge may start anew at any moment.
    #[test]
    fn no_code_on_the_way_leaves_less_than_start_or_end(
        from in codes(), to in codes(), order in Just(vec![0, 1, 2, 3]).prop_shuffle(), resets in 0..9usize,
    ) {
        let rig = rig();
        let bank = rig.pots.unwrap();
        let least = bank.low(&from).min(bank.low(&to));
        let mut now = from.clone();
        let by_way_of = larger(&from, &to);
        let moves = order.iter().map(|&k| (k, by_way_of[k])).chain(order.iter().map(|&k| (k, to[k])));
        for (step, (pot, code)) in moves.enumerate() {
            if step == resets {
                now = bank.at_power_up();
            }
            now[pot] = code;
            prop_assert!(bank.low(&now) >= least, "{now:?}");
        }
    }

    /// A range with potentiometers carries its top current at their largest resistance, and neither
    /// it nor its bypass lets more through them than they are rated for.
    #[test]
    fn a_range_on_potentiometers_carries_what_it_is_for(top in 1e-6..110e-6f64) {
        let rig = rig();
        let range = rig.range_for(Amps::new(top), Ohms::ZERO, 0).unwrap();
        let needed = rig.range_high(&range) * Amps::new(top);
        prop_assert!(needed <= rig.supply.max_voltage, "{needed}");
        let rated = rig.pots.map_or(Amps::ZERO, |bank| bank.current);
        prop_assert!(range.pots.is_empty() || range.top <= rated * 0.8);
    }
}

/// 5 V over 40 kΩ and code 0 make 0.1 mA; with potentiometers rated for less, that is refused, and so
/// is a range that would need more, which goes around them.
#[test]
fn more_current_than_potentiometers_carry_is_refused() {
    let mut rig = rig();
    rig.limits.first_touch = Amps::new(1.0);
    let arrangement = arrangement(&rig, Amps::micro(60.0));
    assert!(!arrangement.range.pots.is_empty());
    if let Some(bank) = &mut rig.pots {
        bank.current = Amps::micro(40.0);
    }
    let evidence = Evidence::default();
    let state = State {
        volts: Volts::ZERO,
        arrangement: Some(arrangement.clone()),
    };
    let to = |micro: f64| known(&rig, &evidence).drive(&state, Amps::micro(micro), Seconds::ZERO);
    let worst = |micro: f64| micro * 1.0205 + 1e3 / loop_low(&rig, &arrangement).get();
    assert!(worst(39.0) < 40.0 && to(39.0).is_ok(), "{:?}", to(39.0));
    assert!(worst(39.5) > 40.0);
    assert!(
        matches!(to(39.5), Err(Refusal::Carries { .. })),
        "{:?}",
        to(39.5)
    );
    // Just what they are rated for is carried.
    let just = to(39.0).unwrap().bound;
    for (rated, refused) in [(just, false), (Amps::new(just.get().next_down()), true)] {
        let mut rig = rig.clone();
        if let Some(bank) = &mut rig.pots {
            bank.current = rated;
        }
        let step = known(&rig, &evidence).drive(&state, Amps::micro(39.0), Seconds::ZERO);
        assert_eq!(step.is_err(), refused, "{rated}: {step:?}");
    }
    let around = rig.range_for(Amps::micro(60.0), Ohms::ZERO, 0).unwrap();
    assert!(around.pots.is_empty() && !around.uses_bank());
}

/// An arrangement with a code of which a reset would leave less is refused, with the numbers.
#[test]
fn a_code_that_a_reset_would_lower_is_refused() {
    let rig = rig();
    let evidence = Evidence::default();
    let mut next = arrangement(&rig, Amps::micro(10.0));
    assert_eq!(known(&rig, &evidence).arrange(&next), Ok(()));
    next.range.pots[1] = 129;
    let refused = known(&rig, &evidence).arrange(&next).unwrap_err();
    let text = "potentiometer 1 at code 129: a reset of the bridge brings it to 128";
    assert!(refused.to_string().contains(text), "{refused}");
}
