//! A pseudo-terminal: what a program opens as a serial port, with the instrument's end in hand.

use rustix::pty::{OpenptFlags, grantpt, ioctl_tiocgptpeer, openpt, ptsname, unlockpt};
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;

/// The instrument's end. Dropping it unplugs the port.
pub struct Pty {
    pub end: File,
    pub path: String,
    // It stays as it comes: a terminal that echoes and edits lines, which a driver must switch off.
    /// Without an open handle on the other side the instrument's end reads an error.
    _kept: OwnedFd,
}

impl Pty {
    pub fn new() -> Self {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let end = openpt(flags).expect("a pseudo-terminal");
        grantpt(&end).expect("granted");
        unlockpt(&end).expect("unlocked");
        let path = ptsname(&end, Vec::new()).expect("a name");
        let kept = ioctl_tiocgptpeer(&end, flags).expect("its other end");
        Self {
            end: File::from(end),
            path: path.into_string().expect("plain ASCII"),
            _kept: kept,
        }
    }

    /// Bytes until `count` have come.
    pub fn hear(&mut self, count: usize) -> Vec<u8> {
        let mut heard = vec![0; count];
        self.end.read_exact(&mut heard).expect("bytes");
        heard
    }

    pub fn say(&mut self, bytes: &[u8]) {
        self.end.write_all(bytes).expect("written");
    }

    pub fn unplug(self) {
        drop(self);
    }
}
