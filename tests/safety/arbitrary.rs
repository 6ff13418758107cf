//! Arbitrary proposals, sensible or not, on arbitrary movements: what the simulated rig really
//! drives stays below what the guard counted with, and no needle is driven into a stop.

use super::scene::{Stage, paused};
use evidence::Purpose;
use guard::{Arrangement, Guard, Halt, Proposal, Range, Rig, Settle};
use hw_sim::Pool;
use needlerig_tests::campaign::guarded::Compare;
use proptest::prelude::*;
use quantity::{Amps, Ohms, Seconds, Volts};

#[derive(Clone, Debug)]
enum Act {
    /// Path, series elements as bits, sense element, shunt elements as bits, polarity.
    Arrange(usize, u32, usize, u32, bool),
    /// A range for so many times what the guard would accept.
    Climb(f64),
    /// Share of what the guard says it would accept, and the length of the ramp, s.
    Drive(f64, f64),
    Hold(f64),
    /// So many gentle drives to nearly what would be accepted, with a look after each.
    Creep(u32),
    Settle,
    Wiggle,
    LetGo,
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let series = prop_oneof![4 => Just(1023u32), 2 => (0..10u32).prop_map(|i| 1023 & !(1 << i)), 1 => 0..1024u32];
    let shunt = prop_oneof![4 => Just(0u32), 1 => any::<u32>()];
    let reversed = prop::bool::weighted(0.2);
    let path = prop_oneof![3 => Just(0usize), 1 => 0..6usize];
    let over = prop_oneof![Just(0.0), 0.0..9.0f64];
    let act = prop_oneof![
        1 => (path, series, 0..6usize, shunt, reversed)
            .prop_map(|(path, series, sense, shunt, reversed)|
                Act::Arrange(path, series, sense, shunt, reversed)),
        2 => (1.0..10.0f64).prop_map(Act::Climb),
        10 => (0.3..1.2f64, over).prop_map(|(share, over)| Act::Drive(share, over)),
        3 => (0.1..12.0f64).prop_map(Act::Hold),
        3 => (1..12u32).prop_map(Act::Creep),
        4 => Just(Act::Settle),
        1 => Just(Act::Wiggle),
        2 => Just(Act::LetGo),
    ];
    prop::collection::vec(act, 20..90)
}

/// Any arrangement that the rig has, sensible or not.
fn arrangement(rig: &Rig, act: (usize, u32, usize, u32, bool)) -> Arrangement {
    let (path, series, sense, shunt, reversed) = act;
    let (path, sense) = (path % rig.paths.len(), sense % rig.sense.len());
    let series: Vec<bool> = (0..rig.series.len())
        .map(|i| series >> i & 1 == 1)
        .collect();
    let bank = rig.series.iter().zip(&series).filter(|(_, used)| **used);
    let bank: Ohms = bank.map(|(element, _)| element.ohms).sum();
    let loop_ohms = rig.paths[path].fixed.ohms + bank + rig.sense[sense].ohms;
    let top = rig.supply.max_voltage / loop_ohms;
    Arrangement {
        range: Range {
            path,
            series,
            pots: Vec::new(),
            sense,
            top,
        },
        shunt: (0..rig.shunt.len())
            .filter(|i| shunt >> i & 1 == 1)
            .collect(),
        reversed,
        largest_drop: Volts::new(1.0),
    }
}

/// The current to zero; before the first arrangement there is nothing to bring down.
async fn down(guard: &mut Guard) -> Result<(), Halt> {
    let down = Proposal::Drive {
        target: Amps::ZERO,
        over: Seconds::new(8.0),
    };
    match guard.propose(down).await {
        Err(Halt::Fault(fault)) => Err(fault.into()),
        _ => Ok(()),
    }
}

async fn carry_out(
    guard: &mut Guard,
    rig: &Rig,
    act: &Act,
    furthest: &mut Amps,
) -> Result<(), Halt> {
    let settle = |purpose| {
        let (window, slow) = (Seconds::new(2.4), Seconds::new(1.0));
        Proposal::Settle(Settle {
            purpose,
            window,
            slow,
            tolerance: 0.001,
        })
    };
    let proposal = match act {
        &Act::Creep(times) => {
            for _ in 0..times {
                let (target, over) = (*furthest * 0.97, Seconds::new(7.5));
                guard.propose(Proposal::Drive { target, over }).await?;
                *furthest = guard.propose(settle(Purpose::Rising)).await?.furthest;
            }
            return Ok(());
        }
        &Act::Arrange(path, series, sense, shunt, reversed) => {
            down(guard).await?;
            Proposal::Arrange(arrangement(rig, (path, series, sense, shunt, reversed)))
        }
        &Act::Climb(times) => {
            let top = (*furthest * times).max(rig.limits.first_touch * 8.0);
            let Some(range) = rig.range_for(top, Ohms::ZERO, rig.paths.len() - 1) else {
                return Ok(());
            };
            down(guard).await?;
            Proposal::Arrange(Arrangement {
                range,
                shunt: Vec::new(),
                reversed: false,
                largest_drop: Volts::new(1.0),
            })
        }
        &Act::Drive(share, over) => {
            let (target, over) = (*furthest * share, Seconds::new(over));
            Proposal::Drive { target, over }
        }
        &Act::Hold(seconds) => Proposal::Hold(Seconds::new(seconds)),
        Act::Settle => settle(Purpose::Rising),
        Act::Wiggle => Proposal::Wiggle,
        Act::LetGo => Proposal::LetGo,
    };
    *furthest = guard.propose(proposal).await?.furthest;
    Ok(())
}

#[derive(Debug)]
struct Seen {
    over_bound: f64,
    driven_hits: u32,
    peak: f64,
    safe: bool,
    driven: bool,
}

fn seen(seed: u64, acts: &[Act]) -> Seen {
    paused(async {
        // Delicate ones in half of the cases: these can be brought up their whole scale.
        let movement = match seed % 6 {
            0 => hw_sim::find("gossamer").unwrap(),
            1 => hw_sim::find("heron").unwrap(),
            2 => hw_sim::find("burdock").unwrap(),
            _ => hw_sim::random(seed, Pool::Any),
        };
        let mut stage = Stage::of(&movement, seed);
        let compare = Compare::new(&stage.bench, &stage.rig);
        let mut guard = stage.guard(Box::new(compare.clone())).await.unwrap();
        let mut furthest = Amps::ZERO;
        let mut driven = false;
        for act in std::iter::once(&Act::Climb(1.0)).chain(acts) {
            let done = carry_out(&mut guard, &stage.rig, act, &mut furthest).await;
            driven |= done.is_ok() && matches!(act, Act::Drive(..));
            if let Err(Halt::Fault(_)) = done {
                break;
            }
        }
        let bound = guard.end().await.unwrap().safe.bound;
        let truth = stage.truth();
        let rest = stage.bench.lock().unwrap().take_driven();
        Seen {
            over_bound: compare.end(rest, bound).over_bound,
            driven_hits: truth.driven_stop_hits,
            peak: truth.peak_deflection,
            safe: truth.safe,
            driven,
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 150,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(11),
        ..ProptestConfig::default()
    })]

    #[test]
    fn whatever_is_proposed_the_current_stays_below_the_bound(seed in any::<u64>(), acts in acts()) {
        let seen = seen(seed, &acts);
        prop_assert!(seen.over_bound <= 1.002, "{seen:?}");
        prop_assert!(seen.driven_hits == 0 && seen.peak <= 1.05 && seen.safe, "{seen:?}");
    }
}

/// Proposals that were all refused would prove nothing.
#[test]
fn arbitrary_proposals_do_drive_something() {
    use proptest::strategy::ValueTree;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let strategy = (any::<u64>(), acts());
    let runs = (0..60).map(|_| {
        let (seed, acts) = strategy.new_tree(&mut runner).unwrap().current();
        seen(seed, &acts)
    });
    let runs: Vec<Seen> = runs.collect();
    let moved = runs.iter().filter(|run| run.peak > 0.1).count();
    let driven = runs.iter().filter(|run| run.driven).count();
    assert!(
        driven >= 40 && moved >= 10,
        "{driven} driven, {moved} moved"
    );
}
