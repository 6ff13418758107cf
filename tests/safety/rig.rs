//! A rig that is not what its file says, parts that break, and movements with something wrong.

use super::scene::Scene;
use guard::Fault;
use hw_sim::Bench;
use procedure::Outcome;

const RISING: &str = "scale, rising";

#[test]
fn a_path_smaller_than_the_file_says_ends_the_run() {
    // The bench has 40 kΩ.
    let done = Scene::SOUND
        .edited("fixed = \"40 kΩ\"", "fixed = \"400 kΩ\"")
        .run();
    assert!(
        matches!(done.fault(), Fault::Current { .. }),
        "{}",
        done.fault()
    );
    assert!(done.truth.peak_deflection < 0.3);
    done.assert_safe_with_record();
}

#[test]
fn a_supply_that_runs_away_is_noticed_and_disconnected() {
    for phase in ["creep", "first motion", RISING] {
        let done = Scene::SOUND.harmed_in(phase, Bench::run_away).run();
        assert!(
            matches!(done.fault(), Fault::Current { .. }),
            "{phase}: {}",
            done.fault()
        );
        let safe = done.safe.as_ref().unwrap();
        assert!(!safe.verified, "the supply still gives its maximum");
        // A fault of energy: the needle may hit its stop, but the current has an end, and soon.
        assert!(done.truth.current.abs() < 1e-9);
        assert!(done.closed.is_empty(), "{:?}", done.closed);
        let fault_current = 8.1 / 39.6e3;
        assert!(done.truth.peak_current < fault_current, "{phase}");
    }
}

/// 8 V over the lightest range would be 16 µA, and the first touch is 1 µA.
#[test]
fn what_the_output_capacitors_hold_reaches_no_movement() {
    let done = Scene::SOUND
        .harmed_in("zero", |bench| bench.charge_output(8.0))
        .stopped_in("creep")
        .run();
    assert!(matches!(done.fault(), Fault::Interrupted));
    let peak = done.truth.peak_current;
    assert!(peak < 1.5e-6, "{peak} A");
    done.assert_safe();
}

/// Read-back does not show a welded contact. Whatever is welded, the rest of the safe state holds.
#[test]
fn with_one_contact_welded_nothing_flows_after_the_end() {
    let welds: [fn(&mut Bench); 5] = [
        |bench| assert!(bench.weld(101)),
        |bench| assert!(bench.weld(103)),
        |bench| assert!(bench.weld(104)),
        |bench| assert!(bench.weld(111)),
        |bench| assert!(bench.weld(142)),
    ];
    for (number, weld) in welds.into_iter().enumerate() {
        let done = Scene::SOUND.harmed_in(RISING, weld).run();
        super::scene::assert_at_rest(&done.truth);
        assert!(done.volts < 3e-3);
        assert!(!done.closed.is_empty(), "weld {number} has no effect");
    }
}

/// Two paths at once let a tenth more through. That is found out with a current which is small even
/// then, or counted with until the needle's first rest shows it, far below full scale.
#[test]
fn a_path_that_stays_closed_under_a_heavier_one_is_found_before_it_counts() {
    let done = Scene::SOUND
        .with("fennel")
        .harmed_in("zero", |bench| assert!(bench.weld(111)))
        .run();
    match done.fault() {
        Fault::Current { found, bound } => {
            let more = *found / *bound;
            assert!((1.03..1.15).contains(&more), "{more}");
        }
        other => panic!("{other}"),
    }
    done.assert_safe_except_welds();
    assert!(
        done.truth.peak_deflection < 0.4,
        "{}",
        done.truth.peak_deflection
    );
}

#[test]
fn a_series_relay_that_welds_ends_the_run_or_changes_nothing() {
    for weld in [
        (|bench| assert!(bench.weld(121))) as fn(&mut Bench),
        |bench| assert!(bench.weld(124)),
    ] {
        let done = Scene::SOUND.harmed_in("creep", weld).run();
        assert_eq!(done.truth.driven_stop_hits, 0);
        assert!(
            done.truth.peak_deflection <= 1.02,
            "{}",
            done.truth.peak_deflection
        );
    }
}

#[test]
fn swapped_leads_drive_no_needle_into_its_lower_stop() {
    let done = Scene::SOUND.with("widdershins").run();
    assert_eq!(done.plan, Some(Ok(Outcome::Complete)), "{:?}", done.fault);
    done.assert_safe_with_record();
    let lowest = done.truth.lowest_deflection;
    assert!(lowest > -0.03, "the needle went to {lowest}");
}

/// The last milestone is 50 mV; the current may be one second's growth, half as much again, ahead of
/// the reading that shows it.
#[test]
fn what_does_not_move_gets_no_more_than_the_milestones_allow() {
    let boulder = 0.050 * 1.5 / 100.0;
    for (movement, most) in [("boulder", boulder), ("hollow", 2e-5), ("nobody", 2e-5)] {
        let done = Scene::SOUND.with(movement).run();
        assert!(
            matches!(done.plan, Some(Ok(Outcome::NothingMoves(_)))),
            "{movement}: {:?} {:?}",
            done.plan,
            done.fault
        );
        done.assert_safe();
        let peak = done.truth.peak_current;
        assert!(peak < most, "{movement}: {peak} A");
    }
}

#[test]
fn too_long_near_full_scale_ends_the_run() {
    let done = Scene::SOUND
        .edited("near_full_scale = \"1800 s\"", "near_full_scale = \"5 s\"")
        .run();
    assert!(
        matches!(done.fault(), Fault::TooLongNearFullScale(limit) if limit.get() == 5.0),
        "{}",
        done.fault()
    );
    done.assert_safe_with_record();
}

#[test]
fn the_ceiling_of_the_rig_file_holds_whatever_it_is() {
    for ceiling in ["ceiling = \"30 %\"", "ceiling = \"70 %\""] {
        let share: f64 = ceiling[11..13].parse::<f64>().unwrap() / 100.0;
        let done = Scene::SOUND.edited("ceiling = \"102 %\"", ceiling).run();
        let peak = done.truth.peak_deflection;
        assert!(peak <= share + 0.003, "{ceiling}: {peak}");
        done.assert_safe_with_record();
    }
}

#[test]
fn limits_of_drop_and_power_hold() {
    for (old, new, most) in [
        // The movement drops 0.1 V at full scale and takes 5 µW.
        ("drop = \"4 V\"", "drop = \"50 mV\"", 25e-6),
        ("power = \"4 W\"", "power = \"1 uW\"", 22.5e-6),
    ] {
        let done = Scene::SOUND.edited(old, new).run();
        assert_ne!(done.plan, Some(Ok(Outcome::Complete)), "{new}");
        let peak = done.truth.peak_current;
        assert!(peak <= most * 1.06 && peak > most * 0.5, "{new}: {peak} A");
        done.assert_safe_with_record();
    }
}
