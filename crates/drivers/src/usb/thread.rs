//! The thread of one USB link, which does the calls that block.

use super::NotTaken;
use rustix::io::Errno;
use std::io;
use std::os::fd::OwnedFd;
use std::time::Duration;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, error::TryRecvError};
use tokio::sync::oneshot;

/// First and longest pause between two looks at the status byte.
const LOOKS: (Duration, Duration) = (Duration::from_micros(200), Duration::from_millis(10));

/// What the link asks of its thread.
pub(super) enum Job {
    Write(Vec<u8>),
    Clear(oneshot::Sender<io::Result<()>>),
    Local(oneshot::Sender<io::Result<()>>),
}

/// The thread's side.
pub(super) struct Device {
    pub file: OwnedFd,
    /// Longest piece asked for at once.
    pub piece: usize,
    /// Longest answer.
    pub most: usize,
    /// Whether the status byte tells when an answer waits.
    pub status: bool,
    /// Whether the bus can give it back to its front panel.
    pub remote: bool,
    /// A message was not taken and the device not cleared since.
    pub halted: bool,
    pub inbox: UnboundedReceiver<Job>,
    pub outbox: UnboundedSender<io::Result<Vec<u8>>>,
}

impl Device {
    /// Serves until the link is dropped or the device is gone.
    pub fn serve(mut self) {
        let mut next = self.inbox.blocking_recv();
        while let Some(job) = next {
            let came = match job {
                Job::Clear(done) => {
                    // Nobody waits any more where the link was dropped.
                    let _ = done.send(self.clear());
                    Ok(None)
                }
                Job::Local(done) => {
                    let _ = done.send(self.local());
                    Ok(None)
                }
                Job::Write(bytes) => self.exchange(&bytes),
            };
            next = match came {
                Ok(Some(job)) => Some(job),
                Ok(None) => self.inbox.blocking_recv(),
                Err(error) => {
                    let _ = self.outbox.send(Err(error));
                    return;
                }
            };
        }
    }

    /// Clears the instrument, and the halt of its input with it.
    fn clear(&mut self) -> io::Result<()> {
        usbtmc_calls::clear(&self.file)?;
        self.halted = false;
        Ok(())
    }

    /// Tells the link that the instrument refused.
    fn not_taken(&self, error: Errno) {
        // Nobody waits any more where the link was dropped.
        let _ = self.outbox.send(Err(io::Error::other(NotTaken(error))));
    }

    fn local(&self) -> io::Result<()> {
        if self.remote {
            usbtmc_calls::go_to_local(&self.file)?;
            usbtmc_calls::set_remote(&self.file, false)?;
        }
        Ok(())
    }

    /// Writes one message, and reads its answer where it asks for one. Gives the job that came
    /// meanwhile and ended the wait.
    fn exchange(&mut self, bytes: &[u8]) -> io::Result<Option<Job>> {
        // An emergency comes without a clear before it.
        if self.halted {
            self.clear()?;
        }
        match rustix::io::write(&self.file, bytes) {
            Ok(count) if count == bytes.len() => {}
            // It went out in part and the driver has aborted the rest.
            Ok(_) => return Err(io::ErrorKind::WriteZero.into()),
            Err(error @ (Errno::PIPE | Errno::TIMEDOUT)) => {
                self.halted = true;
                self.not_taken(error);
                return Ok(None);
            }
            Err(error) => return Err(error.into()),
        }
        // By IEEE 488.2 a message asks for an answer exactly when it holds this.
        if !bytes.contains(&b'?') {
            return Ok(None);
        }
        let mut pause = LOOKS.0;
        while self.status {
            match self.inbox.try_recv() {
                Ok(job) => return Ok(Some(job)),
                Err(TryRecvError::Disconnected) => return Ok(None),
                Err(TryRecvError::Empty) => {}
            }
            if usbtmc_calls::status_byte(&self.file)? & usbtmc_calls::MESSAGE_AVAILABLE != 0 {
                break;
            }
            std::thread::sleep(pause);
            pause = (pause * 2).min(LOOKS.1);
        }
        self.read().map(|()| None)
    }

    /// Reads one answer to its end.
    fn read(&self) -> io::Result<()> {
        let mut space = vec![0; self.piece];
        let mut whole = 0;
        loop {
            let count = match rustix::io::read(&self.file, &mut space) {
                Ok(count) => count,
                // The driver has aborted the transfer: the answer is missing, the device is not.
                Err(Errno::TIMEDOUT) => return Ok(()),
                // The clear that follows ends the halt of the other pipe only.
                Err(error @ Errno::PIPE) => {
                    usbtmc_calls::clear_in_halt(&self.file)?;
                    self.not_taken(error);
                    return Ok(());
                }
                Err(error) => return Err(error.into()),
            };
            whole += count;
            let ended = usbtmc_calls::attributes(&self.file)? & usbtmc_calls::END_OF_MESSAGE != 0;
            let heard = self.outbox.send(Ok(space[..count].to_vec())).is_ok();
            if ended || count == 0 || !heard || whole > self.most {
                return Ok(());
            }
        }
    }
}
