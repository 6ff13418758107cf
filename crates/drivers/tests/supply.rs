//! A supply against scripts of what goes over the wire, consumed to the last byte.

#![allow(clippy::expect_used)]

mod common;

use common::instrument::{ME, dialect, opening, recovery, script};
use common::{Player, Step, answers, hears, play, says, waits};
use drivers::{DriverError, Limits, Link, Reading, Supply};
use quantity::{Amps, Volts};
use std::time::Duration;
use tokio::time::Instant;

async fn supply(steps: Vec<Step>) -> (Supply, Player) {
    let dialect = dialect("simulated-supply");
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "INPROC::supply", &dialect.wire).named("supply");
    (Supply::open(link, &dialect).await.expect("opens"), player)
}

#[tokio::test(start_paused = true)]
async fn a_supply_from_end_to_end() {
    let (mut supply, player) = supply(script(&[
        &[hears(":CURR 0.0100")],
        &answers(":CURR?", "+1.00000000E-02"),
        &[hears(":VOLT:PROT 2.0000"), hears(":VOLT:PROT:STAT ON")],
        &answers(":VOLT:PROT?", "2.000"),
        &answers(":VOLT:PROT:TRIP?", "0"),
        &[hears(":VOLT 1.2345")],
        &answers(":VOLT?", "1.2345"),
        &[hears(":OUTP ON")],
        &answers(":OUTP?", "1"),
        &answers(":MEAS:VOLT?", "+1.23460000E+00"),
        &answers(":MEAS:CURR?", "9.9E37"),
        &[hears(":OUTP OFF")],
        &answers(":OUTP?", "OFF"),
    ]))
    .await;
    assert_eq!(supply.identity(), ME);
    assert_eq!(supply.name(), "supply (INPROC::supply)");
    supply.set_current_limit(Amps::milli(10.0)).await.unwrap();
    assert_eq!(supply.current_limit().await.unwrap(), Amps::milli(10.0));
    assert_eq!(
        supply.set_protection(Volts::new(2.0)).await.unwrap(),
        Volts::new(2.0)
    );
    assert!(!supply.tripped().await.unwrap());
    // Auspex#503: what is sent has the instrument's resolution, and never more than was asked.
    assert_eq!(
        supply.set_voltage(Volts::new(1.234_567_8)).await.unwrap(),
        Volts::new(1.2345)
    );
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(1.2345));
    supply.output(true).await.unwrap();
    assert!(supply.output_state().await.unwrap());
    assert_eq!(
        supply.measure_voltage().await.unwrap(),
        Reading::Value(1.2346)
    );
    assert_eq!(
        supply.measure_current().await.unwrap(),
        Reading::Overload { positive: true }
    );
    supply.output(false).await.unwrap();
    assert!(!supply.output_state().await.unwrap());
    drop(supply);
    player.finish("supply").await;
}

#[tokio::test(start_paused = true)]
async fn nothing_out_of_range_is_sent() {
    // Qcodes#857, artiq#1444, Qcodes#8168: it would be clamped or wrapped without a word.
    let (mut supply, player) = supply(script(&[&[hears(":VOLT 8.0000")]])).await;
    for wrong in [8.0001, -0.001, f64::NAN, f64::INFINITY] {
        let error = supply.set_voltage(Volts::new(wrong)).await.unwrap_err();
        assert!(matches!(error, DriverError::OutOfRange { .. }), "{error}");
        assert!(
            supply
                .set_current_limit(Amps::new(wrong * 2.0))
                .await
                .is_err()
        );
    }
    supply.set_voltage(Volts::new(8.0)).await.unwrap();
    drop(supply);
    player.finish("range").await;
}

#[tokio::test(start_paused = true)]
async fn a_clamped_protection_is_noticed() {
    let (mut supply, player) = supply(script(&[
        &[hears(":VOLT:PROT 9.5000"), hears(":VOLT:PROT:STAT ON")],
        &answers(":VOLT:PROT?", "8.8"),
    ]))
    .await;
    let error = supply
        .set_protection(Volts::new(9.5))
        .await
        .unwrap_err()
        .to_string();
    assert!(
        error.starts_with("supply (INPROC::supply): after \":VOLT:PROT 9.5000\""),
        "{error}"
    );
    assert!(error.contains("8.8 V instead of 9.5000 V"), "{error}");
    drop(supply);
    player.finish("protection").await;
}

#[tokio::test(start_paused = true)]
async fn without_a_known_limit_nothing_is_set() {
    let dialect = dialect("scpi-supply");
    let mut steps = opening();
    steps.extend([hears(":VOLT 1.00"), hears(":OUTP OFF"), hears(":VOLT 0.50")]);
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    let mut supply = Supply::open(link, &dialect).await.unwrap();
    let error = supply.set_voltage(Volts::new(1.0)).await.unwrap_err();
    assert!(matches!(error, DriverError::NoLimit { .. }), "{error}");
    let limits = Limits {
        min_voltage: Volts::new(0.5),
        max_voltage: Volts::new(15.0),
        voltage_step: Volts::milli(10.0),
        max_current: Amps::new(7.0),
        current_step: Amps::milli(1.0),
    };
    let mut supply = supply.with_limits(limits).unwrap();
    supply.set_voltage(Volts::new(1.0)).await.unwrap();
    // labRemote MR 204: below its lowest voltage a supply may not answer at all.
    assert!(supply.set_voltage(Volts::new(0.4)).await.is_err());
    supply.off_now().await.unwrap();
    drop(supply);
    player.finish("limits").await;
}

#[tokio::test(start_paused = true)]
async fn a_rig_file_cannot_widen_the_limits() {
    let (supply, player) = supply(opening()).await;
    let limits = Limits {
        max_voltage: Volts::new(9.0),
        ..supply.limits().unwrap()
    };
    assert!(matches!(
        supply.with_limits(limits),
        Err(DriverError::OutOfRange { .. })
    ));
    player.finish("wider").await;
}

#[tokio::test(start_paused = true)]
async fn off_goes_out_at_once_whatever_is_outstanding() {
    let (mut supply, player) = supply(script(&[
        &[
            hears(":MEAS:VOLT?"),
            hears(":OUTP OFF"),
            hears(":VOLT 0.0000"),
            says("1.5"),
        ],
        &recovery(),
        &answers(":OUTP?", "0"),
    ]))
    .await;
    let start = Instant::now();
    let given_up = tokio::time::timeout(Duration::from_millis(5), supply.measure_voltage()).await;
    assert!(given_up.is_err());
    supply.off_now().await.unwrap();
    assert!(start.elapsed() <= Duration::from_millis(6));
    // The answer that comes late is not taken for the state of the output.
    assert!(!supply.output_state().await.unwrap());
    drop(supply);
    player.finish("off").await;
}

#[tokio::test(start_paused = true)]
async fn off_keeps_the_pace_that_the_supply_needs() {
    let mut dialect = dialect("simulated-supply");
    dialect.wire.pace = Duration::from_millis(50);
    let steps = script(&[&[
        hears(":OUTP ON"),
        waits(45),
        hears(":OUTP OFF"),
        waits(45),
        hears(":VOLT 0.0000"),
    ]]);
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    let mut supply = Supply::open(link, &dialect).await.unwrap();
    supply.output(true).await.unwrap();
    let start = Instant::now();
    supply.off_now().await.unwrap();
    let took = start.elapsed();
    assert!(
        (Duration::from_millis(100)..Duration::from_millis(103)).contains(&took),
        "{took:?}"
    );
    drop(supply);
    player.finish("pace").await;
}

#[tokio::test(start_paused = true)]
async fn a_supply_without_scpi() {
    // MX180T manual p. 35: header words and units in the answers.
    let dialect = dialect("aim-tti-supply");
    let me = "THURLBY THANDAR,MX180T,0,1.00";
    let steps = [
        answers("*IDN?", me).to_vec(),
        vec![hears("*CLS"), hears("V1 1.250")],
        answers("V1?", "V1 1.250").to_vec(),
        answers("V1O?", "1.249V").to_vec(),
        answers("I1O?", "0.010A").to_vec(),
        answers("OP1?", "1").to_vec(),
        answers("V1?", "V2 1.250").to_vec(),
    ];
    let (stream, player) = play(steps.concat());
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    let limits = Limits {
        min_voltage: Volts::ZERO,
        max_voltage: Volts::new(30.0),
        voltage_step: Volts::milli(1.0),
        max_current: Amps::new(3.0),
        current_step: Amps::milli(1.0),
    };
    let supply = Supply::open(link, &dialect).await.unwrap();
    let mut supply = supply.with_limits(limits).unwrap();
    supply.set_voltage(Volts::new(1.25)).await.unwrap();
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(1.25));
    assert_eq!(
        supply.measure_voltage().await.unwrap(),
        Reading::Value(1.249)
    );
    assert_eq!(
        supply.measure_current().await.unwrap(),
        Reading::Value(0.01)
    );
    assert!(supply.output_state().await.unwrap());
    let error = supply.voltage_set().await.unwrap_err().to_string();
    assert!(error.contains("behind \"V1\""), "{error}");
    let error = supply.tripped().await.unwrap_err().to_string();
    assert!(error.contains("supply.tripped"), "{error}");
    drop(supply);
    player.finish("no SCPI").await;
}
