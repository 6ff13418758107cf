//! USB instruments for the kernel's virtual host controller: USB/IP over a socket, and on it a
//! USBTMC device with the subclass of IEEE 488.2, or a serial port of class CDC-ACM.
//!
//! A request for input stays pending until there is something to say or the kernel takes it back:
//! that is what makes a silent instrument silent.

mod acm;
mod descriptors;
mod device;

use acm::Adapter;
use device::Device;
pub use device::{Quirks, Seen};
use rustix::fd::AsRawFd;
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixStream;
use std::sync::{Arc, Mutex};
use std::time::Duration;

const SUBMIT: u32 = 1;
const UNLINK: u32 = 2;
const SUBMITTED: u32 = 3;
const UNLINKED: u32 = 4;
/// "Connection reset", as the kernel wants it for what it took back.
const TAKEN_BACK: i32 = -104;
/// How long to listen before looking whether an answer has become due.
const LISTEN: Duration = Duration::from_millis(2);

/// One request of the kernel.
pub(crate) struct Request {
    number: u32,
    pub endpoint: u32,
    pub input: bool,
    pub length: usize,
    pub setup: [u8; 8],
    pub data: Vec<u8>,
}

impl Request {
    /// As much of `data` as was asked for.
    pub fn answer(&self, mut data: Vec<u8>) -> Done {
        data.truncate(self.length);
        Done::Data(data)
    }
}

/// How a request ended.
pub(crate) enum Done {
    Data(Vec<u8>),
    Taken,
    Stalled,
}

/// A device plugged in; dropping it unplugs it.
pub struct Plugged {
    port: u32,
    /// What the device was told beside messages.
    pub seen: Arc<Mutex<Seen>>,
    _socket: UnixStream,
}

/// What is behind the endpoints.
trait Model: Send + 'static {
    /// Serves a request; none while there is nothing to say.
    fn take(&mut self, request: &Request) -> Option<Done>;
}

/// Plugs a test instrument into this port of the virtual controller.
///
/// # Errors
/// The system's, such as that there is no controller (module `vhci-hcd`).
pub fn plug(port: u32, serial: &str, quirks: Quirks) -> io::Result<Plugged> {
    let seen = Arc::<Mutex<Seen>>::default();
    let device = Device::new(serial, quirks, Arc::clone(&seen));
    attach(port, device, seen)
}

/// Plugs in a test instrument that passes each message on, as a line, and has its answers from
/// there: an instrument of the bench, whose lines these are, on USB.
///
/// # Errors
/// As [`plug`].
pub fn plug_before(port: u32, serial: &str, instrument: TcpStream) -> io::Result<Plugged> {
    let seen = Arc::<Mutex<Seen>>::default();
    instrument.set_nodelay(true)?;
    instrument.set_nonblocking(true)?;
    let device = Device::new(serial, Quirks::default(), Arc::clone(&seen)).before(instrument);
    attach(port, device, seen)
}

/// Plugs in a serial adapter, and gives the line behind it.
///
/// # Errors
/// As [`plug`].
pub fn plug_serial(port: u32, serial: &str) -> io::Result<(Plugged, UnixStream)> {
    let (line, far) = UnixStream::pair()?;
    line.set_nonblocking(true)?;
    let seen = Arc::<Mutex<Seen>>::default();
    let adapter = Adapter::new(serial, line, Arc::clone(&seen));
    Ok((attach(port, adapter, seen)?, far))
}

fn attach(port: u32, model: impl Model, seen: Arc<Mutex<Seen>>) -> io::Result<Plugged> {
    let (kernel, ours) = UnixStream::pair()?;
    std::thread::spawn(move || serve(ours, model));
    const HIGH_SPEED: u32 = 3;
    let line = format!(
        "{port} {} {} {HIGH_SPEED}",
        kernel.as_raw_fd(),
        0x10002 + port
    );
    std::fs::write("/sys/devices/platform/vhci_hcd.0/attach", line)?;
    let _socket = kernel;
    Ok(Plugged {
        port,
        seen,
        _socket,
    })
}

impl Drop for Plugged {
    fn drop(&mut self) {
        // It may be gone already.
        let _ = std::fs::write(
            "/sys/devices/platform/vhci_hcd.0/detach",
            self.port.to_string(),
        );
    }
}

fn word(bytes: &[u8], at: usize) -> u32 {
    let mut four = [0; 4];
    four.copy_from_slice(&bytes[4 * at..4 * at + 4]);
    u32::from_be_bytes(four)
}

/// Serves until the kernel closes the socket.
fn serve(mut socket: UnixStream, mut device: impl Model) -> io::Result<()> {
    let mut pending: Vec<Request> = Vec::new();
    let mut head = [0; 48];
    let mut have = 0;
    socket.set_read_timeout(Some(LISTEN))?;
    loop {
        match socket.read(&mut head[have..]) {
            Ok(0) => return Ok(()),
            Ok(count) => have += count,
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            Err(error) => return Err(error),
        }
        if have == head.len() {
            have = 0;
            let number = word(&head, 1);
            match word(&head, 0) {
                SUBMIT => pending.push(request(&mut socket, &head)?),
                UNLINK => {
                    let before = pending.len();
                    pending.retain(|request| request.number != word(&head, 5));
                    let found = pending.len() < before;
                    let status = if found { TAKEN_BACK } else { 0 };
                    answer(&mut socket, UNLINKED, number, status, 0, &[])?;
                }
                _ => return Err(io::ErrorKind::InvalidData.into()),
            }
        }
        // In order for each endpoint: what waits holds up only what comes after it there.
        let mut waiting = Vec::new();
        for request in std::mem::take(&mut pending) {
            let way = (request.endpoint, request.input);
            let held = waiting
                .iter()
                .any(|other: &Request| (other.endpoint, other.input) == way);
            let done = if held { None } else { device.take(&request) };
            let number = request.number;
            match done {
                None => waiting.push(request),
                Some(Done::Data(data)) => {
                    let length = data.len();
                    answer(&mut socket, SUBMITTED, number, 0, length, &data)?;
                }
                Some(Done::Taken) => {
                    answer(&mut socket, SUBMITTED, number, 0, request.length, &[])?;
                }
                Some(Done::Stalled) => {
                    const BROKEN_PIPE: i32 = -32;
                    answer(&mut socket, SUBMITTED, number, BROKEN_PIPE, 0, &[])?;
                }
            }
        }
        pending = waiting;
    }
}

/// The rest of a request, after its head.
fn request(socket: &mut UnixStream, head: &[u8; 48]) -> io::Result<Request> {
    let mut setup = [0; 8];
    setup.copy_from_slice(&head[40..48]);
    let input = word(head, 3) == 1;
    let length = word(head, 6) as usize;
    let mut data = vec![0; if input { 0 } else { length.min(1 << 20) }];
    socket.set_read_timeout(None)?;
    socket.read_exact(&mut data)?;
    socket.set_read_timeout(Some(LISTEN))?;
    Ok(Request {
        number: word(head, 1),
        endpoint: word(head, 4),
        input,
        length,
        setup,
        data,
    })
}

fn answer(
    socket: &mut UnixStream,
    kind: u32,
    number: u32,
    status: i32,
    length: usize,
    data: &[u8],
) -> io::Result<()> {
    let mut bytes = Vec::with_capacity(48 + data.len());
    for word in [kind, number, 0, 0, 0] {
        bytes.extend(word.to_be_bytes());
    }
    bytes.extend(status.to_be_bytes());
    bytes.extend(u32::try_from(length).unwrap_or(u32::MAX).to_be_bytes());
    bytes.resize(48, 0);
    bytes.extend(data);
    socket.write_all(&bytes)
}
