//! A serial adapter of class CDC-ACM: bytes either way, and two modem lines.

use super::descriptors::{SERIAL, standard};
use super::{Done, Model, Request, Seen};
use std::io::{ErrorKind, Read, Write};
use std::os::unix::net::UnixStream;
use std::sync::{Arc, Mutex, PoisonError};

pub(crate) struct Adapter {
    serial: String,
    /// Towards the instrument.
    line: UnixStream,
    seen: Arc<Mutex<Seen>>,
    /// Speed, stop bits, parity and data bits, as they were set.
    coding: Vec<u8>,
}

impl Adapter {
    /// An adapter before a line that does not block.
    pub fn new(serial: &str, line: UnixStream, seen: Arc<Mutex<Seen>>) -> Self {
        Self {
            serial: serial.to_owned(),
            line,
            seen,
            coding: vec![0x80, 0x25, 0, 0, 0, 0, 8],
        }
    }

    fn control(&mut self, request: &Request) -> Done {
        if let Some(done) = standard(request, &SERIAL, &self.serial) {
            return done;
        }
        let [kind, code, v0, ..] = request.setup;
        match (kind, code) {
            (0x21, 0x20) => {
                self.coding.clone_from(&request.data);
                Done::Taken
            }
            (0xa1, 0x21) => request.answer(self.coding.clone()),
            (0x21, 0x22) => {
                let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
                seen.lines.push(v0 & 3);
                Done::Taken
            }
            (0x21, 0x23) => Done::Taken,
            _ => Done::Stalled,
        }
    }
}

impl Model for Adapter {
    fn take(&mut self, request: &Request) -> Option<Done> {
        match (request.endpoint, request.input) {
            (0, _) => Some(self.control(request)),
            (1, false) => match self.line.write_all(&request.data) {
                Ok(()) => Some(Done::Taken),
                Err(_) => Some(Done::Stalled),
            },
            (2, true) => {
                let mut data = vec![0; request.length];
                match self.line.read(&mut data) {
                    Ok(count @ 1..) => {
                        data.truncate(count);
                        Some(Done::Data(data))
                    }
                    // A line whose other end is closed stays silent.
                    Ok(0) => None,
                    Err(error) if error.kind() == ErrorKind::WouldBlock => None,
                    Err(_) => Some(Done::Stalled),
                }
            }
            // It reports no change of its lines.
            (3, true) => None,
            _ => Some(Done::Stalled),
        }
    }
}
