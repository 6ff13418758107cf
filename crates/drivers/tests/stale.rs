//! Answers that come late, doubled or unasked: each case named after the public issue that
//! reports it (or measured), and the right behaviour: no answer is ever taken for another's.

// The functions here are tables.
#![allow(clippy::expect_used, clippy::too_many_lines)]

mod common;

use common::case::{Case, DEADLINE, Fail, Failure, NoResync, Resync, Send, Wait};
use common::case::{ask, case, check, lines};
use common::{answers, bytes, hears, play, says, waits};
use drivers::{Link, LinkError};
use std::time::Duration;

fn stale() -> Vec<Case> {
    let late = |issue| {
        case(
            issue,
            &[
                &[hears("A?"), waits(1500), says("1.1")],
                &answers("*IDN?", "ME"),
                &answers("B?", "2.2"),
                &answers("C?", "3.3"),
            ],
            &[
                Fail("A?", Failure::Timeout),
                Fail("B?", Failure::NeedsResync),
                Resync,
                ask("B?", "2.2"),
                ask("C?", "3.3"),
            ],
            1600,
        )
    };
    vec![
        late("tokio-modbus#324, pymodbus#2636: an answer late by half the deadline"),
        late("eModbus#74, delphi-modbus#42: and every answer after it is the right one"),
        case(
            "tokio-modbus 0.17, measured: late again and again, never one behind",
            &[
                &[hears("A?"), waits(1500), says("1")],
                &answers("*IDN?", "ME"),
                &[hears("A?"), waits(1500), says("2")],
                &answers("*IDN?", "ME"),
                &answers("A?", "3"),
            ],
            &[
                Fail("A?", Failure::Timeout),
                Resync,
                Fail("A?", Failure::Timeout),
                Resync,
                ask("A?", "3"),
            ],
            3200,
        ),
        case(
            "tokio-modbus#324: the late answer comes when the identity has been asked for already",
            &[
                &[
                    hears("A?"),
                    hears("*IDN?"),
                    says("1.1"),
                    waits(10),
                    says("ME"),
                ],
                &answers("B?", "2.2"),
            ],
            &[Fail("A?", Failure::Timeout), Resync, ask("B?", "2.2")],
            1100,
        ),
        case(
            "tokio-modbus#324: identities asked for in vain are answered in the end as well",
            &[
                &[
                    hears("A?"),
                    hears("*IDN?"),
                    hears("*IDN?"),
                    says("1"),
                    says("ME"),
                ],
                &[waits(500), says("ME")],
                &answers("B?", "2.2"),
            ],
            &[
                Fail("A?", Failure::Timeout),
                NoResync,
                Resync,
                ask("B?", "2.2"),
            ],
            5000,
        ),
        case(
            "pyvisa-sim, measured: a refused command is answered, and nobody waits for it",
            &[
                &[hears("SET 99"), says("ERROR")],
                &answers("*IDN?", "ME"),
                &answers("A?", "1.0"),
            ],
            &[
                Send("SET 99"),
                Wait(5),
                Fail("A?", Failure::NeedsResync),
                Resync,
                ask("A?", "1.0"),
            ],
            60,
        ),
        case(
            "pyvisa-sim, measured: the same when both come together",
            &[&[hears("SET 99"), hears("A?"), bytes(b"ERROR\n1.0\n")]],
            &[Send("SET 99"), Fail("A?", Failure::Extra)],
            0,
        ),
        case(
            "pyvisa-py#177: one lost answer is not the end of the link",
            &[&[hears("A?")], &answers("*IDN?", "ME"), &answers("A?", "1")],
            &[Fail("A?", Failure::Timeout), Resync, ask("A?", "1")],
            1100,
        ),
        case(
            "usbtmc abort, measured at 5.5 s: getting back into step takes a bounded time",
            &[&[hears("A?"), hears("*IDN?")]],
            &[
                Fail("A?", Failure::Timeout),
                NoResync,
                Fail("A?", Failure::NeedsResync),
            ],
            2100,
        ),
        case(
            "usbtmc abort: nor does an instrument that never stops talking hold us",
            &[
                &[hears("A?")],
                &std::iter::repeat_n([waits(40), bytes(b"x")], 275)
                    .flatten()
                    .collect::<Vec<_>>(),
            ],
            &[Fail("A?", Failure::Timeout), NoResync],
            11_100,
        ),
        case(
            "Qcodes#1171: what comes unasked is no reading, and nothing is read unasked",
            &[
                &[says("9.99")],
                &answers("*IDN?", "ME"),
                &answers("A?", "1"),
            ],
            &[
                Wait(1),
                Fail("A?", Failure::NeedsResync),
                Resync,
                ask("A?", "1"),
            ],
            100,
        ),
    ]
}

#[tokio::test(start_paused = true)]
async fn every_case() {
    for case in stale() {
        check(case).await;
    }
}

#[tokio::test(start_paused = true)]
async fn a_question_given_up_half_way_leaves_the_link_dirty() {
    let script = [
        vec![hears("A?"), waits(500), says("1")],
        answers("*IDN?", "ME").to_vec(),
        answers("B?", "2").to_vec(),
    ];
    let (stream, player) = play(script.concat());
    let mut link = Link::over(Box::new(stream), "dut", &lines());
    let given_up = tokio::time::timeout(Duration::from_millis(10), link.query("A?", DEADLINE));
    assert!(given_up.await.is_err());
    let error = link.query("B?", DEADLINE).await.unwrap_err();
    assert!(matches!(error, LinkError::NeedsResync { .. }), "{error}");
    link.resync("*IDN?", "ME").await.unwrap();
    assert_eq!(link.query("B?", DEADLINE).await.unwrap(), "2");
    drop(link);
    player.finish("given up").await;
}

#[tokio::test(start_paused = true)]
async fn a_command_given_up_half_way_is_ended_before_the_next() {
    use tokio::io::AsyncReadExt;
    let (stream, mut end) = tokio::io::duplex(8);
    let mut link = Link::over(Box::new(stream), "dut", &lines());
    let given_up = tokio::time::timeout(Duration::from_millis(10), link.send(":VOLT 0.1234"));
    assert!(given_up.await.is_err());
    let instrument = tokio::spawn(async move {
        let mut heard = vec![0; ":VOLT 0.\n*IDN?\n".len()];
        end.read_exact(&mut heard).await.unwrap();
        tokio::io::AsyncWriteExt::write_all(&mut end, b"ME\n")
            .await
            .unwrap();
        String::from_utf8(heard).unwrap()
    });
    // Half a number without an exponent is a smaller one; the question is not glued to it.
    link.resync("*IDN?", "ME").await.unwrap();
    assert_eq!(instrument.await.unwrap(), ":VOLT 0.\n*IDN?\n");
}
