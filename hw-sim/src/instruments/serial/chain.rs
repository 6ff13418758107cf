//! Relay boards in a chain, eight relays on each: a frame that belongs to nobody comes back as it
//! was sent, all others are answered by the complement of their command.

use super::relay;
use crate::bench::Bench;

/// Boards in the chain.
const BOARDS: u8 = 22;

fn sealed(command: u8, address: u8, data: u8) -> [u8; 4] {
    [command, address, data, command ^ address ^ data]
}

pub fn hear(message: &[u8], bench: &mut Bench) -> Vec<u8> {
    let mut said = Vec::new();
    for frame in message.chunks_exact(4) {
        let (command, address, data) = (frame[0], frame[1], frame[2]);
        if command ^ address ^ data != frame[3] {
            said.extend(sealed(0xFF, address, 0));
            continue;
        }
        if command == 1 {
            said.extend((1..=BOARDS).flat_map(|board| sealed(0xFE, board, 11)));
            said.extend(sealed(1, BOARDS + 1, 0));
            continue;
        }
        if !(1..=BOARDS).contains(&address) {
            said.extend(frame);
            continue;
        }
        let first = usize::from(address - 1) * 8 + 1;
        let relays = (0..8).filter_map(|bit| Some((1u8 << bit, relay(first + bit)?)));
        let relays: Vec<(u8, usize)> = relays.collect();
        let picked = |mask: u8| -> Vec<usize> {
            let chosen = relays.iter().filter(|(bit, _)| mask & bit != 0);
            chosen.map(|(_, relay)| *relay).collect()
        };
        match command {
            2 => {}
            3 => {
                bench.switch(&picked(data), true);
                bench.switch(&picked(!data), false);
            }
            6 | 7 => bench.switch(&picked(data), command == 6),
            _ => {
                said.extend(sealed(0xFF, address, 0));
                continue;
            }
        }
        let on = relays.iter().filter(|(_, relay)| bench.energised(*relay));
        let states = on.fold(0, |states, (bit, _)| states | bit);
        said.extend(sealed(255 - command, address, states));
    }
    said
}
