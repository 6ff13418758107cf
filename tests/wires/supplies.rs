//! Supplies on serial lines.

use super::{bench, dialect, wire};
use drivers::{Dialect, DriverError, Limits, Link, LinkError, Reading, Supply};
use hw_sim::{Language, Line};
use quantity::{Amps, Volts};
use std::time::Duration;
use tokio::io::DuplexStream;
use tokio::time::sleep;

async fn open(stream: DuplexStream, dialect: &Dialect) -> Supply {
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    Supply::open(link, dialect).await.unwrap()
}

fn limits(lowest: f64) -> Limits {
    Limits {
        min_voltage: Volts::new(lowest),
        max_voltage: Volts::new(8.0),
        voltage_step: Volts::milli(100.0),
        max_current: Amps::new(5.0),
        current_step: Amps::milli(10.0),
    }
}

fn near(found: Reading, wanted: f64, within: f64) -> bool {
    found
        .value()
        .is_some_and(|found| (found - wanted).abs() <= within)
}

#[tokio::test(start_paused = true)]
async fn every_family_sets_reads_back_and_switches_off() {
    for (name, language) in [
        ("plain-ascii-supply", Language::Plain),
        ("fixed-digit-supply", Language::Digits),
        ("aim-tti-supply", Language::Suffix),
    ] {
        let (bench, mut dialect) = (bench(), dialect(name));
        if language == Language::Suffix {
            dialect.models = vec!["KESTREL AND LOOM".to_owned()];
        }
        let stream = wire(&bench, language, Line::of(language));
        let mut supply = open(stream, &dialect)
            .await
            .with_limits(limits(0.8))
            .unwrap();
        assert!(!supply.output_state().await.unwrap());
        supply.set_voltage(Volts::new(2.5)).await.unwrap();
        assert_eq!(
            supply.voltage_set().await.unwrap(),
            Volts::new(2.5),
            "{name}"
        );
        supply.set_current_limit(Amps::milli(50.0)).await.unwrap();
        assert_eq!(
            supply.current_limit().await.unwrap(),
            Amps::milli(50.0),
            "{name}"
        );
        if supply.has_protection() {
            supply.set_protection(Volts::new(8.5)).await.unwrap();
        }
        supply.output(true).await.unwrap();
        assert!(supply.output_state().await.unwrap(), "{name}");
        sleep(Duration::from_millis(100)).await;
        assert!(
            near(supply.measure_voltage().await.unwrap(), 2.5, 0.02),
            "{name}"
        );
        // Nothing is connected.
        assert!(
            near(supply.measure_current().await.unwrap(), 0.0, 0.003),
            "{name}"
        );
        supply.off_now().await.unwrap();
        assert!(!supply.output_state().await.unwrap(), "{name}");
        sleep(Duration::from_millis(100)).await;
        assert!(bench.lock().unwrap().output_volts() < 0.01, "{name}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_measured_voltage_near_the_set_point_proves_nothing_and_the_truth_is_elsewhere() {
    let dialect = dialect("plain-ascii-supply");
    // The output gets no further than 4.9 V.
    let clamped = hw_sim::Fault::new(hw_sim::Place::Supply, hw_sim::Kind::SetClamped).sized(4.9);
    let movement = hw_sim::find("heron").unwrap();
    let bench = hw_sim::Bench::faulty(&movement, 5, &clamped.into());
    let bench = std::sync::Arc::new(std::sync::Mutex::new(bench));
    let stream = wire(&bench, Language::Plain, Line::of(Language::Plain));
    let mut supply = open(stream, &dialect).await;
    supply.set_voltage(Volts::new(5.0)).await.unwrap();
    supply.output(true).await.unwrap();
    sleep(Duration::from_millis(200)).await;
    let shown = supply.measure_voltage().await.unwrap();
    assert_eq!(shown, Reading::Value(5.0), "so it says");
    let true_volts = bench.lock().unwrap().output_volts();
    assert!((true_volts - 4.9).abs() < 0.01, "{true_volts}");
    // Its set-point tells.
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(4.9));
}

#[tokio::test(start_paused = true)]
async fn a_setting_that_is_lost_shows_in_the_read_back() {
    let (bench, mut dialect) = (bench(), dialect("plain-ascii-supply"));
    dialect.wire.pace = Duration::ZERO;
    let line = Line {
        deaf: Duration::from_millis(120),
        ..Line::of(Language::Plain)
    };
    let stream = wire(&bench, Language::Plain, line);
    let mut supply = open(stream, &dialect).await;
    sleep(Duration::from_secs(1)).await;
    // The current limit keeps the instrument busy; the voltage comes too soon.
    supply.set_current_limit(Amps::milli(50.0)).await.unwrap();
    sleep(Duration::from_millis(30)).await;
    supply.set_voltage(Volts::new(1.0)).await.unwrap();
    sleep(Duration::from_secs(1)).await;
    assert_eq!(
        supply.voltage_set().await.unwrap(),
        Volts::ZERO,
        "lost, and seen to be"
    );
    sleep(Duration::from_secs(1)).await;
    supply.set_voltage(Volts::new(1.0)).await.unwrap();
    sleep(Duration::from_secs(1)).await;
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(1.0));
}

#[tokio::test(start_paused = true)]
async fn a_set_point_that_is_not_answered_is_an_error_and_never_sent_below_the_stated_lowest() {
    let (bench, dialect) = (bench(), dialect("fixed-digit-supply"));
    let stream = wire(&bench, Language::Digits, Line::of(Language::Digits));
    let mut supply = open(stream, &dialect).await;
    let error = supply.set_voltage(Volts::new(0.5)).await.unwrap_err();
    assert!(matches!(error, DriverError::OutOfRange { .. }), "{error}");
    // Where the stated lowest is wrong, silence is a missing acknowledgement.
    let drivers::Words::Supply(words) = &dialect.words else {
        panic!("no supply");
    };
    let mut wrong = dialect.clone();
    let mut words = words.clone();
    words.limits = Some(limits(0.0));
    wrong.words = drivers::Words::Supply(words);
    let stream = wire(&bench, Language::Digits, Line::of(Language::Digits));
    let mut supply = open(stream, &wrong).await;
    let error = supply.set_voltage(Volts::new(0.5)).await.unwrap_err();
    assert!(
        matches!(error, DriverError::Link(LinkError::Timeout { .. })),
        "{error}"
    );
    // The link is in step again for what comes next.
    supply.set_voltage(Volts::new(1.5)).await.unwrap();
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(1.5));
}

#[tokio::test(start_paused = true)]
async fn a_number_that_does_not_fit_its_width_is_not_sent() {
    let (bench, dialect) = (bench(), dialect("plain-ascii-supply"));
    let stream = wire(&bench, Language::Plain, Line::of(Language::Plain));
    let finer = Limits {
        voltage_step: Volts::milli(1.0),
        ..limits(0.0)
    };
    let mut supply = open(stream, &dialect).await.with_limits(finer).unwrap();
    let error = supply
        .set_voltage(Volts::new(1.234))
        .await
        .unwrap_err()
        .to_string();
    assert!(error.contains("00.00"), "{error}");
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::ZERO);
}

/// A status byte may have any value, the characters of a terminal and of line endings among them.
#[tokio::test(start_paused = true)]
async fn every_raw_byte_of_a_status_arrives() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let dialect = dialect("plain-ascii-supply");
    let (ours, mut theirs) = tokio::io::duplex(64);
    tokio::spawn(async move {
        theirs.read_exact(&mut [0; 5]).await.unwrap();
        theirs.write_all(b"KA3005PV2.0").await.unwrap();
        for byte in 0..=255u8 {
            theirs.read_exact(&mut [0; 7]).await.unwrap();
            theirs.write_all(&[byte]).await.unwrap();
        }
        std::future::pending::<()>().await;
    });
    let mut supply = open(ours, &dialect).await;
    for byte in 0..=255u8 {
        assert_eq!(
            supply.output_state().await.unwrap(),
            byte & 0x40 != 0,
            "{byte:02X}"
        );
    }
}
