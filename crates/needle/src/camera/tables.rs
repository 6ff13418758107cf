//! The head of a JPEG picture: of a kind that cameras send, and with entropy tables. Many USB
//! cameras leave these out and mean those of ITU-T T.81, annex K.3.

use std::borrow::Cow;

/// Code counts by length, then values, of each table; with the table's class and number.
const TABLES: [(u8, [u8; 16], &[u8]); 4] = [
    (
        0x00,
        [0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0],
        &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11],
    ),
    (
        0x01,
        [0, 3, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0],
        &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11],
    ),
    (
        0x10,
        [0, 2, 1, 3, 3, 2, 4, 3, 5, 5, 4, 4, 0, 0, 1, 125],
        b"\x01\x02\x03\x00\x04\x11\x05\x12\x21\x31\x41\x06\x13\x51\x61\x07\x22\x71\x14\x32\
          \x81\x91\xa1\x08\x23\x42\xb1\xc1\x15\x52\xd1\xf0\x24\x33\x62\x72\x82\x09\x0a\x16\
          \x17\x18\x19\x1a\x25\x26\x27\x28\x29\x2a\x34\x35\x36\x37\x38\x39\x3a\x43\x44\x45\
          \x46\x47\x48\x49\x4a\x53\x54\x55\x56\x57\x58\x59\x5a\x63\x64\x65\x66\x67\x68\x69\
          \x6a\x73\x74\x75\x76\x77\x78\x79\x7a\x83\x84\x85\x86\x87\x88\x89\x8a\x92\x93\x94\
          \x95\x96\x97\x98\x99\x9a\xa2\xa3\xa4\xa5\xa6\xa7\xa8\xa9\xaa\xb2\xb3\xb4\xb5\xb6\
          \xb7\xb8\xb9\xba\xc2\xc3\xc4\xc5\xc6\xc7\xc8\xc9\xca\xd2\xd3\xd4\xd5\xd6\xd7\xd8\
          \xd9\xda\xe1\xe2\xe3\xe4\xe5\xe6\xe7\xe8\xe9\xea\xf1\xf2\xf3\xf4\xf5\xf6\xf7\xf8\
          \xf9\xfa",
    ),
    (
        0x11,
        [0, 2, 1, 2, 4, 4, 3, 4, 7, 5, 4, 4, 0, 1, 2, 119],
        b"\x00\x01\x02\x03\x11\x04\x05\x21\x31\x06\x12\x41\x51\x07\x61\x71\x13\x22\x32\x81\
          \x08\x14\x42\x91\xa1\xb1\xc1\x09\x23\x33\x52\xf0\x15\x62\x72\xd1\x0a\x16\x24\x34\
          \xe1\x25\xf1\x17\x18\x19\x1a\x26\x27\x28\x29\x2a\x35\x36\x37\x38\x39\x3a\x43\x44\
          \x45\x46\x47\x48\x49\x4a\x53\x54\x55\x56\x57\x58\x59\x5a\x63\x64\x65\x66\x67\x68\
          \x69\x6a\x73\x74\x75\x76\x77\x78\x79\x7a\x82\x83\x84\x85\x86\x87\x88\x89\x8a\x92\
          \x93\x94\x95\x96\x97\x98\x99\x9a\xa2\xa3\xa4\xa5\xa6\xa7\xa8\xa9\xaa\xb2\xb3\xb4\
          \xb5\xb6\xb7\xb8\xb9\xba\xc2\xc3\xc4\xc5\xc6\xc7\xc8\xc9\xca\xd2\xd3\xd4\xd5\xd6\
          \xd7\xd8\xd9\xda\xe2\xe3\xe4\xe5\xe6\xe7\xe8\xe9\xea\xf2\xf3\xf4\xf5\xf6\xf7\xf8\
          \xf9\xfa",
    ),
];

const BASELINE: u8 = 0xc0;
const EXTENDED: u8 = 0xc1;
const DEFINE_TABLES: u8 = 0xc4;
const START_OF_SCAN: u8 = 0xda;

/// The picture with entropy tables: its own, or the usual ones put in before its scan.
///
/// # Errors
/// When it has no proper head, or is not sequential: of a progressive picture nobody could tell
/// whether all of it has come.
pub(super) fn with_tables(jpeg: &[u8]) -> Result<Cow<'_, [u8]>, &'static str> {
    let mut tables = false;
    let mut at = 2;
    while let Some(&[0xff, marker, high, low]) = jpeg.get(at..at + 4) {
        match marker {
            DEFINE_TABLES => tables = true,
            BASELINE | EXTENDED => {}
            0xc2..=0xcf if marker != 0xc8 && marker != 0xcc => {
                return Err("the JPEG picture is not of the sequential kind that cameras send");
            }
            START_OF_SCAN if tables => return Ok(jpeg.into()),
            START_OF_SCAN => return Ok(put_in(jpeg, at).into()),
            _ => {}
        }
        at += 2 + usize::from(u16::from_be_bytes([high, low]));
    }
    Err("the JPEG picture has no proper head")
}

fn put_in(jpeg: &[u8], scan: usize) -> Vec<u8> {
    let mut whole = Vec::with_capacity(jpeg.len() + 512);
    whole.extend_from_slice(&jpeg[..scan]);
    for (class, counts, values) in TABLES {
        let length = (2 + 1 + counts.len() + values.len()) as u16;
        whole.extend_from_slice(&[0xff, DEFINE_TABLES]);
        whole.extend_from_slice(&length.to_be_bytes());
        whole.push(class);
        whole.extend_from_slice(&counts);
        whole.extend_from_slice(values);
    }
    whole.extend_from_slice(&jpeg[scan..]);
    whole
}
