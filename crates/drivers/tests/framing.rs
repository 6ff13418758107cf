//! Where an answer ends, echoes, pace and lost ends: what has gone wrong on other people's wires,
//! each case named after the public issue (or maker's document) that reports it, and the right
//! behaviour.

// The functions here are tables.
#![allow(clippy::expect_used, clippy::too_many_lines)]

mod common;

use common::case::{Ask, Case, DEADLINE, Fail, Failure, Send, Wait, ask, case, check, lines};
use common::case::{NoResync, Resync};
use common::{Step, answers, bytes, hears, says, waits};
use drivers::{Ending, Framing, Link, LinkError, Wire};
use std::time::Duration;
use tokio::time::Instant;

fn framing() -> Vec<Case> {
    let mut cases = vec![
        case(
            "pyvisa#98, pyvisa-py#156, pyvisa-py#301: replies end in LF, CR LF or CR",
            &[&[
                hears("V?"),
                bytes(b"1.0\n"),
                hears("V?"),
                bytes(b"2.0\r\n"),
                hears("V?"),
                bytes(b"3.0\r"),
                hears("V?"),
                bytes(b"4.0\n"),
            ]],
            &[
                ask("V?", "1.0"),
                ask("V?", "2.0"),
                ask("V?", "3.0"),
                ask("V?", "4.0"),
            ],
            0,
        ),
        case(
            "pyvisa#427: reading on behind the ending would wait for nothing",
            &[&answers("V?", "1.0")],
            &[ask("V?", "1.0")],
            0,
        ),
        case(
            "pyvisa#638: stray bytes before the question",
            &[
                &[bytes(b"\x08\n\n")],
                &answers("*IDN?", "ME"),
                &answers("V?", "1.5"),
            ],
            &[
                Wait(1),
                Fail("V?", Failure::NeedsResync),
                Resync,
                ask("V?", "1.5"),
            ],
            100,
        ),
        case(
            "pyvisa#638: stray line endings are no answer",
            &[&[bytes(b"\r\n\n"), hears("V?"), bytes(b"\n\r\n1.5\n")]],
            &[Wait(1), ask("V?", "1.5")],
            1,
        ),
        case(
            "pyvisa#638: stray bytes between question and answer: two answers, neither is used",
            &[&[hears("V?"), bytes(b"\x08\n\n1.5\n")]],
            &[Fail("V?", Failure::Extra)],
            0,
        ),
        case(
            "scpi-parser#111, wire hygiene: one line at a time, nothing but printable ASCII",
            &[],
            &[
                Fail("V?\nOUTP ON", Failure::BadCommand),
                Fail("", Failure::BadCommand),
                Fail("V µ", Failure::BadCommand),
            ],
            0,
        ),
        case(
            "pyvisa#98: an answer without an ending stays within its bounds",
            &[&[hears("V?"), Step::Says(vec![b'7'; 65_536])]],
            &[Fail("V?", Failure::TooLong)],
            0,
        ),
    ];
    cases.push(Case {
        wire: Wire {
            reply: Framing::Pause,
            ending: Ending::None,
            ..lines()
        },
        ..case(
            "pyvisa#190: a device without endings is read by its pause, not by the deadline",
            &[&[
                Step::Hears("V?".into()),
                bytes(b"12."),
                waits(20),
                bytes(b"34"),
            ]],
            &[ask("V?", "12.34")],
            75,
        )
    });
    cases.push(Case {
        wire: Wire {
            reply: Framing::Pause,
            ending: Ending::None,
            ..lines()
        },
        ..case(
            "libsigrok korad-kaxxxxp: a sixth byte is there, and is the question's to cut off",
            &[&[
                Step::Hears("I?".into()),
                bytes(b"0.125\xb1"),
                Step::Hears("V?".into()),
            ]],
            &[ask("I?", "0.125\u{fffd}"), Fail("V?", Failure::Timeout)],
            1060,
        )
    });
    cases
}

/// A reply cut in two at each place, with a gap that grows; and replies of whole chunks.
fn pieces() -> Vec<Case> {
    let reply = b"+1.23456789E-01\r\n";
    let mut cases: Vec<Case> = (0..reply.len() as u64)
        .map(|at| {
            let (head, tail) = reply.split_at(at as usize);
            let gap = at * 80 / reply.len() as u64;
            case(
                "libserial#172, and two TCP segments: an answer in pieces",
                &[
                    &[hears("V?"), bytes(head), waits(gap), bytes(tail)],
                    &answers("W?", "2"),
                ],
                &[ask("V?", "+1.23456789E-01"), Wait(80), ask("W?", "2")],
                gap + 80,
            )
        })
        .collect();
    cases.extend([4095, 4096, 8192, 20_480].map(|length| {
        let long = "7".repeat(length);
        Case {
            ops: vec![Ask("V?", long.clone()), ask("W?", "2")],
            ..case(
                "pyvisa-py#608, pyvisa-py#612: a reply of whole chunks",
                &[&answers("V?", &long), &answers("W?", "2")],
                &[],
                0,
            )
        }
    }));
    cases
}

fn echoes() -> Vec<Case> {
    let echo = || Wire {
        echo: true,
        prompt: "> ".to_owned(),
        ..lines()
    };
    let mut cases = vec![
        Case {
            wire: echo(),
            ..case(
                "Booster#346, pyserial#452: commands and questions are repeated, with a prompt",
                &[&[
                    hears("A 1"),
                    bytes(b"A 1\r\n> "),
                    hears("V?"),
                    bytes(b"V?\r\n1.5\r\n> "),
                    hears("V?"),
                    bytes(b"V?\r\n2.5\r\n> "),
                ]],
                &[Send("A 1"), ask("V?", "1.5"), ask("V?", "2.5")],
                0,
            )
        },
        Case {
            wire: echo(),
            ..case(
                "pymeasure#899, PycQED#81: only the first is repeated",
                &[&[hears("V?"), bytes(b"V?\n1\n> "), hears("V?"), bytes(b"2\n")]],
                &[ask("V?", "1"), ask("V?", "2")],
                0,
            )
        },
    ];
    cases.push(case(
        "Booster#346: a repeating device that is not known as one gives no value",
        &[&[hears("V?"), bytes(b"V?\n1.5\n")]],
        &[Fail("V?", Failure::Extra)],
        0,
    ));
    cases
}

fn lines_and_ports() -> Vec<Case> {
    vec![
        Case {
            wire: Wire {
                pace: Duration::from_millis(50),
                ..lines()
            },
            ..case(
                "pyvisa#362, Fixate#228, libsigrok#210: commands keep their distance",
                &[&[hears("A"), hears("B")], &answers("C?", "1")],
                &[Send("A"), Send("B"), ask("C?", "1")],
                101,
            )
        },
        case(
            "libsigrok#210: a lost answer is an error, never zero",
            &[&[hears("I?")]],
            &[Fail("I?", Failure::Timeout)],
            1000,
        ),
        case(
            "node-serialport#115, tarm/serial#100: the other end is gone, at once",
            &[&[hears("A?"), Step::Closes]],
            &[
                Fail("A?", Failure::Gone),
                Fail("A?", Failure::Gone),
                NoResync,
            ],
            0,
        ),
        Case {
            wire: Wire {
                first_reply: Duration::from_secs(12),
                ..lines()
            },
            ..case(
                "scopehal#1056: the first answer may take 10 s, later ones may not",
                &[&[hears("A?"), waits(10_000), says("1"), hears("A?")]],
                &[ask("A?", "1"), Fail("A?", Failure::Timeout)],
                11_000,
            )
        },
    ]
}

#[tokio::test(start_paused = true)]
async fn every_case() {
    for case in [framing(), pieces(), echoes(), lines_and_ports()]
        .into_iter()
        .flatten()
    {
        check(case).await;
    }
}

#[tokio::test(start_paused = true)]
async fn a_device_that_does_not_read_blocks_nobody() {
    // pyserial#163, pySerialTransfer#72, minimalmodbus#36.
    let (stream, _unread) = tokio::io::duplex(64);
    let mut link = Link::over(Box::new(stream), "dut", &lines());
    let long = "A".repeat(60);
    link.send(&long).await.unwrap();
    let start = Instant::now();
    let error = link.send(&long).await.unwrap_err();
    assert!(matches!(error, LinkError::Blocked { .. }), "{error}");
    assert_eq!(start.elapsed(), DEADLINE);
    // A command cut in half cannot be taken back: nothing more is said.
    assert!(matches!(link.send("B").await, Err(LinkError::Gone { .. })));
}
