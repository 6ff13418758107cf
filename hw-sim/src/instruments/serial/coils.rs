//! A Modbus RTU relay board, unit 1: coil `n` is relay channel `n + 1`. It has as many coils as
//! relay channels have numbers; those without a relay read 0 and take anything.

use super::relay;
use crate::bench::Bench;

const UNIT: u8 = 1;
const COILS: usize = 200;

/// The check value by long division, bit by bit, of the whole message.
fn remainder(bytes: &[u8]) -> u16 {
    let mut register: u16 = 0xFFFF;
    for byte in bytes {
        for place in 0..8 {
            let bit = (u16::from(*byte) >> place ^ register) & 1;
            register >>= 1;
            if bit == 1 {
                register ^= 0b1010_0000_0000_0001;
            }
        }
    }
    register
}

fn sealed(mut body: Vec<u8>) -> Vec<u8> {
    let check = remainder(&body);
    body.push((check & 0xFF) as u8);
    body.push((check >> 8) as u8);
    body
}

fn word(bytes: &[u8], at: usize) -> usize {
    usize::from(bytes[at]) << 8 | usize::from(bytes[at + 1])
}

pub fn hear(message: &[u8], bench: &mut Bench) -> Vec<u8> {
    // A frame together with its own check value leaves nothing.
    if message.len() < 8 || remainder(message) != 0 || message[0] != UNIT {
        return Vec::new();
    }
    let function = message[1];
    let refused = |code| sealed(vec![UNIT, function | 0x80, code]);
    let (first, value) = (word(message, 2), word(message, 4));
    let mut drive = |coil: usize, on: bool| {
        if let Some(relay) = relay(coil + 1) {
            bench.switch(&[relay], on);
        }
    };
    match function {
        1 if value == 0 || first + value > COILS => refused(2),
        1 => {
            let mut body = vec![UNIT, 1, value.div_ceil(8) as u8];
            for byte in 0..value.div_ceil(8) {
                let bit = |k: usize| {
                    let coil = byte * 8 + k;
                    let relay = relay(first + coil + 1).filter(|_| coil < value);
                    u8::from(relay.is_some_and(|relay| bench.energised(relay))) << k
                };
                body.push((0..8).map(bit).sum());
            }
            sealed(body)
        }
        5 | 6 if first >= COILS => refused(2),
        5 => match value {
            0xFF00 | 0 => {
                drive(first, value != 0);
                message.to_vec()
            }
            _ => refused(3),
        },
        6 => match value {
            1 | 2 => {
                drive(first, value == 1);
                message.to_vec()
            }
            _ => refused(3),
        },
        15 if first + value > COILS || message.len() != 9 + value.div_ceil(8) => refused(2),
        15 => {
            for k in 0..value {
                drive(first + k, message[7 + k / 8] >> (k % 8) & 1 == 1);
            }
            sealed(message[..6].to_vec())
        }
        _ => refused(1),
    }
}
