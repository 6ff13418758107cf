//! Serial ports for real: instruments on pseudo-terminals.

use crate::serial::Outlet;
use rustix::fs::inotify::{self, CreateFlags, WatchFlags};
use rustix::fs::{OFlags, fcntl_setfl};
use rustix::pty::{OpenptFlags, grantpt, ioctl_tiocgptpeer, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::io;
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, Join};
use tokio::net::unix::pipe::{Receiver, Sender};
use tokio::sync::Notify;
use tokio::task::JoinSet;

/// One port; dropping it unplugs it.
pub struct Port {
    /// Where it can be opened.
    pub path: PathBuf,
    tasks: JoinSet<io::Result<()>>,
    /// Without an open handle on this side the other one reads an error between two clients.
    _kept: OwnedFd,
}

/// The instrument's end of a new pseudo-terminal.
struct End {
    path: PathBuf,
    stream: Join<Receiver, Sender>,
    kept: OwnedFd,
}

impl End {
    fn new() -> io::Result<Self> {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let end = openpt(flags)?;
        grantpt(&end)?;
        unlockpt(&end)?;
        let path = ptsname(&end, Vec::new())?;
        let path = PathBuf::from(path.into_string().map_err(io::Error::other)?);
        let kept = ioctl_tiocgptpeer(&end, flags)?;
        // A terminal that echoes would answer itself until a client has set it.
        let mut modes = tcgetattr(&kept)?;
        modes.make_raw();
        tcsetattr(&kept, OptionalActions::Now, &modes)?;
        fcntl_setfl(&end, OFlags::RDWR | OFlags::NONBLOCK)?;
        let writer = Sender::from_owned_fd_unchecked(end.try_clone()?)?;
        let reader = Receiver::from_owned_fd_unchecked(end)?;
        Ok(End {
            path,
            stream: tokio::io::join(reader, writer),
            kept,
        })
    }
}

impl Port {
    /// Serves an instrument on a new pseudo-terminal, on the current runtime.
    ///
    /// # Errors
    /// The operating system's.
    pub fn serve(outlet: Outlet) -> io::Result<Self> {
        let end = End::new()?;
        let mut tasks = JoinSet::new();
        tasks.spawn(watch(&end.path, Arc::clone(&outlet.opened))?);
        tasks.spawn(outlet.talk(end.stream));
        Ok(Port {
            path: end.path,
            tasks,
            _kept: end.kept,
        })
    }

    /// Two ports joined by a cable: what goes into one comes out of the other. They last as long as
    /// the runtime.
    ///
    /// # Errors
    /// The operating system's.
    pub fn cable() -> io::Result<[PathBuf; 2]> {
        let (mut one, mut other) = (End::new()?, End::new()?);
        let paths = [one.path.clone(), other.path.clone()];
        tokio::spawn(async move {
            let joined = tokio::io::copy_bidirectional(&mut one.stream, &mut other.stream).await;
            // The open handles on the far sides are let go of only now.
            drop((one, other));
            joined
        });
        Ok(paths)
    }

    /// Serves until the line breaks.
    pub async fn run(mut self) {
        while self.tasks.join_next().await.is_some() {}
    }
}

/// Tells `opened` each time the port is opened. It reads the watch's own file: what the events say
/// beyond their coming does not matter.
fn watch(
    path: &std::path::Path,
    opened: Arc<Notify>,
) -> io::Result<impl Future<Output = io::Result<()>> + use<>> {
    let events = inotify::init(CreateFlags::CLOEXEC | CreateFlags::NONBLOCK)?;
    inotify::add_watch(&events, path, WatchFlags::OPEN)?;
    let mut events = Receiver::from_owned_fd_unchecked(events)?;
    Ok(async move {
        let mut space = [0; 512];
        while events.read(&mut space).await? > 0 {
            opened.notify_one();
        }
        Ok(())
    })
}
