//! Serial ports: opened raw, held by this program alone, at the speed that the rig file states.
//!
//! The port is opened by descriptor and read without blocking, as a socket is, so that the watcher
//! process can be handed a duplicate: once the port is held exclusively, nobody can open it anew.

use crate::link::Stream;
use rustix::fs::{FlockOperation, Mode, OFlags, flock, open as open_file};
use rustix::io::Errno;
use rustix::termios::{
    ControlModes, InputModes, OptionalActions, QueueSelector, Termios, ioctl_tiocexcl, tcflush,
    tcgetattr, tcsetattr,
};
use serde::Deserialize;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::unix::pipe::{Receiver, Sender};

/// Where the system lists ports under names that outlive a replug.
const LASTING: [&str; 2] = ["/dev/serial/by-id", "/dev/serial/by-path"];

/// How a serial port is set: the table `serial` of a dialect's `[wire]`, or of an instrument in the
/// rig file, which then counts as a whole.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Serial {
    /// Bits per second.
    pub baud: u32,
    /// Bits of one character: 7 or 8.
    pub data_bits: DataBits,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits: 1 or 2.
    pub stop_bits: StopBits,
    /// Handshake by the lines RTS and CTS. A handshake by characters is always off, since binary
    /// answers may hold its characters.
    pub rts_cts: bool,
    /// Whether the system drops DTR when the port is closed. Boards that are reset by DTR are then
    /// reset at every opening; `false` spares them all but the first.
    pub hang_up: bool,
}

impl Default for Serial {
    fn default() -> Self {
        Self {
            baud: 9600,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            rts_cts: false,
            hang_up: true,
        }
    }
}

/// Bits of one character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "u8")]
pub enum DataBits {
    /// Seven.
    Seven,
    /// Eight.
    Eight,
}

impl TryFrom<u8> for DataBits {
    type Error = &'static str;
    fn try_from(bits: u8) -> Result<Self, Self::Error> {
        match bits {
            7 => Ok(Self::Seven),
            8 => Ok(Self::Eight),
            _ => Err("data_bits is 7 or 8"),
        }
    }
}

/// Parity bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Parity {
    /// None.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// Stop bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "u8")]
pub enum StopBits {
    /// One.
    One,
    /// Two.
    Two,
}

impl TryFrom<u8> for StopBits {
    type Error = &'static str;
    fn try_from(bits: u8) -> Result<Self, Self::Error> {
        match bits {
            1 => Ok(Self::One),
            2 => Ok(Self::Two),
            _ => Err("stop_bits is 1 or 2"),
        }
    }
}

impl Serial {
    /// Time that one character takes on the wire.
    pub fn character(&self) -> Duration {
        let data = match self.data_bits {
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        };
        let parity = u32::from(self.parity != Parity::None);
        let stop = match self.stop_bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        };
        Duration::from_secs(u64::from(1 + data + parity + stop)) / self.baud.max(1)
    }

    /// Makes `modes` these settings: raw, no handshake by characters, receiver on, modem lines not
    /// waited for.
    fn apply(&self, modes: &mut Termios) -> rustix::io::Result<()> {
        modes.make_raw();
        modes.input_modes -= InputModes::IXON | InputModes::IXOFF | InputModes::IXANY;
        let control = &mut modes.control_modes;
        *control -= ControlModes::CSIZE
            | ControlModes::PARENB
            | ControlModes::PARODD
            | ControlModes::CSTOPB
            | ControlModes::CRTSCTS
            | ControlModes::HUPCL;
        *control |= ControlModes::CREAD | ControlModes::CLOCAL;
        control.insert(match self.data_bits {
            DataBits::Seven => ControlModes::CS7,
            DataBits::Eight => ControlModes::CS8,
        });
        control.insert(match self.parity {
            Parity::None => ControlModes::empty(),
            Parity::Even => ControlModes::PARENB,
            Parity::Odd => ControlModes::PARENB | ControlModes::PARODD,
        });
        control.set(ControlModes::CSTOPB, self.stop_bits == StopBits::Two);
        control.set(ControlModes::CRTSCTS, self.rts_cts);
        control.set(ControlModes::HUPCL, self.hang_up);
        modes.set_speed(self.baud)
    }
}

/// Opens `port` and holds it alone. What was left unread in it is discarded.
///
/// # Errors
/// Why it can't be had, and what to do.
pub(crate) fn open(port: &Path, settings: &Serial) -> Result<OwnedFd, String> {
    // Without O_NONBLOCK the system waits for the carrier line of a modem.
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = open_file(port, flags, Mode::empty()).map_err(|error| refused(port, error))?;
    // As root, TIOCEXCL is passed over: the lock decides. For all others both do.
    flock(&file, FlockOperation::NonBlockingLockExclusive).map_err(|error| refused(port, error))?;
    let set = || -> rustix::io::Result<()> {
        ioctl_tiocexcl(&file)?;
        let mut modes = tcgetattr(&file)?;
        settings.apply(&mut modes)?;
        tcsetattr(&file, OptionalActions::Now, &modes)?;
        tcflush(&file, QueueSelector::IOFlush)
    };
    set().map_err(|error| match error {
        Errno::NOTTY => "it is no serial port".to_owned(),
        error => format!(
            "it does not take {} baud and its other settings ({error})",
            settings.baud
        ),
    })?;
    Ok(file)
}

/// The opened port as a stream.
///
/// # Errors
/// The system's, when it has no handles left.
pub(crate) fn stream(file: OwnedFd) -> io::Result<Box<dyn Stream>> {
    Ok(Box::new(PortStream {
        file: file.try_clone()?,
        reader: Receiver::from_owned_fd_unchecked(file)?,
        writer: None,
    }))
}

/// An opened port. It is waited on for room to write only while there is none: a port that has been
/// emptied would otherwise wake this program up between every command and its answer.
struct PortStream {
    file: OwnedFd,
    reader: Receiver,
    writer: Option<Sender>,
}

impl AsyncRead for PortStream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.reader).poll_read(cx, buffer)
    }
}

impl AsyncWrite for PortStream {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let this = &mut *self;
        let writer = match &mut this.writer {
            Some(writer) => writer,
            none => match rustix::io::write(&this.file, bytes) {
                Err(Errno::AGAIN | Errno::INTR) => {
                    none.insert(Sender::from_owned_fd_unchecked(this.file.try_clone()?)?)
                }
                result => return Poll::Ready(result.map_err(io::Error::from)),
            },
        };
        let poll = Pin::new(writer).poll_write(cx, bytes);
        if poll.is_ready() {
            this.writer = None;
        }
        poll
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

/// What to do about a port or device that is not free.
pub(crate) fn held_by_another() -> String {
    "another program holds it; end that one (if a run was killed just now, its watcher lets go \
     within a minute)"
        .to_owned()
}

/// What a refusal means and what to do about it.
fn refused(port: &Path, error: Errno) -> String {
    match error {
        Errno::BUSY | Errno::WOULDBLOCK => held_by_another(),
        Errno::ACCESS | Errno::PERM => {
            let group = group_of(port).unwrap_or_else(|| "that owns it".to_owned());
            format!(
                "no permission; join the group {group} (as root: usermod -a -G {group} USER) and \
                 log in anew"
            )
        }
        Errno::NOENT | Errno::NODEV | Errno::NXIO | Errno::IO => match ports().as_slice() {
            [] => format!(
                "there is no such port now ({error}); check the cable; where a port appears and \
                 vanishes at once, a service such as brltty has taken it"
            ),
            some => format!(
                "there is no such port now ({error}); there are {}",
                list(some)
            ),
        },
        error => error.to_string(),
    }
}

/// Name of the group that may open a port.
pub(crate) fn group_of(port: &Path) -> Option<String> {
    let gid = std::fs::metadata(port).ok()?.gid().to_string();
    let groups = std::fs::read_to_string("/etc/group").ok()?;
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, id) = (fields.next()?, fields.nth(1)?);
        (id == gid).then(|| name.to_owned())
    })
}

/// Ports under the names that outlive a replug.
fn ports() -> Vec<PathBuf> {
    let entries = LASTING
        .iter()
        .filter_map(|folder| std::fs::read_dir(folder).ok());
    let mut ports: Vec<PathBuf> = entries
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .collect();
    ports.sort();
    ports
}

fn list(ports: &[PathBuf]) -> String {
    let shown: Vec<String> = ports
        .iter()
        .map(|port| port.display().to_string())
        .collect();
    shown.join(", ")
}

/// The names under which `port` outlives a replug, where it was named by one that does not.
pub fn lasting_names(port: &Path) -> Vec<PathBuf> {
    if LASTING.iter().any(|folder| port.starts_with(folder)) {
        return Vec::new();
    }
    let Ok(device) = port.canonicalize() else {
        return Vec::new();
    };
    let same = |name: &PathBuf| name.canonicalize().is_ok_and(|other| other == device);
    ports().into_iter().filter(same).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_character_takes_its_bits() {
        let plain = Serial::default();
        assert_eq!(plain.character(), Duration::from_secs(10) / 9600);
        let slow = Serial {
            baud: 300,
            parity: Parity::Even,
            stop_bits: StopBits::Two,
            ..plain
        };
        assert_eq!(slow.character(), Duration::from_millis(40));
    }

    #[test]
    fn refusals_say_what_to_do() {
        let said = |error| refused(Path::new("/dev/null"), error);
        assert!(said(Errno::BUSY).contains("another program holds it"));
        assert!(said(Errno::WOULDBLOCK).contains("another program holds it"));
        assert!(said(Errno::ACCESS).contains("join the group"));
        assert!(said(Errno::NOENT).contains("no such port"));
        let error = open(Path::new("/dev/null"), &Serial::default()).unwrap_err();
        assert!(error.contains("no serial port"), "{error}");
    }
}
