//! Modbus RTU, as far as relay boards need it: read coils (01), write one coil (05), write one
//! register (06) and write a run of coils (0F) (Modbus application protocol V1.1b3; Modbus over
//! serial line V1.02).

/// Read coils.
const READ: u8 = 0x01;
/// Write one coil.
const WRITE: u8 = 0x05;
/// Write one register.
const WRITE_REGISTER: u8 = 0x06;
/// Write a run of coils.
const WRITE_RUN: u8 = 0x0F;
/// Set in the function of an answer that is an exception.
const EXCEPTION: u8 = 0x80;

/// Most coils in one question.
pub const MOST: usize = 1968;

/// The check value of a frame: CRC-16 with the polynomial A001, low byte first on the wire.
fn check(bytes: &[u8]) -> [u8; 2] {
    let step = |crc: u16| {
        if crc & 1 == 1 {
            crc >> 1 ^ 0xA001
        } else {
            crc >> 1
        }
    };
    let crc = bytes.iter().fold(0xFFFF, |crc: u16, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| step(crc))
    });
    crc.to_le_bytes()
}

fn frame(unit: u8, function: u8, parts: &[[u8; 2]], rest: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit, function];
    frame.extend(parts.iter().flatten());
    frame.extend(rest);
    frame.extend(check(&frame));
    frame
}

/// Writes one coil.
pub fn write(unit: u8, coil: u16, on: bool) -> Vec<u8> {
    let state = if on { [0xFF, 0x00] } else { [0x00, 0x00] };
    frame(unit, WRITE, &[coil.to_be_bytes(), state], &[])
}

/// Writes one register.
pub fn write_register(unit: u8, register: u16, value: u16) -> Vec<u8> {
    let parts = [register.to_be_bytes(), value.to_be_bytes()];
    frame(unit, WRITE_REGISTER, &parts, &[])
}

/// Writes `count` coils from `first` on.
pub fn write_run(unit: u8, first: u16, count: u16, on: bool) -> Vec<u8> {
    let bytes = usize::from(count).div_ceil(8);
    let mut packed = vec![if on { 0xFF } else { 0x00 }; bytes];
    if on
        && !count.is_multiple_of(8)
        && let Some(last) = packed.last_mut()
    {
        *last = (1 << (count % 8)) - 1;
    }
    let length = u8::try_from(bytes).unwrap_or(u8::MAX);
    packed.insert(0, length);
    frame(
        unit,
        WRITE_RUN,
        &[first.to_be_bytes(), count.to_be_bytes()],
        &packed,
    )
}

/// Asks for `count` coils from `first` on.
pub fn read(unit: u8, first: u16, count: u16) -> Vec<u8> {
    frame(unit, READ, &[first.to_be_bytes(), count.to_be_bytes()], &[])
}

/// Length of an answer by its first bytes.
pub fn length(bytes: &[u8]) -> Option<usize> {
    match *bytes {
        [_, function, ..] if function & EXCEPTION != 0 => Some(5),
        [_, READ, count, ..] => Some(usize::from(count) + 5),
        [_, READ] | [_] | [] => None,
        [..] => Some(8),
    }
}

/// What an answer to `sent` says: the packed coils of a question, nothing of a command.
///
/// # Errors
/// What is wrong with it.
pub fn data<'a>(sent: &[u8], reply: &'a [u8]) -> Result<&'a [u8], String> {
    let Some((body, end)) = reply.split_last_chunk::<2>() else {
        return Err("an answer has at least four bytes".to_owned());
    };
    if check(body) != *end {
        return Err("its check value is wrong".to_owned());
    }
    let (&[unit, function, ref rest @ ..], &[to, asked, ..]) = (body, sent) else {
        return Err("an answer has at least four bytes".to_owned());
    };
    if unit != to {
        return Err(format!("it comes from unit {unit}"));
    }
    if function == asked | EXCEPTION {
        let code = rest.first().copied().unwrap_or_default();
        let name = match code {
            1 => "function not known",
            2 => "address not there",
            3 => "value not allowed",
            4 => "failure of the board",
            6 => "busy",
            _ => "no further word",
        };
        return Err(format!("the board refuses: exception {code:02X} ({name})"));
    }
    if function != asked {
        return Err(format!("it answers function {function:02X}"));
    }
    match (function, rest) {
        (READ, [count, coils @ ..]) => {
            let wanted = sent
                .get(4..6)
                .map_or(0, |n| usize::from(u16::from_be_bytes([n[0], n[1]])));
            if usize::from(*count) == coils.len() && coils.len() == wanted.div_ceil(8) {
                Ok(coils)
            } else {
                Err("it has another number of coils".to_owned())
            }
        }
        // These repeat address and value, or address and count.
        (_, rest) if sent.get(2..6) == Some(rest) => Ok(&[]),
        _ => Err("it confirms something else".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames that another implementation has accepted.
    #[test]
    fn frames_with_their_check_values() {
        let seen = [
            (write(1, 0, true), "01 05 00 00 FF 00 8C 3A"),
            (write(1, 0, false), "01 05 00 00 00 00 CD CA"),
            (write(1, 7, true), "01 05 00 07 FF 00 3D FB"),
            (write_run(1, 0, 8, false), "01 0F 00 00 00 08 01 00 FE 95"),
            (read(1, 0, 8), "01 01 00 00 00 08 3D CC"),
        ];
        for (frame, text) in seen {
            assert_eq!(crate::frame::hex(&frame), text);
        }
        let on = write_run(1, 3, 11, true);
        assert_eq!(on[4..9], [0, 11, 2, 0xFF, 0x07], "no coil beyond the run");
    }

    #[test]
    fn answers_are_believed_only_whole_and_fitting() {
        let asked = read(1, 0, 8);
        let reply = [0x01, 0x01, 0x01, 0x81, 0x91, 0xE8];
        assert_eq!(data(&asked, &reply), Ok(&[0x81][..]));
        let sent = write_run(1, 0, 8, false);
        let reply = [0x01, 0x0F, 0x00, 0x00, 0x00, 0x08, 0x54, 0x0D];
        assert_eq!(data(&sent, &reply), Ok(&[][..]));
        let error = data(&write(1, 99, true), &[0x01, 0x85, 0x02, 0xC3, 0x51]).unwrap_err();
        assert!(error.contains("address not there"), "{error}");
        let one = write(1, 0, true);
        assert_eq!(data(&one, &one), Ok(&[][..]), "it repeats the command");
        assert!(data(&one, &write(1, 1, true)).is_err());
        assert!(data(&one, &write(2, 0, true)).is_err());
        assert!(data(&asked, &one).is_err());
        let mut spoilt = one.clone();
        spoilt[3] ^= 1;
        assert!(data(&one, &spoilt).is_err());
        assert!(data(&one, &[]).is_err() && data(&one, &[1]).is_err());
    }

    #[test]
    fn lengths_are_known_from_the_first_bytes() {
        assert_eq!(length(&[1]), None);
        assert_eq!(length(&[1, 1]), None);
        assert_eq!(length(&[1, 1, 2]), Some(7));
        assert_eq!(length(&[1, 0x81]), Some(5));
        assert_eq!(length(&[1, 5]), Some(8));
        assert_eq!(length(&[1, 0x0F, 0]), Some(8));
    }
}
