//! A relay board of four bytes that answers nothing. It looks for the start mark and takes a frame
//! whose sum is right; all else is passed over.

use super::relay;
use crate::bench::Bench;

pub fn hear(message: &[u8], bench: &mut Bench) -> Vec<u8> {
    let mut rest = message;
    while let [first, tail @ ..] = rest {
        let frame = rest.get(..4).filter(|_| *first == 0xA0);
        let sound = |frame: &&[u8]| {
            (160 + u32::from(frame[1]) + u32::from(frame[2])) % 256 == u32::from(frame[3])
        };
        let Some(frame) = frame.filter(sound) else {
            rest = tail;
            continue;
        };
        if let (Some(relay), 0 | 1) = (relay(frame[1].into()), frame[2]) {
            bench.switch(&[relay], frame[2] == 1);
        }
        rest = &rest[4..];
    }
    Vec::new()
}
