//! Where an instrument is found: a subset of the resource names of VPP-4.3 (IVI Foundation),
//! and `INPROC::name` for a stream inside this process.

use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// Where an instrument is found.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Resource {
    /// `TCPIP[board]::host::port::SOCKET`: a raw TCP socket.
    Tcp {
        /// Interface number; 0 unless several are fitted.
        board: u16,
        /// Host name or address; an IPv6 address stands in brackets in the text.
        host: String,
        /// TCP port. There is no usual one: 5025, 5555, 2268 and 7777 are all in use.
        port: u16,
    },
    /// `ASRL<number or path>::INSTR`: a serial port.
    Serial {
        /// Port number or device path.
        port: String,
    },
    /// `USB[board]::vendor::product::serial[::interface]::INSTR`: a USB test instrument.
    Usb {
        /// Interface board; 0 unless several are fitted.
        board: u16,
        /// Vendor number.
        vendor: u16,
        /// Product number.
        product: u16,
        /// Serial number as the instrument states it.
        serial: String,
        /// USB interface number where the device has several.
        interface: Option<u8>,
    },
    /// `/dev/usbtmcN`: a USB test instrument by its device. The number may change with a replug.
    UsbDevice {
        /// The device.
        path: String,
    },
    /// `INPROC::name`: a stream inside this process, as the simulated bench offers them.
    InProcess {
        /// Name of the instrument on the bench.
        name: String,
    },
    /// `by hand`: a person, who is asked at the terminal.
    ByHand,
}

/// Why a text is not a resource name.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
#[error("\"{text}\" is no resource name: {problem}; write for example {right}")]
pub struct ResourceError {
    /// The text as given.
    pub text: String,
    /// What is wrong with it.
    pub problem: String,
    /// A name that would be right.
    pub right: &'static str,
}

impl Resource {
    /// Whether it is a USB test instrument.
    pub fn is_usb(&self) -> bool {
        matches!(self, Self::Usb { .. } | Self::UsbDevice { .. })
    }
}

const TCP: &str = "TCPIP::192.168.1.20::5025::SOCKET";
const SERIAL: &str = "ASRL/dev/ttyUSB0::INSTR";
const USB: &str = "USB::0x1209::0x0001::SN0001::INSTR";
const BY_HAND: &str = "by hand";
const IN_PROCESS: &str = "INPROC::supply";

/// Longest text looked at; anything longer is no resource name.
const LONGEST: usize = 512;

impl FromStr for Resource {
    type Err = ResourceError;

    fn from_str(text: &str) -> Result<Self, ResourceError> {
        let fail = |problem: &str, right| ResourceError {
            text: text.chars().take(80).collect(),
            problem: problem.to_owned(),
            right,
        };
        let name = text.trim();
        if name.len() > LONGEST || name.chars().any(char::is_control) {
            return Err(fail("it is too long or holds control characters", TCP));
        }
        let result = if let Some(rest) = strip(name, "TCPIP") {
            tcp(rest).map_err(|problem| (problem, TCP))
        } else if let Some(rest) = strip(name, "ASRL") {
            serial(rest).map_err(|problem| (problem, SERIAL))
        } else if let Some(rest) = strip(name, "USB") {
            usb(rest).map_err(|problem| (problem, USB))
        } else if let Some(number) = name.strip_prefix("/dev/usbtmc") {
            usb_device(name, number).map_err(|problem| (problem, USB))
        } else if name.eq_ignore_ascii_case(BY_HAND) {
            Ok(Self::ByHand)
        } else if let Some(rest) = strip(name, "INPROC::") {
            in_process(rest).map_err(|problem| (problem, IN_PROCESS))
        } else {
            Err((
                "it starts with none of TCPIP, ASRL, USB and INPROC, nor is it \"by hand\"",
                TCP,
            ))
        };
        result.map_err(|(problem, right)| fail(problem, right))
    }
}

/// `text` without `prefix`, in any case.
fn strip<'a>(text: &'a str, prefix: &str) -> Option<&'a str> {
    let head = text.get(..prefix.len())?;
    head.eq_ignore_ascii_case(prefix)
        .then(|| &text[prefix.len()..])
}

/// `text` without `suffix`, in any case.
fn strip_end<'a>(text: &'a str, suffix: &str) -> Option<&'a str> {
    let at = text.len().checked_sub(suffix.len())?;
    text.get(at..)?
        .eq_ignore_ascii_case(suffix)
        .then(|| &text[..at])
}

/// The board number before the first `::`, and what follows it.
fn board(rest: &str) -> Result<(u16, &str), &'static str> {
    let (digits, rest) = rest.split_once("::").ok_or("there is no \"::\"")?;
    let number = if digits.is_empty() {
        Ok(0)
    } else {
        digits.parse()
    };
    Ok((number.map_err(|_| "the board is no number")?, rest))
}

fn tcp(rest: &str) -> Result<Resource, &'static str> {
    let (board, rest) = board(rest)?;
    let rest = strip_end(rest, "::SOCKET").ok_or("it does not end in ::SOCKET")?;
    let (host, port) = rest.rsplit_once("::").ok_or("the port is missing")?;
    let host = match host.strip_prefix('[') {
        Some(inner) => inner
            .strip_suffix(']')
            .ok_or("the bracket of the address is open")?,
        None if host.contains(':') => return Err("an IPv6 address stands in brackets"),
        None => host,
    };
    if host.is_empty() || host.contains(['[', ']', ' ']) {
        return Err("the host is missing or malformed");
    }
    let port = port
        .parse()
        .map_err(|_| "the port is no number from 1 to 65535")?;
    if port == 0 {
        return Err("the port is no number from 1 to 65535");
    }
    Ok(Resource::Tcp {
        board,
        host: host.to_owned(),
        port,
    })
}

fn serial(rest: &str) -> Result<Resource, &'static str> {
    let port = strip_end(rest, "::INSTR").ok_or("it does not end in ::INSTR")?;
    let number = !port.is_empty() && port.bytes().all(|byte| byte.is_ascii_digit());
    if !number && !port.starts_with('/') {
        return Err("the port is neither a number nor a device path");
    }
    Ok(Resource::Serial {
        port: port.to_owned(),
    })
}

fn usb(rest: &str) -> Result<Resource, &'static str> {
    let (board, rest) = board(rest)?;
    let rest = strip_end(rest, "::INSTR").ok_or("it does not end in ::INSTR")?;
    let fields: Vec<&str> = rest.split("::").collect();
    let (vendor, product, serial, interface) = match fields[..] {
        [vendor, product, serial] => (vendor, product, serial, None),
        [vendor, product, serial, interface] => (vendor, product, serial, Some(interface)),
        _ => return Err("vendor, product, serial number and at most an interface are needed"),
    };
    if serial.is_empty() || serial.ends_with(':') || serial.starts_with(':') {
        return Err("the serial number is missing");
    }
    let interface = interface.map(str::parse).transpose();
    Ok(Resource::Usb {
        board,
        vendor: number(vendor).ok_or("the vendor is no number up to 0xFFFF")?,
        product: number(product).ok_or("the product is no number up to 0xFFFF")?,
        serial: serial.to_owned(),
        interface: interface.map_err(|_| "the interface is no number up to 255")?,
    })
}

fn usb_device(path: &str, number: &str) -> Result<Resource, &'static str> {
    let plain = !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit());
    let path = path.to_owned();
    let usb = plain.then_some(Resource::UsbDevice { path });
    usb.ok_or("the device has no number")
}

/// A number written in hex with `0x`, or in decimal: both forms are in use.
fn number(text: &str) -> Option<u16> {
    match strip(text, "0x") {
        Some(hex) if !hex.starts_with('+') => u16::from_str_radix(hex, 16).ok(),
        Some(_) => None,
        None => text.parse().ok(),
    }
}

fn in_process(name: &str) -> Result<Resource, &'static str> {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || !name.chars().all(plain) {
        return Err("the name holds letters, digits, \"-\" and \"_\" only");
    }
    Ok(Resource::InProcess {
        name: name.to_owned(),
    })
}

impl fmt::Display for Resource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Board 0 is the one meant when none is written.
        let number = |board: &u16| {
            if *board == 0 {
                String::new()
            } else {
                board.to_string()
            }
        };
        match self {
            Self::Tcp { board, host, port } if host.contains(':') => {
                write!(f, "TCPIP{}::[{host}]::{port}::SOCKET", number(board))
            }
            Self::Tcp { board, host, port } => {
                write!(f, "TCPIP{}::{host}::{port}::SOCKET", number(board))
            }
            Self::Serial { port } => write!(f, "ASRL{port}::INSTR"),
            Self::Usb {
                board,
                vendor,
                product,
                serial,
                interface,
            } => {
                let board = number(board);
                write!(f, "USB{board}::0x{vendor:04X}::0x{product:04X}::{serial}")?;
                interface.map_or(Ok(()), |interface| write!(f, "::{interface}"))?;
                f.write_str("::INSTR")
            }
            Self::UsbDevice { path } => f.write_str(path),
            Self::InProcess { name } => write!(f, "INPROC::{name}"),
            Self::ByHand => f.write_str(BY_HAND),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Resource;

    #[test]
    fn names_are_read_and_written() {
        for (text, canonical) in [
            (
                "TCPIP::bench.local::5025::SOCKET",
                "TCPIP::bench.local::5025::SOCKET",
            ),
            (
                "tcpip0::10.0.0.2::5555::socket",
                "TCPIP::10.0.0.2::5555::SOCKET",
            ),
            (
                "TCPIP1::[fe80::1]::5025::SOCKET",
                "TCPIP1::[fe80::1]::5025::SOCKET",
            ),
            ("ASRL3::INSTR", "ASRL3::INSTR"),
            (
                "ASRL/dev/serial/by-path/x::INSTR",
                "ASRL/dev/serial/by-path/x::INSTR",
            ),
            (
                "USB0::4617::1::SN0001::0::INSTR",
                "USB::0x1209::0x0001::SN0001::0::INSTR",
            ),
            (
                "USB::0x1209::0x0001::SN0001::INSTR",
                "USB::0x1209::0x0001::SN0001::INSTR",
            ),
            ("/dev/usbtmc0", "/dev/usbtmc0"),
            ("INPROC::supply", "INPROC::supply"),
        ] {
            let resource: Resource = text.parse().unwrap();
            assert_eq!(resource.to_string(), canonical, "{text}");
            assert_eq!(canonical.parse::<Resource>().unwrap(), resource);
        }
    }

    #[test]
    fn refusals_say_what_would_be_right() {
        for (text, part) in [
            ("GPIB::5::INSTR", "none of TCPIP"),
            ("TCPIP::host::SOCKET", "port is missing"),
            ("TCPIP::host::0::SOCKET", "1 to 65535"),
            ("TCPIP::::5025::SOCKET", "host is missing"),
            ("TCPIP::fe80::1::5025::SOCKET", "in brackets"),
            ("TCPIP::host::5025::INSTR", "::SOCKET"),
            ("ASRLCOM3::INSTR", "neither a number nor a device path"),
            ("USB::0x12099::1::S::INSTR", "vendor"),
            ("USB::1::2::INSTR", "serial number"),
            ("/dev/usbtmc/../sda", "no number"),
            ("INPROC::a b", "letters"),
        ] {
            let error = text.parse::<Resource>().unwrap_err().to_string();
            assert!(
                error.contains(part) && error.contains("write for example"),
                "{error}"
            );
        }
    }
}
