//! What has gone wrong on other people's wires, each case named after the public issue (or maker's
//! document) that reports it, and the right behaviour.

#![allow(clippy::expect_used, clippy::panic)]

mod common;

use common::{Step, answers, bytes, hears, play, says, waits};
use drivers::{Ending, Framing, Link, LinkError, Wire};
use std::time::Duration;
use tokio::time::Instant;

/// What the driver's side does, and what must come of it.
#[derive(Clone)]
enum Op {
    Send(&'static str),
    /// A question that gets this answer.
    Ask(&'static str, String),
    /// A question that fails in this way.
    Fail(&'static str, Failure),
    /// Back into step with an instrument known as `ME`.
    Resync,
    /// Fails to get back into step.
    NoResync,
    /// Time passes, in milliseconds.
    Wait(u64),
}
use Op::{Ask, Fail, NoResync, Resync, Send, Wait};

#[derive(Clone, Copy, PartialEq, Debug)]
enum Failure {
    Timeout,
    Gone,
    TooLong,
    Extra,
    NeedsResync,
    BadCommand,
}

fn failure(error: &LinkError) -> Option<Failure> {
    Some(match error {
        LinkError::Timeout { .. } => Failure::Timeout,
        LinkError::Gone { .. } => Failure::Gone,
        LinkError::TooLong { .. } => Failure::TooLong,
        LinkError::Extra { .. } => Failure::Extra,
        LinkError::NeedsResync { .. } => Failure::NeedsResync,
        LinkError::BadCommand { .. } => Failure::BadCommand,
        _ => return None,
    })
}

struct Case {
    issue: &'static str,
    wire: Wire,
    script: Vec<Step>,
    ops: Vec<Op>,
    /// Longest virtual time that all of it may take, in milliseconds.
    within: u64,
}

const DEADLINE: Duration = Duration::from_millis(1000);

fn lines() -> Wire {
    Wire::lines(DEADLINE)
}

fn case(issue: &'static str, script: &[&[Step]], ops: &[Op], within: u64) -> Case {
    Case {
        issue,
        wire: lines(),
        script: script.concat(),
        ops: ops.to_vec(),
        within,
    }
}

fn ask(question: &'static str, answer: &str) -> Op {
    Ask(question, answer.to_owned())
}

async fn check(case: Case) {
    let issue = case.issue;
    let (stream, player) = play(case.script);
    let mut link = Link::over(Box::new(stream), "dut", &case.wire);
    let start = Instant::now();
    for op in case.ops {
        match op {
            Send(line) => link
                .send(line)
                .await
                .unwrap_or_else(|error| panic!("{issue}: {error}")),
            Ask(question, answer) => match link.query(question, DEADLINE).await {
                Ok(reply) => assert_eq!(reply, answer, "{issue}"),
                Err(error) => panic!("{issue}: {error}"),
            },
            Fail(question, expected) => {
                let error = link.query(question, DEADLINE).await.expect_err(issue);
                assert_eq!(failure(&error), Some(expected), "{issue}: {error}");
                let text = error.to_string();
                assert!(text.starts_with("dut: "), "{issue}: {text}");
            }
            Resync => {
                link.resync("*IDN?", "ME")
                    .await
                    .unwrap_or_else(|e| panic!("{issue}: {e}"));
            }
            NoResync => drop(link.resync("*IDN?", "ME").await.expect_err(issue)),
            Wait(ms) => tokio::time::sleep(Duration::from_millis(ms)).await,
        }
    }
    let took = start.elapsed();
    assert!(
        took <= Duration::from_millis(case.within),
        "{issue}: took {took:?}"
    );
    drop(link);
    player.finish(issue).await;
}

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
    let all = [framing(), pieces(), echoes(), stale(), lines_and_ports()];
    for case in all.into_iter().flatten() {
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
