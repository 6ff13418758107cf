//! Relay boards that take four bytes and answer nothing: a start mark, channel, state, and the sum
//! of these three (common practice of cheap boards; seller pages).

/// First byte of each frame.
const START: u8 = 0xA0;

/// The frame that drives one channel.
pub fn drive(channel: u8, on: bool) -> Vec<u8> {
    let state = u8::from(on);
    let sum = START.wrapping_add(channel).wrapping_add(state);
    vec![START, channel, state, sum]
}

#[cfg(test)]
mod tests {
    use super::drive;

    #[test]
    fn frames_as_the_sellers_print_them() {
        assert_eq!(drive(1, true), [0xA0, 0x01, 0x01, 0xA2]);
        assert_eq!(drive(1, false), [0xA0, 0x01, 0x00, 0xA1]);
        assert_eq!(drive(2, true), [0xA0, 0x02, 0x01, 0xA3]);
        assert_eq!(drive(2, false), [0xA0, 0x02, 0x00, 0xA2]);
        assert_eq!(drive(255, true), [0xA0, 0xFF, 0x01, 0xA0]);
    }
}
