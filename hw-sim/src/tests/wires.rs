//! Faults on the wires, in-process and over TCP.

use super::*;
use crate::bench::SharedBench;
use crate::{Fault, Kind, Place};
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::time::{Duration, Instant, timeout};

pub fn paused<F: Future>(body: F) -> F::Output {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()
        .unwrap();
    runtime.block_on(body)
}

fn bench(fault: Fault) -> SharedBench {
    let bench = Bench::faulty(&find("heron").unwrap(), 4, &fault.into());
    Arc::new(Mutex::new(bench))
}

fn wire(fault: Fault) -> impl AsyncRead + AsyncWrite + Unpin {
    let wires = crate::in_process(&bench(fault));
    wires
        .into_iter()
        .find(|(name, _)| *name == "supply")
        .unwrap()
        .1
}

fn supply(kind: Kind) -> Fault {
    Fault::new(Place::Supply, kind)
}

fn twice(fault: Fault) -> Fault {
    Fault {
        after_lines: 1,
        times: Some(2),
        ..fault
    }
}

/// What comes within 10 s of each of these questions, read as one piece at a time.
async fn dialogue(
    mut wire: impl AsyncRead + AsyncWrite + Unpin,
    questions: &[&str],
) -> Vec<Vec<(String, Duration)>> {
    let mut all = Vec::new();
    for question in questions {
        wire.write_all(question.as_bytes()).await.unwrap();
        wire.write_all(b"\n").await.unwrap();
        let (asked, mut pieces) = (Instant::now(), Vec::new());
        let mut buffer = [0; 256];
        while let Ok(read) = timeout(Duration::from_secs(10), wire.read(&mut buffer)).await {
            let read = read.unwrap();
            if read == 0 {
                break;
            }
            let text = String::from_utf8_lossy(&buffer[..read]).into_owned();
            pieces.push((text, asked.elapsed()));
        }
        all.push(pieces);
    }
    all
}

const QUESTIONS: [&str; 4] = [":VOLT:PROT?", "*IDN?", ":OUTP?", "*OPC?"];
const ANSWERS: [&str; 4] = [
    "+9.00000000E+00\n",
    "Kestrel & Loom,PL-812,0,1.4\n",
    "0\n",
    "1\n",
];

fn texts(pieces: &[(String, Duration)]) -> String {
    pieces.iter().map(|(text, _)| text.as_str()).collect()
}

/// The second and third answers are affected, the first and last are not.
fn affected(fault: Fault) -> Vec<Vec<(String, Duration)>> {
    let all = paused(async { dialogue(wire(twice(fault)), &QUESTIONS).await });
    assert_eq!(texts(&all[0]), ANSWERS[0]);
    assert_eq!(texts(&all[3]), ANSWERS[3]);
    all
}

#[test]
fn answers_come_late() {
    let all = affected(supply(Kind::Late).sized(2.5));
    let delay = |pieces: &[(String, Duration)]| pieces[0].1.as_secs_f64();
    for k in [1, 2] {
        assert_eq!(texts(&all[k]), ANSWERS[k]);
        assert!((2.5..2.52).contains(&delay(&all[k])), "{}", delay(&all[k]));
    }
    assert!(delay(&all[0]) < 0.02 && delay(&all[3]) < 0.02);
}

#[test]
fn answers_get_lost() {
    let all = affected(supply(Kind::Missing));
    assert!(all[1].is_empty() && all[2].is_empty());
}

#[test]
fn answers_come_in_pieces() {
    let all = affected(supply(Kind::Pieces).sized(0.2));
    assert_eq!(texts(&all[1]), ANSWERS[1]);
    assert_eq!(all[1].len(), 3, "{:?}", all[1]);
    let gap = all[1][2].1 - all[1][0].1;
    assert!((0.4..0.41).contains(&gap.as_secs_f64()));
    assert_eq!(all[0].len(), 1);
}

#[test]
fn answers_are_garbled() {
    let all = affected(supply(Kind::Garbled).sized(1.0));
    let text = texts(&all[1]);
    assert_eq!(text.len(), ANSWERS[1].len());
    let same = text.bytes().zip(ANSWERS[1].bytes()).filter(|(a, b)| a == b);
    assert!(same.count() < 5, "{text}");
    assert!(text.ends_with('\n'), "it is still one line");
}

#[test]
fn answers_come_twice_or_stale() {
    let all = affected(supply(Kind::Twice));
    assert_eq!(texts(&all[1]), ANSWERS[1].repeat(2));
    let all = affected(supply(Kind::Stale));
    assert_eq!(texts(&all[1]), ANSWERS[0]);
    assert_eq!(texts(&all[2]), ANSWERS[1]);
}

#[test]
fn commands_do_not_wait_for_a_late_answer() {
    let fault = supply(Kind::Late).sized(30.0);
    let bench = bench(fault);
    paused(async {
        let (_, mut wire) = crate::in_process(&bench).into_iter().next().unwrap();
        wire.write_all(b"*IDN?\n:VOLT 2\n").await.unwrap();
        tokio::time::sleep(Duration::from_millis(100)).await;
        assert_eq!(bench.lock().unwrap().supply.set, 2.0);
        let mut one = [0];
        let early = timeout(Duration::from_secs(20), wire.read(&mut one)).await;
        assert!(early.is_err(), "nothing answered yet");
    });
}

#[test]
fn a_link_that_goes_does_not_carry_out_its_last_line() {
    let gone = Fault {
        after_lines: 2,
        ..supply(Kind::Gone)
    };
    let bench = bench(gone);
    paused(async {
        let mut wires = crate::in_process(&bench);
        let (_, mut supply) = wires.remove(0);
        supply
            .write_all(b":VOLT 1\n:VOLT 2\n:VOLT 3\n")
            .await
            .unwrap();
        let mut rest = Vec::new();
        supply.read_to_end(&mut rest).await.unwrap();
        assert!(rest.is_empty());
        tokio::time::sleep(Duration::from_millis(100)).await;
        assert_eq!(bench.lock().unwrap().supply.set, 2.0);
        let (_, drop) = wires.remove(0);
        let other = dialogue(drop, &["*OPC?"]).await;
        assert_eq!(texts(&other[0]), "1\n", "the other links stay");
    });
}

#[test]
fn the_readers_wire_has_the_same_faults() {
    let fault = Fault {
        after_lines: 1,
        ..Fault::new(Place::Reader, Kind::Stale)
    };
    paused(async {
        let (_, reader) = crate::in_process(&bench(fault)).pop().unwrap();
        let all = dialogue(reader, &["WHO", "LOOK"]).await;
        assert_eq!(texts(&all[0]), texts(&all[1]));
        assert!(texts(&all[1]).starts_with("READER"));
    });
}

/// Over TCP time is real: nothing here waits for a clock.
#[test]
fn wires_over_tcp_have_them_too() {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let gone = Fault {
        after_lines: 1,
        ..supply(Kind::Gone)
    };
    let both = crate::Faults {
        fault: vec![supply(Kind::Twice), gone],
    };
    let bench: SharedBench = Arc::new(Mutex::new(Bench::faulty(&find("heron").unwrap(), 4, &both)));
    runtime.block_on(async {
        let listening = crate::tcp(&bench, 0).await.unwrap();
        let address = listening.addresses[0].1;
        let served = tokio::spawn(listening.serve());
        let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
        stream.write_all(b"*OPC?\n").await.unwrap();
        let mut answer = [0; 4];
        stream.read_exact(&mut answer).await.unwrap();
        assert_eq!(&answer, b"1\n1\n");
        stream.write_all(b"*OPC?\n").await.unwrap();
        assert_eq!(stream.read(&mut answer).await.unwrap(), 0, "closed");
        served.abort();
    });
}
