//! Relay boards in a chain that take four bytes and answer by four: command, address, data, and all
//! three combined by exclusive or. The answer's command is the complement of the one sent; a frame
//! that no board takes comes back as it was sent (Conrad 197720 manual, pages 31 to 33).
//!
//! Relay `n` of the board with address `a` is channel `8 (a − 1) + n`, counted from 1.

/// Bytes of each frame.
pub const LENGTH: usize = 4;

/// Reports which relays are on.
const GET: u8 = 2;
/// Switches relays on, the others stay.
const ON: u8 = 6;
/// Switches relays off, the others stay.
const OFF: u8 = 7;
/// Gives the boards of a chain their addresses, from the stated one on.
const SETUP: u8 = 1;

fn frame(command: u8, address: u8, data: u8) -> Vec<u8> {
    vec![command, address, data, command ^ address ^ data]
}

/// The frame that gives the boards their addresses. It is answered by each board, and then comes
/// back itself.
pub fn setup() -> Vec<u8> {
    frame(SETUP, 1, 0)
}

/// The frame that switches the relays of `mask`, bit 0 for the first.
pub fn drive(address: u8, mask: u8, on: bool) -> Vec<u8> {
    frame(if on { ON } else { OFF }, address, mask)
}

/// The frame that asks which relays are on.
pub fn ask(address: u8) -> Vec<u8> {
    frame(GET, address, 0)
}

/// Board and bit of a channel.
pub fn place(channel: u32) -> Option<(u8, u8)> {
    let from_zero = channel.checked_sub(1)?;
    let address = u8::try_from(from_zero / 8 + 1).ok()?;
    Some((address, 1 << (from_zero % 8)))
}

/// The data of an answer to `sent`.
///
/// # Errors
/// What is wrong with it.
pub fn data(sent: &[u8], reply: &[u8]) -> Result<u8, &'static str> {
    let &[command, address, data, check] = reply else {
        return Err("an answer has four bytes");
    };
    if command ^ address ^ data != check {
        return Err("its check byte is wrong");
    }
    if reply == sent {
        return Err("the frame came back as it was sent: there is no board of this address");
    }
    if command == 0xFF {
        return Err("the board reports an error");
    }
    match sent {
        [asked, to, ..] if command == !asked && address == *to => Ok(data),
        _ => Err("it answers another frame"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_of_the_manual() {
        assert_eq!(setup(), [0x01, 0x01, 0x00, 0x00]);
        assert_eq!(ask(1), [0x02, 0x01, 0x00, 0x03]);
        // Worked out from the rule: 06 xor 01 xor 04, 07 xor 01 xor 04.
        assert_eq!(drive(1, 4, true), [0x06, 0x01, 0x04, 0x03]);
        assert_eq!(drive(1, 4, false), [0x07, 0x01, 0x04, 0x02]);
        assert_eq!(place(1), Some((1, 0x01)));
        assert_eq!(place(11), Some((2, 0x04)));
        assert_eq!((place(0), place(8 * 255 + 1)), (None, None));
    }

    #[test]
    fn only_the_complement_counts() {
        let sent = ask(1);
        assert_eq!(data(&sent, &[0xFD, 0x01, 0x05, 0xF9]), Ok(0x05));
        for reply in [
            &sent[..],
            &[0xFD, 0x01, 0x05, 0xF8],
            &[0xFD, 0x02, 0x05, 0xFA],
            &[0xFC, 0x01, 0x05, 0xF8],
            &[0xFF, 0x01, 0x00, 0xFE],
            &[0xFD],
            &[],
        ] {
            assert!(data(&sent, reply).is_err(), "{reply:02X?}");
        }
    }
}
