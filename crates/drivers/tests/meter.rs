//! A voltmeter against scripts of what goes over the wire, consumed to the last byte.

#![allow(clippy::expect_used)]

mod common;

use common::instrument::{dialect, script};
use common::{Player, Step, answers, hears, play, says, waits};
use drivers::{Link, Meter, Reading};
use quantity::Volts;
use std::time::Duration;
use tokio::time::Instant;

async fn meter(steps: Vec<Step>) -> (Meter, Player) {
    let dialect = dialect("scpi-meter");
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "INPROC::drop", &dialect.wire).named("drop");
    (Meter::open(link, &dialect).await.expect("opens"), player)
}

/// What configuring the meter sends, up to the read-backs.
fn configuring(range: &str, nplc: &str) -> Vec<Step> {
    vec![
        hears(&format!(":CONF:VOLT:DC {range}")),
        // 34980A help: selecting a function sets the input resistance back, so it comes after.
        hears(":VOLT:DC:IMP:AUTO ON"),
        hears(":VOLT:DC:ZERO:AUTO ON"),
        hears(&format!(":VOLT:DC:NPLC {nplc}")),
        hears(":TRIG:SOUR IMM"),
        hears(":SAMP:COUN 1"),
    ]
}

#[tokio::test(start_paused = true)]
async fn a_meter_from_end_to_end() {
    let (mut meter, player) = meter(script(&[
        &configuring("10", "1"),
        &answers(":VOLT:DC:RANG?", "10"),
        &answers(":VOLT:DC:NPLC?", "1"),
        &answers(":VOLT:DC:IMP:AUTO?", "1"),
        &answers(":SYST:ERR?", "+0,\"No error\""),
        &configuring("1", "1"),
        &answers(":VOLT:DC:RANG?", "10"),
        &configuring("0.1", "100"),
        &answers(":VOLT:DC:RANG?", "+1.00000000E-01"),
        &answers(":VOLT:DC:NPLC?", "+1.00000000E+02"),
        &answers(":VOLT:DC:IMP:AUTO?", "1"),
        &answers(":SYST:ERR?", "+0,\"No error\""),
        // Qcodes#556, pyvisa#732: 100 periods with automatic zero take 4 s.
        &[hears(":READ?"), waits(4100), says("+1.23456789E-02")],
        &answers(":READ?", "-9.90000000E+37"),
        // 1 s more than twice what the settings need: 2·(4 s + 1 s + 50 ms) + 1 s.
        &[hears(":READ?")],
    ]))
    .await;
    assert!(
        meter.read().await.is_err(),
        "nothing is read before a range is set"
    );
    meter
        .configure_dc_volts(Volts::new(10.0), 1.0)
        .await
        .unwrap();
    assert!(
        meter
            .configure_dc_volts(Volts::new(1.0), 1.0)
            .await
            .is_err()
    );
    assert!(meter.read().await.is_err(), "a range in doubt is no range");
    meter
        .configure_dc_volts(Volts::new(0.1), 100.0)
        .await
        .unwrap();
    assert_eq!(meter.read().await.unwrap(), Reading::Value(0.012_345_678_9));
    assert_eq!(
        meter.read().await.unwrap(),
        Reading::Overload { positive: false }
    );
    let start = Instant::now();
    let error = meter.read().await.unwrap_err().to_string();
    assert!(
        error.contains("drop (INPROC::drop)") && error.contains("11.1s"),
        "{error}"
    );
    assert_eq!(start.elapsed(), Duration::from_millis(11_100));
    drop(meter);
    player.finish("meter").await;
}

#[tokio::test(start_paused = true)]
async fn a_meter_that_did_not_obey_is_noticed() {
    // PythonEquipmentDrivers#24, instro#145: the range stays on automatic.
    for (range, nplc, impedance, part) in [
        ("10", "1", "1", "instead of 1"),
        ("1", "10", "1", ":NPLC 1\""),
        ("1", "1", "0", "the read-back is off instead of on"),
    ] {
        let questions = [
            answers(":VOLT:DC:RANG?", range),
            answers(":VOLT:DC:NPLC?", nplc),
            answers(":VOLT:DC:IMP:AUTO?", impedance),
        ];
        let asked = [range == "1", range == "1" && nplc == "1"]
            .iter()
            .filter(|ok| **ok)
            .count();
        let questions = questions[..=asked].concat();
        let (mut meter, player) = meter(script(&[&configuring("1", "1"), &questions])).await;
        let error = meter
            .configure_dc_volts(Volts::new(1.0), 1.0)
            .await
            .unwrap_err()
            .to_string();
        assert!(error.contains(part), "{error}");
        assert!(
            meter.read().await.is_err(),
            "no reading with settings in doubt"
        );
        drop(meter);
        player.finish("disobedient").await;
    }
}

#[tokio::test(start_paused = true)]
async fn errors_of_a_setting_are_reported() {
    let (mut meter, player) = meter(script(&[
        &configuring("1", "1"),
        &answers(":VOLT:DC:RANG?", "1"),
        &answers(":VOLT:DC:NPLC?", "1"),
        &answers(":VOLT:DC:IMP:AUTO?", "1"),
        &answers(":SYST:ERR?", "-113,\"Undefined header;TRIG,SOUR\""),
        &answers(":SYST:ERR?", "0,\"No error\""),
    ]))
    .await;
    let error = meter
        .configure_dc_volts(Volts::new(1.0), 1.0)
        .await
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("-113 \"Undefined header;TRIG,SOUR\""),
        "{error}"
    );
    assert!(
        meter
            .configure_dc_volts(Volts::new(2.0), 1.0)
            .await
            .is_err()
    );
    assert!(
        meter
            .configure_dc_volts(Volts::new(1.0), 3.0)
            .await
            .is_err()
    );
    drop(meter);
    player.finish("reported").await;
}
