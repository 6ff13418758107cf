//! Faults of the simulated bench itself: nothing on the wires says that anything is wrong.

use evidence::Observation;
use guard::{Fault as Ended, Refusal, Rig};
use hw_sim::{Bench, Class, Fault, Faults, Kind, Law, MovementSpec, Place, SharedBench};
use needlerig::session::{Order, PICTURELESS_RIG, Simulated, simulated};
use needlerig_tests::campaign::guarded::{Compare, guarded};
use needlerig_tests::campaign::{Tap, trial};
use procedure::{Depth, Outcome, Stopped};
use quantity::Amps;
use std::sync::{Arc, Mutex};

fn run(fault: Fault) -> (Simulated, Vec<Observation>) {
    run_on("heron", fault)
}

pub(super) fn run_on(movement: &str, fault: Fault) -> (Simulated, Vec<Observation>) {
    run_with(&hw_sim::find(movement).unwrap(), &PICTURELESS_RIG, fault)
}

pub(super) fn run_with(
    movement: &MovementSpec,
    rig: &str,
    fault: Fault,
) -> (Simulated, Vec<Observation>) {
    run_plan(movement, rig, &fault.into())
}

fn run_plan(movement: &MovementSpec, rig: &str, plan: &Faults) -> (Simulated, Vec<Observation>) {
    let mut bench = Bench::faulty(movement, 7, plan);
    let rig = Arc::new(Rig::parse(rig, "simulated.toml").unwrap());
    if let Some(trip) = rig.protection.trip {
        bench.fit_trip(trip.level.get());
    }
    let bench: SharedBench = Arc::new(Mutex::new(bench));
    let (_asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(rig, Depth::Quick, stop);
    let tap = Tap::default();
    let done = simulated(&order, &bench, true, Box::new(tap.clone()), |_| {}).unwrap();
    (done, tap.take())
}

pub(super) fn when_on(fault: Fault, seconds: f64) -> Fault {
    Fault {
        when_on: true,
        after_seconds: seconds,
        ..fault
    }
}

fn fault(done: &Simulated) -> &Ended {
    let ending = done.end.as_ref().unwrap().ending.as_ref().unwrap();
    ending.fault.as_ref().unwrap()
}

/// The needle of a rig that drives nothing never moves: to wait for it would be to wait for ever.
#[test]
fn a_rig_that_no_longer_drives_anything_ends_the_run() {
    let switch = |kind, channel| Fault::new(Place::Switch, kind).at(channel);
    for broken in [
        Fault::new(Place::Supply, Kind::Trips),
        switch(Kind::Opens, 101),
        switch(Kind::Opens, 111),
        switch(Kind::ElementOpen, 111),
    ] {
        for seconds in [3.0, 60.0] {
            let (done, _) = run(when_on(broken, seconds));
            let fault = fault(&done);
            let Ended::NothingFlows { found, least, .. } = fault else {
                panic!("{broken:?}: {fault}");
            };
            assert!(*found < *least * 0.5);
            assert!(done.truth.safe && done.truth.driven_stop_hits == 0);
            // Three cycles of less than 0.1 s each, and the safe state.
            let after = done.truth.safe_after.unwrap();
            assert!(after < 1.5, "{broken:?}: {after} s");
        }
    }
}

/// The supply's whole voltage drives little more than full scale here, or a reversed needle with a few
/// microamperes: far less than a trip of fixed level lets pass, which must leave the top of every range
/// alone. One that follows what may flow lets go.
#[test]
fn a_trip_that_follows_cuts_off_what_the_full_voltage_drives_before_a_stop() {
    let mut without = 0;
    for seed in [
        1_582_589_949_432_411,
        2_190_066_314_177_838,
        4_989_525_955_674_834,
        5_619_070_245_396_506,
        8_883_954_085_829_869,
    ] {
        without += guarded(seed, Class::Energy, false).unwrap().hits.0;
        let with = guarded(seed, Class::Energy, true).unwrap();
        assert_eq!(
            (with.hits.0, with.broken.len()),
            (0, 0),
            "{seed}: {}",
            with.words
        );
    }
    assert!(without >= 3, "{without}");
}

/// Another dial takes the place of this one in the picture between the two looks of a wiggle: its needle
/// stands elsewhere, which is no answer. And a needle that rests a little below its mark, reversed, has
/// less way left before its lower stop. And one that goes backwards while the current is on its way down
/// slowly has it taken away at once.
#[test]
fn what_a_campaign_once_drove_into_a_stop_is_not_driven_there() {
    for seed in [
        3_602_450_527_531_543,
        6_679_815_424_314_093,
        8_015_974_293_268_029,
    ] {
        let done = guarded(seed, Class::Information, false).unwrap();
        assert_eq!(done.hits.0, 0, "{seed}: {}", done.words);
        assert!(done.broken.is_empty(), "{seed}: {:?}", done.broken);
    }
}

/// Needles that friction holds away from their zero, before they have shown their law and after: where
/// they hang is no answer to the little that flows then.
#[test]
fn a_needle_that_hangs_near_zero_is_taken_further() {
    for seed in [
        2_213_569_778_876_117,
        3_219_626_338_549_275,
        4_250_668_344_782_555,
        4_550_858_277_193_823,
        7_022_439_847_008_213,
    ] {
        let done = trial(&PICTURELESS_RIG, seed, Depth::Full).unwrap();
        assert_eq!(done.refused, None, "{seed}");
        assert!(done.current.is_some_and(|judged| judged.holds), "{seed}");
    }
}

/// Three sightings at a turning point, one that is lost, and three on the way back.
#[test]
fn a_needle_that_swings_has_jumped_nowhere() {
    let done = trial(&PICTURELESS_RIG, 2_364_253_884_065_606, Depth::Full).unwrap();
    assert_eq!(done.refused, None);
    assert!(done.current.is_some_and(|judged| judged.holds));
}

/// A needle without friction, lightly damped, swings for long: its own voltage comes to the drop at which
/// the current must be let go, again and again on the way back, while the drop at rest does not.
#[test]
fn a_needle_that_swings_by_itself_ends_no_growth_for_ever() {
    let seed = 4_032_058_873_276_963;
    let movement = hw_sim::random(seed, hw_sim::Pool::Measurable);
    let bench: SharedBench = Arc::new(Mutex::new(Bench::standard(&movement, seed)));
    let rig = Arc::new(Rig::parse(&PICTURELESS_RIG, "simulated.toml").unwrap());
    let (asks, stop) = tokio::sync::watch::channel(false);
    let order = Order::new(rig, Depth::Quick, stop);
    let clock = Arc::clone(&bench);
    let done = simulated(&order, &bench, true, Box::new(Tap::default()), |_| {
        if clock.lock().is_ok_and(|bench| bench.truth().time > 1500.0) {
            asks.send_replace(true);
        }
    });
    let done = done.unwrap();
    let plan = &done.end.as_ref().unwrap().plan;
    assert_eq!(plan, &Some(Ok(Outcome::Complete)), "{} s", done.truth.time);
}

/// Where nothing runs away it never lets go, and the result is as good as without.
#[test]
fn a_trip_that_follows_lets_the_run_go_on() {
    let follows = "trip = \"0.27 V\"\ntrip_level = { channel = 301, lowest = \"1 mV\", \
         resolution = \"0.1 mV\", accuracy = \"1 %\" }";
    let rig = PICTURELESS_RIG.replacen("# trip = \"0.5 V\"", follows, 1);
    for movement in ["gossamer", "heron", "sorrel", "teasel", "causeway"] {
        let (done, _) = run_plan(&hw_sim::find(movement).unwrap(), &rig, &Faults::default());
        let end = done.end.as_ref().unwrap();
        assert_eq!(end.plan, Some(Ok(Outcome::Complete)), "{movement}");
    }
}

/// Nothing moves in the picture, or the wrong way: no needle is over-driven, and nothing is taken for
/// a result.
#[test]
fn cases_without_motion_and_reversed_ones_are_not_over_driven() {
    let reader = |kind| Fault::new(Place::Reader, kind);
    let elsewhere = reader(Kind::OtherDial).sized(0.0);
    let none = Fault::new(Place::Drop, Kind::Gain).sized(0.0);
    for (case, movement, fault) in [
        ("empty berth", "nobody", none),
        ("open coil", "hollow", none),
        ("stuck needle", "boulder", none),
        ("wrong berth, 20 µA", "gossamer", elsewhere),
        ("wrong berth, 1 mA", "fennel", elsewhere),
        ("wrong berth, scale begins at half", "ledger", elsewhere),
        ("covered lens", "gossamer", reader(Kind::Blind)),
        (
            "lens covered in mid-run",
            "heron",
            when_on(reader(Kind::Blind), 20.0),
        ),
        ("frozen from the start", "gossamer", reader(Kind::Frozen)),
        (
            "frozen in mid-run",
            "heron",
            when_on(reader(Kind::Frozen), 20.0),
        ),
        (
            "stuck in mid-run",
            "heron",
            when_on(Fault::new(Place::Movement, Kind::Sticks).sized(0.05), 20.0),
        ),
        ("reversed", "widdershins", none),
        ("reversed, frozen", "widdershins", reader(Kind::Frozen)),
        (
            "reversed, stuck",
            "widdershins",
            Fault::new(Place::Movement, Kind::Sticks).sized(0.02),
        ),
    ] {
        let (done, _) = run_on(movement, fault);
        let end = done.end.unwrap();
        let result = matches!(end.plan, Some(Ok(Outcome::Complete)));
        assert!(!result || case.starts_with("reversed"), "{case}");
        let truth = &done.truth;
        assert!(
            truth.driven_stop_hits == 0 && truth.peak_deflection <= 1.05,
            "{case}: {truth:?}"
        );
        assert!(truth.safe, "{case}");
    }
}

/// Scales that begin at half to four fifths of full-scale current carry much before they show any of
/// it.
#[test]
fn suppressed_zeros_are_not_over_driven() {
    for (start, drop) in [
        (0.5, "20 mV"),
        (0.5, "50 mV"),
        (0.65, "50 mV"),
        (0.8, "50 mV"),
    ] {
        for name in ["heron", "fennel", "teasel", "ledger"] {
            let mut movement = hw_sim::find(name).unwrap();
            movement.law = Law::Suppressed(start);
            let text = PICTURELESS_RIG.replace(
                "unseen_drop = \"20 mV\"",
                &format!("unseen_drop = \"{drop}\""),
            );
            let harmless = Fault::new(Place::Drop, Kind::Gain).sized(0.0);
            let (done, _) = run_with(&movement, &text, harmless);
            let truth = &done.truth;
            assert!(
                truth.driven_stop_hits == 0 && truth.peak_deflection <= 1.05,
                "{name} {start}: {truth:?}"
            );
        }
    }
}

/// A needle that hangs may jump once more current flows: it gets none.
#[test]
fn a_needle_that_sticks_beyond_friction_gets_no_more_current() {
    let mut noticed = 0;
    // From before it has moved, and from when it has.
    let cases = ["teasel", "gossamer", "fennel"].map(|name| [(name, 5.0), (name, 60.0)]);
    for (movement, seconds) in cases.into_iter().flatten() {
        let sticks = Fault {
            size: Some(0.045),
            ..Fault::new(Place::Movement, Kind::Sticks)
        };
        let (done, _) = run_on(movement, when_on(sticks, seconds));
        let end = done.end.unwrap();
        let fault = end.ending.ok().and_then(|ending| ending.fault);
        match (end.plan, fault) {
            (Some(Err(Stopped::Refused(Refusal::Sticks { lag, .. }))), None) if lag > 0.015 => {
                noticed += 1;
            }
            // One that hung from its first motion on followed no more when the current was let go.
            (Some(Ok(Outcome::NothingMoves(why))), None) if why.contains("does it stick") => {
                noticed += 1;
            }
            // One that was thrown by the polarity hangs on the other side.
            (Some(Ok(Outcome::NothingMoves(why))), None) if why.contains("below zero") => {}
            // One that lets go meanwhile is seen above its mark.
            (None, Some(Ended::BeyondCeiling(_))) => {}
            other => panic!("{movement} {seconds} s: {other:?}"),
        }
        assert!(done.truth.peak_deflection < 1.05, "{movement}");
    }
    assert!(noticed >= 4, "{noticed}");
}

#[test]
fn a_needle_far_from_zero_without_current_is_not_measured() {
    for (size, refused) in [(0.4, true), (-0.08, true), (0.06, false)] {
        let other = Fault {
            size: Some(size),
            ..Fault::new(Place::Reader, Kind::OtherDial)
        };
        let (done, kept) = run(other);
        let plan = done.end.unwrap().plan;
        let zero = matches!(plan, Some(Err(Stopped::Refused(Refusal::Zero(at)))) if (at - size).abs() < 0.01);
        assert_eq!(zero, refused, "{size}: {plan:?}");
        let driven = kept.iter().any(|o| o.set.supply.get() > 0.0);
        assert_eq!(driven, !refused, "{size}");
    }
}

/// The set-point to zero is not taken, and the read-back hides it: no contact moves, whichever way round the
/// loop meter's leads are.
#[test]
fn a_supply_that_lies_about_zero_moves_no_contact() {
    let movement = hw_sim::find("heron").unwrap();
    let lies = Fault::new(Place::Supply, Kind::ReadBackLies).sized(0.0);
    let ignores = |seconds| when_on(Fault::new(Place::Supply, Kind::SetIgnored), seconds);
    let caught = [0.0, -2.0].map(|gain| {
        let leads = Fault::new(Place::Loop, Kind::Gain).sized(gain);
        let mut caught = Vec::new();
        for tenths in (30..300).step_by(9) {
            let seconds = f64::from(tenths) * 0.1;
            let plan = Faults {
                fault: vec![lies, ignores(seconds), leads],
            };
            let (done, kept) = run_plan(&movement, &PICTURELESS_RIG, &plan);
            let fault = fault(&done);
            caught.extend(matches!(fault, Ended::Current { .. }).then_some(tenths));
            let bounds = kept.iter().map(|o| o.set.bound.unwrap().get());
            let highest = bounds.fold(0.0, f64::max);
            assert!(
                done.truth.safe && done.truth.peak_current <= highest * 1.002,
                "{fault}"
            );
        }
        caught
    });
    assert!(!caught[0].is_empty());
    assert_eq!(caught[0], caught[1]);
}

/// A contact that stays closed counts for as long as nothing has shown that it is open.
#[test]
fn a_path_that_stays_closed_is_within_the_bound() {
    for seconds in [2.0, 9.0, 20.0] {
        let closed = Fault::new(Place::Switch, Kind::Dead).at(111);
        let (done, kept) = run_on("sorrel", when_on(closed, seconds));
        assert!(done.truth.safe);
        for observation in &kept {
            let current = observation.loop_current().unwrap().get().abs();
            let bound = observation.set.bound.unwrap().get();
            let doubt = 1.4e-5 / observation.set.sense.unwrap().get();
            assert!(
                current <= bound * 1.02 + doubt,
                "{current} A over {bound} A"
            );
        }
    }
}

/// The sense element of the light ranges stays beside the others: the loop meter then reads too
/// little, and a second contact hides in that.
#[test]
fn two_contacts_that_stay_closed_are_within_the_bound() {
    let dead =
        |channel, seconds| when_on(Fault::new(Place::Switch, Kind::Dead).at(channel), seconds);
    for (movement, second) in [("sorrel", 111), ("teasel", 130), ("fennel", 142)] {
        for seconds in [1.0, 8.0] {
            let faults = vec![dead(141, seconds), dead(second, seconds + 4.0)];
            let movement = hw_sim::find(movement).unwrap();
            let bench = Bench::faulty(&movement, 7, &Faults { fault: faults });
            let bench: SharedBench = Arc::new(Mutex::new(bench));
            let rig = Arc::new(Rig::parse(&PICTURELESS_RIG, "simulated.toml").unwrap());
            let (_asks, stop) = tokio::sync::watch::channel(false);
            let order = Order::new(Arc::clone(&rig), Depth::Quick, stop);
            let journal = Compare::new(&bench, &rig);
            let kept = Box::new(journal.clone());
            let done = simulated(&order, &bench, true, kept, |_| {}).unwrap();
            assert!(done.truth.safe && done.truth.driven_stop_hits == 0);
            let driven = bench.lock().unwrap().take_driven();
            let over = journal.end(driven, Amps::new(1.0)).over_bound;
            assert!(
                over <= 1.002,
                "{} {second} {seconds}: {over}",
                movement.name
            );
        }
    }
}

/// Its current flows past all contacts: the rig is safe only once it measures volts again.
#[test]
fn a_meter_that_goes_to_ohms_is_brought_back_at_the_end() {
    for seconds in [3.0, 40.0] {
        // In this range the movement's 2 kΩ are a reading and no overload.
        let ohms = Fault::new(Place::Drop, Kind::WrongFunction).sized(10e3);
        let (done, _) = run(when_on(ohms, seconds));
        assert!(done.truth.safe, "after {seconds} s");
        assert!(done.end.unwrap().ending.unwrap().safe.failures.is_empty());
    }
}

/// What the guard counted with is kept with each observation, and the rig never drove more.
#[test]
fn observations_keep_a_bound_that_holds() {
    let harmless = Fault::new(Place::Drop, Kind::Gain).sized(0.0);
    let (done, kept) = run(harmless);
    assert!(kept.len() > 500 && done.truth.safe);
    let bounds: Vec<f64> = kept.iter().map(|o| o.set.bound.unwrap().get()).collect();
    let highest = bounds.iter().copied().fold(0.0, f64::max);
    assert!(done.truth.peak_current <= highest * 1.02);
    for observation in &kept {
        let current = observation.loop_current().unwrap().get().abs();
        // 7 µV at most over the sense element in use, and the needle's back-EMF.
        let slack = 0.02 * highest + 1e-5 / observation.set.sense.unwrap().get();
        let bound = observation.set.bound.unwrap().get();
        assert!(current <= bound + slack, "{current} A over {bound} A");
    }
}
