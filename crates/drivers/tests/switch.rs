//! A relay unit against scripts of what goes over the wire, consumed to the last byte.

#![allow(clippy::expect_used)]

mod common;

use common::instrument::{dialect, recovery, script};
use common::{Player, Step, answers, hears, play, says};
use drivers::{DriverError, Link, LinkState, Switch};
use quantity::Volts;
use std::time::Duration;

async fn switch(steps: Vec<Step>) -> (Switch, Player) {
    let dialect = dialect("simulated-switch");
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "INPROC::switch", &dialect.wire).named("switch");
    (Switch::open(link, &dialect).await.expect("opens"), player)
}

#[tokio::test(start_paused = true)]
async fn a_switch_from_end_to_end() {
    let (mut switch, player) = switch(script(&[
        &[hears(":ROUT:CLOS (@101,103)")],
        &answers("*OPC?", "1"),
        &answers(":ROUT:CLOS? (@101:104)", "1,0,1,0"),
        &[hears(":ROUT:OPEN (@101)")],
        &[hears(
            ":ROUT:OPEN (@101:105,111:116,121:130,141:147,161:172)",
        )],
        &[hears(":ROUT:CLOS? (@101,103)"), says("1")],
        &recovery(),
        &answers(":ROUT:CLOS? (@101)", "0"),
    ]))
    .await;
    switch.energise(&[101, 103]).await.unwrap();
    switch.barrier().await.unwrap();
    let states = switch.energised(&[101, 102, 103, 104]).await.unwrap();
    assert_eq!(states, [true, false, true, false]);
    switch.release(&[101]).await.unwrap();
    switch.release_all().await.unwrap();
    switch.energise(&[]).await.unwrap();
    let error = switch.energised(&[101, 103]).await.unwrap_err().to_string();
    assert!(error.contains("2 times 0 or 1"), "{error}");
    assert_eq!(switch.energised(&[101]).await.unwrap(), [false]);
    let error = switch.energise(&[199]).await.unwrap_err();
    assert!(matches!(error, DriverError::OutOfRange { .. }), "{error}");
    drop(switch);
    player.finish("switch").await;
}

/// What was read back counts, cut to the steps of the output; another value, or none, is an error.
#[tokio::test(start_paused = true)]
async fn the_level_of_an_output_is_set_and_read_back() {
    for (reply, taken) in [
        ("+2.13000000E-02", true),
        ("+2.20000000E-02", false),
        ("", false),
    ] {
        let (mut switch, player) = switch(script(&[
            &[hears(":SOUR:VOLT 0.0213,(@301)")],
            &answers(":SOUR:VOLT? (@301)", reply),
        ]))
        .await;
        let level = switch
            .set_level(301, Volts::new(0.021_37), Volts::new(1e-4))
            .await;
        assert_eq!(level.is_ok(), taken, "{level:?}");
        if let Ok(level) = level {
            assert_eq!(level, Volts::new(0.0213));
        }
        drop(switch);
        player.finish(reply).await;
    }
}

#[tokio::test(start_paused = true)]
async fn contacts_are_released_at_once_whatever_is_outstanding() {
    let all = ":ROUT:OPEN (@101:105,111:116,121:130,141:147,161:172)";
    let (mut switch, player) = switch(script(&[&[
        hears("*OPC?"),
        hears(":ROUT:OPEN (@102)"),
        hears(all),
    ]]))
    .await;
    let given_up = tokio::time::timeout(Duration::from_millis(5), switch.barrier()).await;
    assert!(given_up.is_err());
    let error = switch.release_now(&[102, 199]).await.unwrap_err();
    assert!(matches!(error, DriverError::OutOfRange { .. }), "{error}");
    switch.release_all_now().await.unwrap();
    assert_eq!(switch.state(), LinkState::Dirty);
    drop(switch);
    player.finish("released").await;
}
