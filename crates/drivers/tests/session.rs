//! Opening an instrument and staying in step with it.

#![allow(clippy::expect_used)]

mod common;

use common::instrument::{ME, dialect, opening, recovery, script};
use common::{Player, Step, answers, hears, play, says, waits};
use drivers::{Link, LinkState, Meter, Supply, Wire};
use quantity::Volts;
use std::time::Duration;

async fn supply(steps: Vec<Step>) -> (Supply, Player) {
    let dialect = dialect("simulated-supply");
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "INPROC::supply", &dialect.wire).named("supply");
    (Supply::open(link, &dialect).await.expect("opens"), player)
}

#[tokio::test(start_paused = true)]
async fn what_the_last_program_left_behind_is_discarded() {
    // lantz#61, pyvisa#310: an unread answer, and -410 or -420 in the error queue.
    let steps = [
        vec![says("1.2345")],
        vec![hears("*IDN?"), says("OLD"), says(ME), hears("*CLS")],
        answers(":SYST:ERR?", "-410,\"Query INTERRUPTED\"").to_vec(),
        answers(":SYST:ERR?", "0,\"No error\"").to_vec(),
        answers(":OUTP?", "0").to_vec(),
    ];
    let (mut supply, player) = supply(steps.concat()).await;
    assert!(!supply.output_state().await.unwrap());
    drop(supply);
    player.finish("left behind").await;
}

#[tokio::test(start_paused = true)]
async fn a_wrong_or_silent_instrument_is_refused() {
    let mut dialect = dialect("simulated-supply");
    dialect.models = vec!["SUPPLY 8".to_owned()];
    let (stream, player) = play(answers("*IDN?", "ACME,METER,0,1").to_vec());
    let error = Supply::open(
        Link::over(Box::new(stream), "supply", &dialect.wire),
        &dialect,
    );
    let error = error.await.unwrap_err().to_string();
    assert!(
        error.contains("\"SUPPLY 8\" but gave \"ACME,METER,0,1\""),
        "{error}"
    );
    player.finish("wrong").await;

    // python-vxi11#27: accepts the connection and never answers.
    let (stream, player) = play(vec![hears("*IDN?")]);
    let error = Supply::open(
        Link::over(Box::new(stream), "supply", &dialect.wire),
        &dialect,
    );
    let error = error.await.unwrap_err().to_string();
    assert!(
        error.contains("no complete answer to \"*IDN?\" within 1s"),
        "{error}"
    );
    player.finish("silent").await;

    let (stream, player) = play(vec![]);
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    let error = Meter::open(link, &dialect).await.unwrap_err().to_string();
    assert!(error.contains("[meter]"), "{error}");
    player.finish("kind").await;
}

#[tokio::test(start_paused = true)]
async fn an_endless_error_queue_is_an_error() {
    let entry = answers(":SYST:ERR?", "-350,\"Queue overflow\"");
    let again = vec![entry; 30].concat();
    let (mut supply, player) = supply(script(&[&again])).await;
    let error = supply.errors().await.unwrap_err().to_string();
    assert!(
        error.contains("after 30 reads, last -350 \"Queue overflow\""),
        "{error}"
    );
    drop(supply);
    player.finish("queue").await;
}

#[tokio::test(start_paused = true)]
async fn a_missed_answer_costs_one_question_and_no_more() {
    let (mut supply, player) = supply(script(&[
        &[hears(":MEAS:VOLT?"), waits(1500), says("7.7777")],
        &answers("*IDN?", ME),
        // The muddle may leave something in the queue; it is kept for the next look at it.
        &answers(":SYST:ERR?", "-410,\"Query INTERRUPTED\""),
        &answers(":SYST:ERR?", "0,\"No error\""),
        &[hears(":VOLT 1.0000")],
        &answers(":VOLT?", "1.0"),
        &answers(":SYST:ERR?", "0,\"No error\""),
    ]))
    .await;
    let error = supply.measure_voltage().await.unwrap_err().to_string();
    assert!(error.contains("supply (INPROC::supply)") && error.contains("\":MEAS:VOLT?\""));
    assert_eq!(supply.state(), LinkState::Dirty);
    // A command after a missed answer is sent once, and only after the link is in step again.
    supply.set_voltage(Volts::new(1.0)).await.unwrap();
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(1.0));
    let errors = supply.errors().await.unwrap();
    assert_eq!(errors, [(-410, "Query INTERRUPTED".to_owned())]);
    drop(supply);
    player.finish("missed").await;
}

#[tokio::test(start_paused = true)]
async fn questions_repeat_only_where_the_dialect_says_so() {
    // TLP#794, debugprobe#71: the first answer after a pause is lost on some adapters.
    let mut dialect = dialect("simulated-supply");
    dialect.wire = Wire {
        retry_queries: true,
        ..dialect.wire
    };
    let mut steps = opening();
    steps.push(hears(":VOLT?"));
    steps.extend(recovery());
    steps.extend(answers(":VOLT?", "1.5"));
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    let mut supply = Supply::open(link, &dialect).await.unwrap();
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(1.5));
    drop(supply);
    player.finish("retry").await;
}

#[tokio::test(start_paused = true)]
async fn another_instrument_on_the_link_is_not_commanded() {
    // BlueOS#1017, thz#84: ports change places. The command meant for the supply is never sent.
    let (mut supply, player) = supply(script(&[
        &answers(":MEAS:VOLT?", "what?"),
        &answers("*IDN?", "ACME,SWITCH,0,1.0"),
    ]))
    .await;
    let error = supply.measure_voltage().await.unwrap_err().to_string();
    assert!(error.contains("answered by \"what?\""), "{error}");
    let error = supply.output(true).await.unwrap_err().to_string();
    assert!(
        error.contains(ME) && error.contains("ACME,SWITCH,0,1.0"),
        "{error}"
    );
    drop(supply);
    player.finish("another").await;
}

#[tokio::test(start_paused = true)]
async fn a_slow_start_has_its_own_deadline() {
    // scopehal#1056: the first answer takes 10 s.
    let mut dialect = dialect("simulated-supply");
    dialect.wire.first_reply = Duration::from_secs(12);
    let mut steps = opening();
    steps.insert(1, waits(10_000));
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    assert_eq!(Supply::open(link, &dialect).await.unwrap().identity(), ME);
    player.finish("slow start").await;
}

/// gotmc/ivi#20, pyvisa#156: the front panel stays locked after the program.
#[tokio::test(start_paused = true)]
async fn the_front_panel_is_given_back_on_a_link_in_whatever_state() {
    let mut dialect = dialect("simulated-supply");
    let words = dialect.common.as_mut().unwrap();
    words.goodbye = vec![":SYST:LOC".to_owned().try_into().unwrap()];
    let steps = script(&[&[hears(":OUTP?"), hears(":SYST:LOC")]]);
    let (stream, player) = play(steps);
    let link = Link::over(Box::new(stream), "supply", &dialect.wire);
    let mut supply = Supply::open(link, &dialect).await.unwrap();
    supply.output_state().await.unwrap_err();
    assert_eq!(supply.state(), LinkState::Dirty);
    supply.give_back().await;
    drop(supply);
    player.finish("local").await;
}
