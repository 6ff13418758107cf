//! What devices say of themselves, and the requests that all devices know.

use super::{Done, Request};

/// One device's descriptors.
pub(crate) struct Descriptors {
    device: [u8; 18],
    configuration: &'static [u8],
}

/// USB 2.0 of this class, vendor 0x1209 and this product (for tests only), texts 1 to 3.
const fn device(class: u8, product: u8) -> [u8; 18] {
    [
        18, 1, 0, 2, class, 0, 0, 64, 0x09, 0x12, product, 0, 0, 1, 1, 2, 3, 1,
    ]
}

/// One interface of class FE, subclass 3, protocol 1, with endpoints 01, 82 and 83.
pub(crate) const TMC: Descriptors = Descriptors {
    device: device(0, 1),
    configuration: &[
        9, 2, 39, 0, 1, 1, 0, 0xc0, 0, //
        9, 4, 0, 0, 3, 0xfe, 3, 1, 0, //
        7, 5, 0x01, 2, 0, 2, 0, //
        7, 5, 0x82, 2, 0, 2, 0, //
        7, 5, 0x83, 3, 2, 0, 1,
    ],
};

/// USBTMC 1.0 and its subclass 1.0: triggers none; 488.2, remote and local by the bus.
pub(crate) const TMC_CAPABILITIES: [u8; 24] = [
    1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0b110, 0b1111, 0, 0, 0, 0, 0, 0, 0, 0,
];

/// An interface of class 2, subclass 2, with endpoint 83, and its data on endpoints 01 and 82 of
/// another.
pub(crate) const SERIAL: Descriptors = Descriptors {
    device: device(2, 2),
    configuration: &[
        9, 2, 67, 0, 2, 1, 0, 0xc0, 0, //
        9, 4, 0, 0, 1, 2, 2, 1, 0, //
        5, 0x24, 0, 0x10, 1, //
        5, 0x24, 1, 0, 1, //
        4, 0x24, 2, 2, //
        5, 0x24, 6, 0, 1, //
        7, 5, 0x83, 3, 16, 0, 8, //
        9, 4, 1, 0, 2, 0x0a, 0, 0, 0, //
        7, 5, 0x01, 2, 0, 2, 0, //
        7, 5, 0x82, 2, 0, 2, 0,
    ],
};

/// Serves what all devices know; none for other requests.
pub(crate) fn standard(request: &Request, its: &Descriptors, serial: &str) -> Option<Done> {
    let [kind, code, v0, v1, ..] = request.setup;
    let data = match (kind, code) {
        // Descriptors.
        (0x80, 6) => match (v1, v0) {
            (1, _) => its.device.to_vec(),
            (2, _) => its.configuration.to_vec(),
            (3, 0) => vec![4, 3, 9, 4],
            (3, 3) => text(serial),
            (3, 2) => text("Model One"),
            (3, _) => text("Kestrel and Loom"),
            _ => return Some(Done::Stalled),
        },
        (0x80..=0x82, 0) => vec![0, 0],
        // Configuration, interface, and an endpoint's halt cleared.
        (0, 9) | (1, 11) | (2, 1) => return Some(Done::Taken),
        _ => return None,
    };
    Some(request.answer(data))
}

/// A descriptor of a text.
fn text(text: &str) -> Vec<u8> {
    let mut bytes = vec![0, 3];
    bytes.extend(text.encode_utf16().flat_map(u16::to_le_bytes));
    bytes[0] = u8::try_from(bytes.len()).unwrap_or(u8::MAX);
    bytes
}
