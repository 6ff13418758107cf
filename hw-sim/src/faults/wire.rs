//! A wire with faults: stands between a client and an instrument and carries lines, which faults of
//! the plan delay, lose, change or repeat. Commands never wait for a late answer.

use super::{Kind, Place};
use crate::bench::{Bench, SharedBench};
use std::collections::VecDeque;
use std::io;
use std::sync::{MutexGuard, PoisonError};
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::time::{Duration, Instant, sleep_until};

/// What goes wrong with one answer.
#[derive(Debug, Clone, PartialEq)]
struct Wrong {
    late: f64,
    pieces: Option<f64>,
    twice: bool,
    stale: bool,
    missing: bool,
}

impl Bench {
    /// Feels the faults of a wire for one answer, which it garbles in place.
    fn spoil_answer(&mut self, place: Place, answer: &mut [u8]) -> Wrong {
        if let Some(share) = self.feel(place, Kind::Garbled) {
            for byte in answer {
                if self.noise.chance(share) {
                    *byte = self.noise.nanos(b'!'.into(), u64::from(b'~') + 1) as u8;
                }
            }
        }
        Wrong {
            late: self.feel(place, Kind::Late).unwrap_or(0.0),
            pieces: self.feel(place, Kind::Pieces),
            twice: self.feel(place, Kind::Twice).is_some(),
            stale: self.feel(place, Kind::Stale).is_some(),
            missing: self.feel(place, Kind::Missing).is_some(),
        }
    }
}

/// Carries lines until one end closes, or a fault closes the link.
pub async fn carry(
    bench: &SharedBench,
    place: Place,
    client: impl AsyncRead + AsyncWrite + Unpin,
    instrument: impl AsyncRead + AsyncWrite + Unpin,
) -> io::Result<()> {
    let (from_client, mut to_client) = tokio::io::split(client);
    let (from_instrument, mut to_instrument) = tokio::io::split(instrument);
    let mut asked = BufReader::new(from_client).split(b'\n');
    let mut answered = BufReader::new(from_instrument).split(b'\n');
    let mut wire = Wire::default();
    loop {
        let due = wire.on_its_way.front().map(|(at, _)| *at);
        let arrives = async {
            match due {
                Some(at) => sleep_until(at).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            line = asked.next_segment() => {
                let Some(mut line) = line? else { return Ok(()) };
                {
                    let mut bench = now(bench);
                    bench.count_line(place);
                    if bench.feel(place, Kind::Gone).is_some() {
                        return Ok(());
                    }
                }
                line.push(b'\n');
                to_instrument.write_all(&line).await?;
                to_instrument.flush().await?;
            }
            answer = answered.next_segment() => {
                let Some(mut answer) = answer? else { return Ok(()) };
                let truth = answer.clone();
                let wrong = now(bench).spoil_answer(place, &mut answer);
                wire.send(answer, &wrong);
                wire.previous = truth;
            }
            () = arrives => {
                if let Some((_, bytes)) = wire.on_its_way.pop_front() {
                    to_client.write_all(&bytes).await?;
                    to_client.flush().await?;
                }
            }
        }
    }
}

/// Answers on their way to the client, in order.
#[derive(Default)]
struct Wire {
    on_its_way: VecDeque<(Instant, Vec<u8>)>,
    previous: Vec<u8>,
}

impl Wire {
    fn send(&mut self, mut answer: Vec<u8>, wrong: &Wrong) {
        if wrong.missing {
            return;
        }
        if wrong.stale && !self.previous.is_empty() {
            answer.clone_from(&self.previous);
        }
        answer.push(b'\n');
        let mut at = Instant::now() + Duration::from_secs_f64(wrong.late);
        if let Some((last, _)) = self.on_its_way.back() {
            at = at.max(*last);
        }
        for _ in 0..if wrong.twice { 2 } else { 1 } {
            let Some(pause) = wrong.pieces else {
                self.on_its_way.push_back((at, answer.clone()));
                continue;
            };
            for piece in answer.chunks(answer.len().div_ceil(3)) {
                self.on_its_way.push_back((at, piece.to_vec()));
                at += Duration::from_secs_f64(pause);
            }
        }
    }
}

/// The bench, brought up to now.
fn now(bench: &SharedBench) -> MutexGuard<'_, Bench> {
    let mut bench = bench.lock().unwrap_or_else(PoisonError::into_inner);
    bench.catch_up();
    bench
}
