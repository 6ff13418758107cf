//! A test instrument: the messages of USBTMC 1.0, and a small instrument of IEEE 488.2.

use super::descriptors::{TMC, TMC_CAPABILITIES, standard};
use super::{Done, Model, Request};
use std::collections::VecDeque;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

const PACKET: usize = 512;
const OUT: u8 = 0x01;
const IN: u8 = 0x82;
/// Most bytes that an instrument with one header names there.
const LIE: usize = 500;
const SUCCESS: u8 = 1;
const FAILED: u8 = 0x80;

/// What some instruments do otherwise.
#[derive(Clone, Copy, Debug, Default)]
pub struct Quirks {
    /// No empty packet ends a transfer of whole packets.
    pub no_empty_packet: bool,
    /// Messages are ignored before remote control.
    pub needs_remote: bool,
    /// An answer has one header, which names 500 bytes at most and always an end; another request
    /// begins the answer anew.
    pub one_header: bool,
    /// Messages with padding are ignored.
    pub no_padding: bool,
    /// Of each packet only so many bytes are read.
    pub reads: Option<usize>,
    /// The first message is lost.
    pub deaf_at_first: bool,
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
    /// What ended a halt, in order: a pipe by its address, or 0 for the clear of the instrument.
    pub cures: Vec<u8>,
    /// States of DTR (1) and RTS (2), as they were set.
    pub lines: Vec<u8>,
}

pub(crate) struct Device {
    serial: String,
    quirks: Quirks,
    seen: Arc<Mutex<Seen>>,
    /// Text of a message of which more is to come.
    heard: Vec<u8>,
    /// An answer, and when it is there.
    answer: Option<(Instant, VecDeque<u8>)>,
    /// What it passes its messages on to, and what has come from there.
    beyond: Option<TcpStream>,
    line: Vec<u8>,
    /// Tag and length of the input asked for.
    wanted: Option<(u8, usize)>,
    /// Bytes of the transfer under way; an end without bytes is an empty packet.
    transfer: Option<VecDeque<u8>>,
    /// Packets for the interrupt endpoint.
    interrupts: VecDeque<Vec<u8>>,
    /// The pipes that are halted, by their addresses.
    halted: Vec<u8>,
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
            beyond: None,
            line: Vec::new(),
            wanted: None,
            transfer: None,
            interrupts: VecDeque::new(),
            halted: Vec::new(),
            hung: false,
        }
    }

    fn note(&self, note: impl FnOnce(&mut Seen)) {
        note(&mut self.seen.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// The device before an instrument that speaks lines.
    pub fn before(mut self, instrument: TcpStream) -> Self {
        self.beyond = Some(instrument);
        self
    }

    /// Takes what has come from the instrument behind; a whole line is an answer.
    fn listen(&mut self) {
        let Some(beyond) = &mut self.beyond else {
            return;
        };
        let mut chunk = [0; 512];
        // Nothing there, or no longer anything there: the device is silent either way.
        while let Ok(count @ 1..) = beyond.read(&mut chunk) {
            self.line.extend(&chunk[..count]);
        }
        if self.line.ends_with(b"\n") {
            let line = std::mem::take(&mut self.line);
            self.answer = Some((Instant::now(), line.into()));
        }
    }
}

impl Model for Device {
    fn take(&mut self, request: &Request) -> Option<Done> {
        self.listen();
        match (request.endpoint, request.input) {
            (0, _) => Some(self.control(request)),
            (1, false) if self.halted.contains(&OUT) => Some(Done::Stalled),
            (2, true) if self.halted.contains(&IN) => Some(Done::Stalled),
            (1, false) => {
                self.output(&request.data);
                Some(Done::Taken)
            }
            (2, true) => self.input(request.length).map(Done::Data),
            (3, true) => self.interrupts.pop_front().map(Done::Data),
            _ => Some(Done::Stalled),
        }
    }
}

impl Device {
    fn ready(&self) -> bool {
        let due = |(at, _): &(Instant, _)| *at <= Instant::now();
        self.answer.as_ref().is_some_and(due)
    }

    /// A message, or the request for an answer.
    fn output(&mut self, data: &[u8]) {
        let [kind, tag, _, _, l0, l1, l2, l3, attributes, ..] = *data else {
            self.halted.push(OUT);
            return;
        };
        let length = u32::from_le_bytes([l0, l1, l2, l3]) as usize;
        match kind {
            1 => {
                if self.quirks.no_padding && data.len() != 12 + length {
                    return;
                }
                let reads = self.quirks.reads.unwrap_or(PACKET);
                let packets = data.chunks(PACKET);
                let read = packets.flat_map(|packet| packet.iter().take(reads));
                self.heard.extend(read.skip(12).take(length));
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
            _ => self.halted.push(OUT),
        }
    }

    fn hear(&mut self, message: &str) {
        if std::mem::take(&mut self.quirks.deaf_at_first) {
            return;
        }
        self.note(|seen| seen.messages.push(message.to_owned()));
        let remote = self
            .seen
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .remote;
        if self.quirks.needs_remote && !remote {
            return;
        }
        if let Some(beyond) = &mut self.beyond {
            self.answer = None;
            // A line that does not get through is never answered.
            let _ = beyond.write_all(format!("{message}\n").as_bytes());
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
            (":HALT", _) => {
                self.halted.push(OUT);
                return;
            }
            (":HALT?", _) => {
                self.halted.push(IN);
                (now, String::new())
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
            let part: Vec<u8> = if self.quirks.one_header {
                text.iter().copied().collect()
            } else {
                text.drain(..most.min(text.len())).collect()
            };
            let ended = text.is_empty() || self.quirks.one_header && part.len() <= LIE;
            let named = part.len().min(if self.quirks.one_header {
                LIE
            } else {
                usize::MAX
            });
            let length = u32::try_from(named).unwrap_or(u32::MAX).to_le_bytes();
            let mut transfer = VecDeque::from([2, tag, !tag, 0]);
            transfer.extend(length);
            let end = ended || self.quirks.one_header;
            transfer.extend([u8::from(end), 0, 0, 0]);
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
        let [kind, code, v0, ..] = request.setup;
        if (kind, code) == (2, 1) {
            let pipe = request.setup[4];
            self.halted.retain(|halted| *halted != pipe);
            self.note(|seen| seen.cures.push(pipe));
        }
        if let Some(done) = standard(request, &TMC, &self.serial) {
            return done;
        }
        let data = match (kind, code) {
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
                self.note(|seen| {
                    seen.clears += 1;
                    seen.cures.push(0);
                });
                self.hung = false;
                self.heard.clear();
                self.answer = None;
                self.wanted = None;
                self.transfer = None;
                vec![SUCCESS]
            }
            (0xa1, 6) => vec![SUCCESS, 0],
            (0xa1, 7) => TMC_CAPABILITIES.to_vec(),
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
        request.answer(data)
    }
}
