//! How a link comes to be: over a socket, a port, a USB test instrument, a stream that is there
//! already, or the twin of another process's.

use super::{Link, LinkState, Stream};
use crate::error::LinkError;
use crate::frame::Wire;
use crate::port::Port;
use crate::resource::Resource;
use crate::serial;
use crate::usb;
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::time::timeout;
use tracing::warn;

/// Connects with Nagle's algorithm off: two small segments would otherwise cost 40 ms.
pub(crate) async fn connect(host: &str, port: u16) -> std::io::Result<TcpStream> {
    let stream = TcpStream::connect((host, port)).await?;
    stream.set_nodelay(true)?;
    Ok(stream)
}

fn unconnected(link: &str, error: &std::io::Error) -> LinkError {
    LinkError::Connect {
        link: link.to_owned(),
        cause: error.to_string(),
    }
}

impl Link {
    /// Connects to a raw TCP socket.
    ///
    /// # Errors
    /// When there is no connection within the wire's time for it.
    pub async fn tcp(host: &str, port: u16, wire: &Wire) -> Result<Self, LinkError> {
        let name = format!("TCPIP::{host}::{port}::SOCKET");
        match timeout(wire.connect, connect(host, port)).await {
            Ok(Ok(stream)) => {
                let twin = stream.as_fd().try_clone_to_owned();
                let twin = twin.map_err(|error| unconnected(&name, &error))?;
                let mut link = Self::over(Box::new(stream), &name, wire);
                link.twin = Some(twin);
                Ok(link)
            }
            Ok(Err(error)) => Err(unconnected(&name, &error)),
            Err(_) => {
                let cause = format!("nothing within {:?}", wire.connect);
                Err(LinkError::Connect { link: name, cause })
            }
        }
    }

    /// Opens a serial port as the wire's `serial` table has it, and waits for the banner of an
    /// instrument that starts anew by that.
    ///
    /// # Errors
    /// When the port can't be had; the message says what to do.
    pub async fn serial(port: &str, wire: &Wire) -> Result<Self, LinkError> {
        let name = format!("ASRL{port}::INSTR");
        let refused = |cause| LinkError::Port {
            link: name.clone(),
            cause,
        };
        let path = Path::new(port);
        if !path.is_absolute() {
            let text =
                "ports have no numbers here; write its path, such as ASRL/dev/ttyUSB0::INSTR";
            return Err(refused(text.to_owned()));
        }
        let file = serial::open(path, &wire.serial).map_err(refused)?;
        if let [lasting, ..] = serial::lasting_names(path).as_slice() {
            let better = lasting.display();
            warn!(
                link = %name,
                "this name may belong to another port after a replug; ASRL{better}::INSTR stays"
            );
        }
        let mut link =
            Self::on_port(file, &name, wire).map_err(|error| refused(error.to_string()))?;
        if !wire.banner.is_empty() {
            let started = link.port.receive_banner().await;
            link.noted(started)?;
        }
        Ok(link)
    }

    /// A link over an open serial port.
    fn on_port(file: OwnedFd, name: &str, wire: &Wire) -> std::io::Result<Self> {
        let twin = file.try_clone()?;
        let mut link = Self::over(serial::stream(file)?, name, wire);
        link.twin = Some(twin);
        link.port.character = wire.serial.character();
        link.port.hint = ", the port went away; a service such as brltty may have taken it";
        Ok(link)
    }

    /// Opens what a rig file names.
    ///
    /// # Errors
    /// As [`Link::tcp`] and [`Link::serial`]; other resources can't be opened by their name.
    pub async fn open(resource: &Resource, wire: &Wire) -> Result<Self, LinkError> {
        match resource {
            Resource::Tcp { host, port, .. } => Self::tcp(host, *port, wire).await,
            Resource::Serial { port } => Self::serial(port, wire).await,
            Resource::Usb {
                vendor,
                product,
                serial,
                interface,
                ..
            } => {
                let list = Path::new("/sys/class/usbmisc");
                let device = usb::find(list, (*vendor, *product), serial, *interface);
                Self::usb(&resource.to_string(), device, wire).await
            }
            Resource::UsbDevice { path } => {
                Self::usb(&resource.to_string(), Ok(path.into()), wire).await
            }
            Resource::InProcess { .. } | Resource::ByHand => Err(LinkError::Port {
                link: resource.to_string(),
                cause: "it is no instrument outside this program".to_owned(),
            }),
        }
    }

    /// Opens a USB test instrument that was found, or says why it was not.
    async fn usb(
        name: &str,
        device: Result<PathBuf, String>,
        wire: &Wire,
    ) -> Result<Self, LinkError> {
        let opened = match device {
            Ok(path) => usb::open(&path, wire.deadline).await,
            Err(why) => Err(why),
        };
        let link = opened
            .and_then(|file| Self::on_usb(file, name, wire).map_err(|error| error.to_string()));
        link.map_err(|cause| LinkError::Port {
            link: name.to_owned(),
            cause,
        })
    }

    /// A link over an open USB test instrument.
    fn on_usb(file: OwnedFd, name: &str, wire: &Wire) -> std::io::Result<Self> {
        let twin = file.try_clone()?;
        let (stream, calls) = usb::stream(file, wire)?;
        let mut link = Self::over_usb(stream, calls, name, wire);
        link.twin = Some(twin);
        Ok(link)
    }

    /// A link over a USB test instrument's stream and calls.
    pub(crate) fn over_usb(
        stream: usb::UsbStream,
        calls: usb::Calls,
        name: &str,
        wire: &Wire,
    ) -> Self {
        let mut link = Self::over(Box::new(stream), name, wire);
        link.port.calls = Some(calls);
        link
    }

    /// A link over a stream that is open already.
    pub fn over(stream: Box<dyn Stream>, name: &str, wire: &Wire) -> Self {
        Self {
            port: Port::new(stream, name, wire),
            state: LinkState::Clean,
            fresh: true,
            unidentified: 0,
            outstanding: Duration::ZERO,
            twin: None,
        }
    }

    /// A link over a connection that another process has opened and used, from its twin. It is
    /// dirty: answers may be outstanding, and a command may have gone out in part.
    ///
    /// # Errors
    /// When the handle is neither a TCP connection nor a serial port nor a USB test instrument.
    pub fn adopt(twin: OwnedFd, name: &str, wire: &Wire) -> Result<Self, LinkError> {
        let adopted = if rustix::termios::isatty(&twin) {
            Self::on_port(twin, name, wire)
        } else if usb::is_one(&twin) {
            Self::on_usb(twin, name, wire)
        } else {
            let stream = std::net::TcpStream::from(twin);
            stream
                .set_nonblocking(true)
                .and_then(|()| TcpStream::from_std(stream))
                .map(|stream| Self::over(Box::new(stream), name, wire))
        };
        let mut link = adopted.map_err(|error| unconnected(name, &error))?;
        link.state = LinkState::Dirty;
        link.port.cut = true;
        Ok(link)
    }
}

#[cfg(test)]
mod tests {
    #[tokio::test]
    async fn small_segments_are_sent_at_once() {
        let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0))
            .await
            .unwrap();
        let port = listener.local_addr().unwrap().port();
        assert!(
            super::connect("127.0.0.1", port)
                .await
                .unwrap()
                .nodelay()
                .unwrap()
        );
    }
}
