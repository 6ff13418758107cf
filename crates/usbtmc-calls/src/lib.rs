//! The calls that Linux's usbtmc driver takes on `/dev/usbtmcN` beside read and write: numbers and
//! types as in the kernel's `linux/usb/tmc.h`. Nothing else is in this crate, since it is the only
//! one that may hold `unsafe` code.

use rustix::io::Result;
use rustix::ioctl::{Getter, NoArg, Opcode, Setter, ioctl, opcode};
use std::os::fd::AsFd;
use std::time::Duration;

const GROUP: u8 = b'[';
const CLEAR: Opcode = opcode::none(GROUP, 2);
const CLEAR_IN_HALT: Opcode = opcode::none(GROUP, 7);
const SET_TIMEOUT: Opcode = opcode::write::<u32>(GROUP, 10);
const CAPABILITIES: Opcode = opcode::read::<u8>(GROUP, 17);
const STATUS_BYTE: Opcode = opcode::read::<u8>(GROUP, 18);
const REMOTE: Opcode = opcode::write::<u8>(GROUP, 19);
const GO_TO_LOCAL: Opcode = opcode::none(GROUP, 20);
const ATTRIBUTES: Opcode = opcode::read::<u8>(GROUP, 24);
const AUTO_ABORT: Opcode = opcode::write::<u8>(GROUP, 25);

/// Bit of [`capabilities`]: remote and local control can be told by the bus.
pub const REMOTE_LOCAL: u8 = 1 << 1;
/// Bit of [`capabilities`]: the interface is one of IEEE 488.2, so its status byte tells when an
/// answer waits.
pub const IEEE_488_2: u8 = 1 << 2;
/// Bit of the status byte: an answer waits.
pub const MESSAGE_AVAILABLE: u8 = 1 << 4;
/// Bit of [`attributes`]: that was the end of an answer.
pub const END_OF_MESSAGE: u8 = 1;

/// Clears the instrument's input and output and both pipes.
///
/// # Errors
/// The system's.
pub fn clear(device: impl AsFd) -> Result<()> {
    // SAFETY: the opcode takes no argument.
    unsafe { ioctl(device, NoArg::<CLEAR>::new()) }
}

/// Ends a halt of the pipe from the instrument.
///
/// # Errors
/// The system's.
pub fn clear_in_halt(device: impl AsFd) -> Result<()> {
    // SAFETY: the opcode takes no argument.
    unsafe { ioctl(device, NoArg::<CLEAR_IN_HALT>::new()) }
}

/// Longest time of one transfer; the driver takes no less than 100 ms.
///
/// # Errors
/// The system's.
pub fn set_timeout(device: impl AsFd, limit: Duration) -> Result<()> {
    let limit = u32::try_from(limit.as_millis()).unwrap_or(u32::MAX);
    // SAFETY: the opcode reads one u32, a time in milliseconds.
    unsafe { ioctl(device, Setter::<SET_TIMEOUT, u32>::new(limit.max(100))) }
}

/// What the interface can do beyond plain messages, as bits; 0 where it has no such part.
///
/// # Errors
/// The system's; `ENOTTY` for anything but a USB test instrument.
pub fn capabilities(device: impl AsFd) -> Result<u8> {
    // SAFETY: the opcode writes one u8.
    unsafe { ioctl(device, Getter::<CAPABILITIES, u8>::new()) }
}

/// The status byte, which an instrument gives even while it is busy.
///
/// # Errors
/// The system's.
pub fn status_byte(device: impl AsFd) -> Result<u8> {
    // SAFETY: the opcode writes one u8.
    unsafe { ioctl(device, Getter::<STATUS_BYTE, u8>::new()) }
}

/// Puts the instrument under remote control, or ends that.
///
/// # Errors
/// The system's.
pub fn set_remote(device: impl AsFd, on: bool) -> Result<()> {
    // SAFETY: the opcode reads one u8.
    unsafe { ioctl(device, Setter::<REMOTE, u8>::new(u8::from(on))) }
}

/// Gives the instrument back to its front panel.
///
/// # Errors
/// The system's.
pub fn go_to_local(device: impl AsFd) -> Result<()> {
    // SAFETY: the opcode takes no argument.
    unsafe { ioctl(device, NoArg::<GO_TO_LOCAL>::new()) }
}

/// Attributes of the piece of an answer that was read last, as bits.
///
/// # Errors
/// The system's.
pub fn attributes(device: impl AsFd) -> Result<u8> {
    // SAFETY: the opcode writes one u8.
    unsafe { ioctl(device, Getter::<ATTRIBUTES, u8>::new()) }
}

/// Whether the driver aborts a transfer that took too long by itself.
///
/// # Errors
/// The system's.
pub fn set_auto_abort(device: impl AsFd, on: bool) -> Result<()> {
    // SAFETY: the opcode reads one u8.
    unsafe { ioctl(device, Setter::<AUTO_ABORT, u8>::new(u8::from(on))) }
}
