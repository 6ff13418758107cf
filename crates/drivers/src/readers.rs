//! Every reader of what instruments send, as the fuzz campaign needs them: bytes in, nothing out, and
//! no panic whatever the bytes.

use crate::board;
use crate::echo::Echo;
use crate::frame::{Inbox, lossy};
use crate::picture::Picture;
use crate::reading::{Numbers, parse_reading};
use crate::resource::Resource;
use crate::text::{parse_bool, parse_bools, parse_error_entry};
use std::hint::black_box;

/// A reader of what came over a wire.
pub type Reader = fn(&[u8]);

/// A reader with its name and examples of what it understands.
pub type Entry = (&'static str, Reader, &'static [&'static [u8]]);

/// All readers.
pub const READERS: [Entry; 9] = [
    (
        "reading",
        |bytes| {
            for unit in ["V", ""] {
                let _ = black_box(parse_reading(&lossy(bytes), unit, &Numbers::default()));
            }
        },
        &[
            b"+1.23456789E-01",
            b"9.9E37",
            b"12.5 mV",
            b"-OL",
            b"1,2,3",
            b".5",
            b"nan",
        ],
    ),
    (
        "error entry",
        |bytes| drop(black_box(parse_error_entry(&lossy(bytes)))),
        &[
            b"-113,\"Undefined header;X,Y\"",
            b"+0,\"No error\"",
            b"0",
            b"-1,\"say \"\"no\"\"\"",
        ],
    ),
    (
        "truth values",
        |bytes| {
            let text = lossy(bytes);
            let _ = black_box((parse_bool(&text), parse_bools(&text, 3)));
        },
        &[b"1,0,ON", b"off", b"+1"],
    ),
    (
        "picture",
        |bytes| {
            let text = lossy(bytes);
            for picture in ["00.00", "00v0---", "0.000"] {
                let picture = Picture::parse(picture);
                let _ = black_box(picture.map(|p| (p.read(&text), p.write(&text))));
            }
        },
        &[b"12.34", b"150180", b"0.125K"],
    ),
    (
        "lines",
        |bytes| {
            let mut inbox = Inbox::default();
            for piece in bytes.chunks(7) {
                inbox.bytes.extend_from_slice(piece);
                while let Some(line) = inbox.next_line() {
                    let _ = black_box(line);
                }
                let _ = black_box((inbox.has_text(), inbox.take(3), inbox.take_mark("OK")));
            }
            let _ = black_box((inbox.excerpt(), inbox.take_all()));
        },
        &[b"first\r\nsecond\n", b"OK\r", b"> "],
    ),
    (
        "echo",
        |bytes| {
            let mut echo = Echo::new(true, "> ");
            echo.sent("V?");
            let _ = black_box(echo.strip(&lossy(bytes)));
        },
        &[b"V?", b"> > V?", b"> 1.5"],
    ),
    (
        "resource",
        |bytes| drop(black_box(lossy(bytes).parse::<Resource>())),
        &[
            b"TCPIP::host::5025::SOCKET",
            b"ASRL/dev/ttyUSB0::INSTR",
            b"USB::0x1::2::S::INSTR",
        ],
    ),
    (
        "answered frame",
        |bytes| {
            let _ = black_box(board::read_answered(bytes));
        },
        &[&[0xFD, 0x01, 0x05, 0xF9], &[0xFF, 0x01, 0x00, 0xFE]],
    ),
    (
        "Modbus frame",
        |bytes| {
            let _ = black_box(board::read_modbus(bytes));
        },
        &[
            &[0x01, 0x01, 0x01, 0x81, 0x91, 0xE8],
            &[0x01, 0x85, 0x02, 0xC3, 0x51],
            &[0x01, 0x0F, 0x00, 0x00, 0x00, 0x08, 0x54, 0x0D],
        ],
    ),
];
