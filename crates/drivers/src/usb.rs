//! USB test instruments (USBTMC) through the kernel's own driver.
//!
//! That driver only blocks, so each link has a thread. It never reads unless a question was asked,
//! and where the instrument has a status byte it reads only once that says that an answer waits: a
//! slow answer then costs no aborted transfer, and the link's deadline can end the wait at any
//! moment.

mod fit;
mod list;
mod thread;

pub(crate) use list::find;
pub use list::usb_name;

use crate::frame::Wire;
use crate::serial::{group_of, held_by_another};
use crate::words::LONGEST_COMMAND;
use rustix::fs::{FlockOperation, Mode, OFlags, flock, open as open_file};
use rustix::io::Errno;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer};
use std::io;
use std::ops::RangeInclusive;
use std::os::fd::OwnedFd;
use std::path::Path;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use thread::{Device, Job};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::sync::oneshot;
use tokio::time::Instant;

/// Longest piece asked for at once, unless the dialect has a shorter one.
const PIECE: usize = 16_384;

/// What some instruments need on USB: the table `usb` of a dialect's `[wire]`. All off by default.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Usb {
    /// Longest piece of an answer asked for at once, in bytes. 496, for an instrument that leaves
    /// out the empty packet after a transfer of whole packets: no transfer then fills one.
    #[serde(deserialize_with = "piece")]
    pub piece: Option<usize>,
    /// The status byte is not to be trusted: answers are waited for without it.
    pub no_status: bool,
    /// Messages are filled up with spaces to a multiple of four bytes, for an instrument that does
    /// not take the padding that USBTMC wants.
    pub whole_words: bool,
    /// Longest message with its ending, in bytes. 52, for an instrument that reads no more than 64
    /// bytes of a packet. A longer one is not sent.
    #[serde(deserialize_with = "longest")]
    pub longest: Option<usize>,
}

fn piece<'de, D: Deserializer<'de>>(from: D) -> Result<Option<usize>, D::Error> {
    bytes(from, 4..=PIECE)
}

fn longest<'de, D: Deserializer<'de>>(from: D) -> Result<Option<usize>, D::Error> {
    bytes(from, 16..=LONGEST_COMMAND)
}

/// A number of bytes within what can be had.
fn bytes<'de, D: Deserializer<'de>>(
    from: D,
    range: RangeInclusive<usize>,
) -> Result<Option<usize>, D::Error> {
    let count = usize::deserialize(from)?;
    if range.contains(&count) {
        return Ok(Some(count));
    }
    let (low, high) = range.into_inner();
    let text = format!("{count} bytes; write a number from {low} to {high}");
    Err(D::Error::custom(text))
}

impl Usb {
    /// Longest message with its ending, as it goes out.
    pub(crate) fn longest_message(&self) -> Option<usize> {
        self.longest.map(|longest| match self.whole_words {
            true => longest - longest % 4,
            false => longest,
        })
    }

    /// Spaces to add to a message of so many bytes.
    pub(crate) fn filling(&self, length: usize) -> usize {
        match self.whole_words {
            true => length.next_multiple_of(4) - length,
            false => 0,
        }
    }
}

/// A message or its answer that the instrument refused by halting the pipe, or did not take in the
/// driver's time. The device is still there; it has to be cleared.
#[derive(Debug, thiserror::Error)]
#[error("USB: {0}")]
pub(crate) struct NotTaken(Errno);

impl NotTaken {
    /// Whether an error of the stream is one.
    pub fn is(error: &io::Error) -> bool {
        error.get_ref().is_some_and(|inner| inner.is::<Self>())
    }
}

/// Why a device can't be opened, and what to do.
fn refused(path: &Path, error: Errno) -> String {
    let shown = path.display();
    match error {
        Errno::ACCESS | Errno::PERM => no_permission(path, group_of(path)),
        Errno::BUSY => format!("{shown}: {}", held_by_another()),
        Errno::NOENT | Errno::NODEV | Errno::NXIO => {
            format!("{shown} is not there now ({error}); check the cable")
        }
        error => format!("{shown}: {error}"),
    }
}

/// What to do about a device that belongs to this group.
fn no_permission(path: &Path, group: Option<String>) -> String {
    let shown = path.display();
    match group.filter(|group| group != "root") {
        Some(group) => format!(
            "no permission for {shown}; join the group {group} (as root: usermod -a -G {group} USER) \
             and log in anew"
        ),
        None => format!(
            "no permission for {shown}, which belongs to root alone; a udev rule gives it to a \
             group, such as SUBSYSTEM==\"usbmisc\", KERNEL==\"usbtmc*\", GROUP=\"dialout\", \
             MODE=\"0660\" (then join that group, and plug the instrument in anew)"
        ),
    }
}

/// Opens a device and holds it alone: the system lets two programs open it without complaint. One
/// that is held is waited for so long.
///
/// # Errors
/// Why it can't be had, and what to do.
pub(crate) async fn open(path: &Path, patience: Duration) -> Result<OwnedFd, String> {
    let flags = OFlags::RDWR | OFlags::CLOEXEC;
    let file = open_file(path, flags, Mode::empty()).map_err(|error| refused(path, error))?;
    // A link that was dropped just now lets go once its thread has noticed.
    let until = Instant::now() + patience;
    loop {
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => break,
            Err(Errno::WOULDBLOCK) if Instant::now() < until => {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            Err(Errno::WOULDBLOCK) => return Err(held_by_another()),
            Err(error) => return Err(format!("{} can't be locked: {error}", path.display())),
        }
    }
    match usbtmc_calls::capabilities(&file) {
        Ok(_) => Ok(file),
        Err(Errno::NOTTY) => Err(format!("{} is no USB test instrument", path.display())),
        Err(error) => Err(refused(path, error)),
    }
}

/// Whether an open handle is one of a USB test instrument.
pub(crate) fn is_one(file: &OwnedFd) -> bool {
    usbtmc_calls::capabilities(file).is_ok()
}

/// Calls beside reading and writing.
#[derive(Clone)]
pub(crate) struct Calls {
    jobs: UnboundedSender<Job>,
    /// Whether the status byte tells when an answer waits: the thread then never waits in a read,
    /// where nothing else can be said.
    pub status: bool,
}

fn ended() -> io::Error {
    io::ErrorKind::BrokenPipe.into()
}

impl Calls {
    /// Clears the instrument and the pipes to it, after which nothing is outstanding.
    pub async fn clear(&self) -> io::Result<()> {
        self.call(Job::Clear).await
    }

    /// Gives the instrument back to its front panel, where it can be told.
    pub async fn local(&self) -> io::Result<()> {
        self.call(Job::Local).await
    }

    /// Sends messages in an emergency, each past a halt that is in its way. All are handed over at
    /// once, whether or not anybody waits for their end.
    pub async fn shout(&self, messages: Vec<Vec<u8>>) -> io::Result<()> {
        let mut ends = Vec::with_capacity(messages.len());
        for message in messages {
            let (done, end) = oneshot::channel();
            let job = Job::Shout(message, done);
            self.jobs.send(job).map_err(|_| ended())?;
            ends.push(end);
        }
        let mut result = Ok(());
        for end in ends {
            let end = end.await.map_err(|_| ended()).flatten();
            result = result.and(end);
        }
        result
    }

    /// How long a transfer may take from now on.
    pub fn limit(&self, limit: Duration) {
        // A thread that has ended is noticed by the message that follows.
        let _ = self.jobs.send(Job::Limit(limit));
    }

    async fn call(&self, job: fn(oneshot::Sender<io::Result<()>>) -> Job) -> io::Result<()> {
        let (done, answer) = oneshot::channel();
        self.jobs.send(job(done)).map_err(|_| ended())?;
        answer.await.map_err(|_| ended())?
    }
}

/// A device as a stream, served by its thread until it is dropped.
pub(crate) struct UsbStream {
    jobs: UnboundedSender<Job>,
    answers: UnboundedReceiver<io::Result<Vec<u8>>>,
    rest: Vec<u8>,
}

/// The device as a stream, and the other calls.
///
/// # Errors
/// When the device refuses its settings, or there is no thread to be had.
pub(crate) fn stream(file: OwnedFd, wire: &Wire) -> io::Result<(UsbStream, Calls)> {
    let capabilities = usbtmc_calls::capabilities(&file)?;
    usbtmc_calls::set_timeout(&file, wire.deadline)?;
    usbtmc_calls::set_auto_abort(&file, true)?;
    let remote = capabilities & usbtmc_calls::REMOTE_LOCAL != 0;
    if remote {
        usbtmc_calls::set_remote(&file, true)?;
    }
    let (jobs, inbox) = unbounded_channel();
    let (outbox, answers) = unbounded_channel();
    let status = capabilities & usbtmc_calls::IEEE_488_2 != 0 && !wire.usb.no_status;
    let device = Device {
        file,
        piece: wire.usb.piece.unwrap_or(PIECE),
        deadline: wire.deadline,
        most: wire.max_reply,
        status,
        remote,
        halted: false,
        inbox,
        outbox,
    };
    let thread = std::thread::Builder::new().name("usbtmc".to_owned());
    thread.spawn(move || device.serve())?;
    let stream = UsbStream {
        jobs: jobs.clone(),
        answers,
        rest: Vec::new(),
    };
    Ok((stream, Calls { jobs, status }))
}

/// A stream to a device that a test plays: it takes the jobs and gives the answers.
#[cfg(test)]
pub(crate) fn played(status: bool) -> (UsbStream, Calls, Played) {
    let (jobs, inbox) = unbounded_channel();
    let (outbox, answers) = unbounded_channel();
    let stream = UsbStream {
        jobs: jobs.clone(),
        answers,
        rest: Vec::new(),
    };
    (stream, Calls { jobs, status }, Played { inbox, outbox })
}

/// The other end of [`played`].
#[cfg(test)]
pub(crate) struct Played {
    inbox: UnboundedReceiver<Job>,
    outbox: UnboundedSender<io::Result<Vec<u8>>>,
}

#[cfg(test)]
impl Played {
    /// What it is told, until the link is dropped: messages as they are, one in an emergency behind
    /// "!", and "(clear)". What `answer` gives for a message is its answer, in pieces.
    pub async fn play(mut self, answer: impl Fn(usize, &str) -> Vec<&'static str>) -> Vec<String> {
        let mut heard = Vec::new();
        while let Some(job) = self.inbox.recv().await {
            match job {
                Job::Write(bytes) => {
                    let message = String::from_utf8(bytes).unwrap();
                    for piece in answer(heard.len(), message.trim_end()) {
                        let _ = self.outbox.send(Ok(piece.as_bytes().to_vec()));
                    }
                    heard.push(message);
                }
                Job::Shout(bytes, done) => {
                    heard.push(format!("!{}", String::from_utf8(bytes).unwrap()));
                    let _ = done.send(Ok(()));
                }
                Job::Clear(done) => {
                    heard.push("(clear)".to_owned());
                    let _ = done.send(Ok(()));
                }
                Job::Local(done) => {
                    let _ = done.send(Ok(()));
                }
                Job::Limit(_) => {}
            }
        }
        heard
    }
}

impl AsyncRead for UsbStream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let this = &mut *self;
        if this.rest.is_empty() {
            match ready!(this.answers.poll_recv(cx)) {
                Some(Ok(bytes)) => this.rest = bytes,
                Some(Err(error)) => return Poll::Ready(Err(error)),
                None => return Poll::Ready(Ok(())),
            }
        }
        let count = this.rest.len().min(buffer.remaining());
        buffer.put_slice(&this.rest[..count]);
        this.rest.drain(..count);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for UsbStream {
    fn poll_write(
        self: Pin<&mut Self>,
        _: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let sent = self.jobs.send(Job::Write(bytes.to_vec()));
        Poll::Ready(match sent {
            Ok(()) => Ok(bytes.len()),
            Err(_) => Err(io::ErrorKind::BrokenPipe.into()),
        })
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refusals_of_usb_instruments_say_what_to_do() {
        let said = |path: &str, error| refused(Path::new(path), error);
        for error in [Errno::ACCESS, Errno::PERM] {
            let of_root = said("/dev/null", error);
            for part in ["no permission", "SUBSYSTEM==\"usbmisc\"", "GROUP="] {
                assert!(of_root.contains(part), "{of_root}");
            }
        }
        let device = Path::new("/dev/usbtmc0");
        let of_group = no_permission(device, Some("dialout".to_owned()));
        assert!(of_group.contains("usermod -a -G dialout"), "{of_group}");
        assert!(!of_group.contains("udev"), "{of_group}");
        for error in [Errno::NOENT, Errno::NODEV, Errno::NXIO] {
            let gone = said("/dev/usbtmc0", error);
            assert!(gone.contains("not there now"), "{gone}");
            assert!(gone.contains("check the cable"), "{gone}");
        }
        let busy = said("/dev/usbtmc0", Errno::BUSY);
        assert!(busy.contains("another program holds it"), "{busy}");
        // What nobody foresaw is told by the system's own words, with the device.
        let other = said("/dev/usbtmc0", Errno::MFILE);
        assert!(other.starts_with("/dev/usbtmc0: "), "{other}");
    }

    #[tokio::test]
    async fn what_is_no_usb_instrument_is_not_talked_to() {
        let error = open(Path::new("/dev/null"), Duration::ZERO)
            .await
            .unwrap_err();
        assert!(error.contains("no USB test instrument"), "{error}");
    }

    #[tokio::test]
    async fn a_device_that_another_holds_is_waited_for_and_then_said_to_be_held() {
        let name = format!("needlerig-held-{}", std::process::id());
        let path = std::env::temp_dir().join(name);
        let holder = std::fs::File::create(&path).unwrap();
        holder.lock().unwrap();
        let error = open(&path, Duration::ZERO).await.unwrap_err();
        assert!(error.contains("another program holds it"), "{error}");
        // It lets go while it is waited for.
        let (found, let_go) = tokio::join!(
            biased;
            open(&path, Duration::from_secs(60)),
            async { holder.unlock() },
        );
        let_go.unwrap();
        let error = found.unwrap_err();
        assert!(error.contains("no USB test instrument"), "{error}");
        std::fs::remove_file(path).unwrap();
    }

    #[test]
    fn messages_are_filled_up_to_whole_words() {
        let whole = Usb {
            whole_words: true,
            ..Usb::default()
        };
        assert_eq!(
            [4, 5, 6, 7, 8].map(|length| whole.filling(length)),
            [0, 3, 2, 1, 0]
        );
        assert_eq!(Usb::default().filling(5), 0);
        let longest = Some(54);
        let whole = Usb { longest, ..whole };
        assert_eq!(whole.longest_message(), Some(52));
    }
}
