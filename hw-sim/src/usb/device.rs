//! The device: descriptors, the messages of USBTMC 1.0, and a small instrument of IEEE 488.2.

use super::{Done, Request};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

const PACKET: usize = 512;
const SUCCESS: u8 = 1;
const FAILED: u8 = 0x80;

/// What some instruments do otherwise.
#[derive(Clone, Copy, Debug, Default)]
pub struct Quirks {
    /// No empty packet ends a transfer of whole packets.
    pub no_empty_packet: bool,
    /// Messages are ignored before remote control.
    pub needs_remote: bool,
}

/// What the device was told beside messages.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Messages heard.
    pub messages: Vec<String>,
    /// Clears.
    pub clears: u32,
    /// Aborted inputs.
    pub aborts: u32,
    /// Whether remote control is on.
    pub remote: bool,
    /// How often it was sent back to local control.
    pub locals: u32,
    /// Requests for an answer that no question came before.
    pub unasked: u32,
}

pub(crate) struct Device {
    serial: String,
    quirks: Quirks,
    seen: Arc<Mutex<Seen>>,
    /// Text of a message of which more is to come.
    heard: Vec<u8>,
    /// An answer, and when it is there.
    answer: Option<(Instant, VecDeque<u8>)>,
    /// Tag and length of the input asked for.
    wanted: Option<(u8, usize)>,
    /// Bytes of the transfer under way; an end without bytes is an empty packet.
    transfer: Option<VecDeque<u8>>,
    /// Packets for the interrupt endpoint.
    interrupts: VecDeque<Vec<u8>>,
    stalled: bool,
    /// The host waits for the end of a transfer that has ended.
    hung: bool,
}

impl Device {
    pub fn new(serial: &str, quirks: Quirks, seen: Arc<Mutex<Seen>>) -> Self {
        Self {
            serial: serial.to_owned(),
            quirks,
            seen,
            heard: Vec::new(),
            answer: None,
            wanted: None,
            transfer: None,
            interrupts: VecDeque::new(),
            stalled: false,
            hung: false,
        }
    }

    fn note(&self, note: impl FnOnce(&mut Seen)) {
        note(&mut self.seen.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// Serves a request; none while there is nothing to say.
    pub fn take(&mut self, request: &Request) -> Option<Done> {
        match (request.endpoint, request.input) {
            (0, _) => Some(self.control(request)),
            (1, false) if self.stalled => Some(Done::Stalled),
            (1, false) => {
                self.output(&request.data);
                Some(Done::Taken)
            }
            (2, true) => self.input(request.length).map(Done::Data),
            (3, true) => self.interrupts.pop_front().map(Done::Data),
            _ => Some(Done::Stalled),
        }
    }

    fn ready(&self) -> bool {
        let due = |(at, _): &(Instant, _)| *at <= Instant::now();
        self.answer.as_ref().is_some_and(due)
    }

    /// A message, or the request for an answer.
    fn output(&mut self, data: &[u8]) {
        let [kind, tag, _, _, l0, l1, l2, l3, attributes, ..] = *data else {
            self.stalled = true;
            return;
        };
        let length = u32::from_le_bytes([l0, l1, l2, l3]) as usize;
        match kind {
            1 => {
                let text = data.get(12..12 + length).unwrap_or_default();
                self.heard.extend(text);
                if attributes & 1 != 0 {
                    let text = std::mem::take(&mut self.heard);
                    self.hear(String::from_utf8_lossy(&text).trim());
                }
            }
            2 => {
                if self.answer.is_none() {
                    self.note(|seen| seen.unasked += 1);
                }
                self.wanted = Some((tag, length));
            }
            // What no instrument knows halts the endpoint, until it is cleared.
            _ => self.stalled = true,
        }
    }

    fn hear(&mut self, message: &str) {
        self.note(|seen| seen.messages.push(message.to_owned()));
        let remote = self
            .seen
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .remote;
        if self.quirks.needs_remote && !remote {
            return;
        }
        let now = Instant::now();
        let (at, text) = match message.split_once(' ').unwrap_or((message, "")) {
            ("*IDN?", _) => (now, format!("KESTREL AND LOOM,TMC 1,{},1.0", self.serial)),
            (":SYST:ERR?", _) => (now, "0,\"No error\"".to_owned()),
            (":LONG?", count) => (now, "7".repeat(count.parse().unwrap_or(0))),
            (":SLOW?", ms) => {
                let wait = Duration::from_millis(ms.parse().unwrap_or(0));
                (now + wait, "+1.5E+00".to_owned())
            }
            _ => return,
        };
        self.answer = Some((at, format!("{text}\n").into_bytes().into()));
    }

    /// The next bytes of an answer for which there was a request.
    fn input(&mut self, room: usize) -> Option<Vec<u8>> {
        if self.hung {
            return None;
        }
        if self.transfer.is_none() && self.ready() {
            let (tag, most) = self.wanted?;
            let (_, text) = self.answer.as_mut()?;
            let part: Vec<u8> = text.drain(..most.min(text.len())).collect();
            let ended = text.is_empty();
            let length = u32::try_from(part.len()).unwrap_or(u32::MAX).to_le_bytes();
            let mut transfer = VecDeque::from([2, tag, !tag, 0]);
            transfer.extend(length);
            transfer.extend([u8::from(ended), 0, 0, 0]);
            transfer.extend(part);
            transfer.resize(transfer.len().next_multiple_of(4), 0);
            self.wanted = None;
            if ended {
                self.answer = None;
            }
            self.transfer = Some(transfer);
        }
        let transfer = self.transfer.as_mut()?;
        let packet: Vec<u8> = transfer.drain(..room.min(transfer.len())).collect();
        if transfer.is_empty() {
            // Whole packets don't tell that they were the last: an empty one does.
            let whole = !packet.is_empty() && packet.len().is_multiple_of(PACKET);
            self.hung = whole && self.quirks.no_empty_packet && packet.len() < room;
            let empty_one = whole && !self.quirks.no_empty_packet && packet.len() == room;
            self.transfer = empty_one.then(VecDeque::new);
        }
        if self.hung {
            return None;
        }
        Some(packet)
    }

    fn control(&mut self, request: &Request) -> Done {
        let [kind, code, v0, v1, ..] = request.setup;
        let data = match (kind, code) {
            // Descriptors.
            (0x80, 6) => match (v1, v0) {
                (1, _) => DEVICE.to_vec(),
                (2, _) => CONFIGURATION.to_vec(),
                (3, 0) => vec![4, 3, 9, 4],
                (3, 3) => text(&self.serial),
                (3, _) => text("Kestrel and Loom"),
                _ => return Done::Stalled,
            },
            (0x80..=0x82, 0) => vec![0, 0],
            // Configuration, interface, and an endpoint's halt cleared.
            (0, 9) | (1, 11) => return Done::Taken,
            (2, 1) => {
                self.stalled = false;
                return Done::Taken;
            }
            (0xa2, 1 | 2) => vec![SUCCESS, 0, 0, 0, 0, 0, 0, 0],
            (0xa2, 3) => {
                self.note(|seen| seen.aborts += 1);
                let asked = self.wanted.take().is_some();
                let under_way = asked || self.transfer.is_some() || self.hung;
                self.hung = false;
                if under_way {
                    // A short packet tells that nothing more of it will come.
                    self.transfer = Some(VecDeque::new());
                    self.answer = None;
                }
                vec![if under_way { SUCCESS } else { FAILED }, v0]
            }
            (0xa2, 4) => vec![SUCCESS, 0, 0, 0, 0, 0, 0, 0],
            (0xa1, 5) => {
                self.note(|seen| seen.clears += 1);
                self.hung = false;
                self.heard.clear();
                self.answer = None;
                self.wanted = None;
                self.transfer = None;
                vec![SUCCESS]
            }
            (0xa1, 6) => vec![SUCCESS, 0],
            (0xa1, 7) => CAPABILITIES.to_vec(),
            (0xa1, 128) => {
                let status = u8::from(self.ready()) << 4;
                self.interrupts.push_back(vec![v0 | 0x80, status]);
                vec![SUCCESS, v0, 0]
            }
            (0xa1, 160) => {
                self.note(|seen| seen.remote = v0 != 0);
                vec![SUCCESS]
            }
            (0xa1, 161) => {
                self.note(|seen| seen.locals += 1);
                vec![SUCCESS]
            }
            _ => return Done::Stalled,
        };
        let length = data.len().min(request.length);
        Done::Data(data[..length].to_vec())
    }
}

/// A descriptor of a text.
fn text(text: &str) -> Vec<u8> {
    let mut bytes = vec![0, 3];
    bytes.extend(text.encode_utf16().flat_map(u16::to_le_bytes));
    bytes[0] = u8::try_from(bytes.len()).unwrap_or(u8::MAX);
    bytes
}

/// USB 2.0, vendor 0x1209 and product 0x0001 (for tests only), texts 1 to 3.
const DEVICE: [u8; 18] = [18, 1, 0, 2, 0, 0, 0, 64, 0x09, 0x12, 1, 0, 0, 1, 1, 2, 3, 1];

/// One interface of class FE, subclass 3, protocol 1, with endpoints 01, 82 and 83.
const CONFIGURATION: [u8; 39] = [
    9, 2, 39, 0, 1, 1, 0, 0xc0, 0, //
    9, 4, 0, 0, 3, 0xfe, 3, 1, 0, //
    7, 5, 0x01, 2, 0, 2, 0, //
    7, 5, 0x82, 2, 0, 2, 0, //
    7, 5, 0x83, 3, 2, 0, 1,
];

/// USBTMC 1.0 and its subclass 1.0: triggers none; 488.2, remote and local by the bus.
const CAPABILITIES: [u8; 24] = [
    SUCCESS, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0b110, 0b1111, 0, 0, 0, 0, 0, 0, 0, 0,
];
