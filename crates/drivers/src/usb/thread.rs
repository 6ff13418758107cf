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
    /// Longest time of a transfer from now on.
    Limit(Duration),
    Write(Vec<u8>),
    /// A message that must arrive, whatever became of those before it.
    Shout(Vec<u8>, oneshot::Sender<io::Result<()>>),
    Clear(oneshot::Sender<io::Result<()>>),
    Local(oneshot::Sender<io::Result<()>>),
}

/// The thread's side.
pub(super) struct Device {
    pub file: OwnedFd,
    /// Longest piece asked for at once.
    pub piece: usize,
    /// Longest time that a message may take.
    pub deadline: Duration,
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

/// Whether the instrument has halted the pipe, or not taken a message in time: a clear ends either.
fn is_halt(error: Errno) -> bool {
    matches!(error, Errno::PIPE | Errno::TIMEDOUT)
}

/// Writes a message in an emergency: where the pipe is `halted`, or turns out to be, it is cleared
/// first and the same message written once more. To be told twice to be off changes nothing. Gives
/// whether the pipe is still held to be halted: a clear that fails keeps no message back.
fn insist(
    halted: bool,
    mut write: impl FnMut() -> rustix::io::Result<()>,
    mut clear: impl FnMut() -> rustix::io::Result<()>,
) -> rustix::io::Result<bool> {
    if !halted {
        match write() {
            Ok(()) => return Ok(false),
            Err(error) if is_halt(error) => {}
            Err(error) => return Err(error),
        }
    }
    let cleared = clear();
    write().map(|()| cleared.is_err())
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
                Job::Limit(limit) => usbtmc_calls::set_timeout(&self.file, limit)
                    .map(|()| None)
                    .map_err(io::Error::from),
                Job::Shout(bytes, done) => {
                    let _ = done.send(self.shout(&bytes));
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

    /// Writes one message.
    fn write(&self, bytes: &[u8]) -> rustix::io::Result<()> {
        match rustix::io::write(&self.file, bytes)? {
            count if count == bytes.len() => Ok(()),
            // It went out in part and the driver has aborted the rest.
            _ => Err(Errno::IO),
        }
    }

    /// Writes a message that asks for nothing, and ends a halt that is in its way.
    fn shout(&mut self, bytes: &[u8]) -> io::Result<()> {
        let deadline = self.deadline;
        usbtmc_calls::set_timeout(&self.file, deadline)?;
        let halted = self.halted;
        self.halted = insist(
            halted,
            || self.write(bytes),
            || usbtmc_calls::clear(&self.file),
        )
        .map_err(|error| match is_halt(error) {
            true => io::Error::other(NotTaken(error)),
            false => error.into(),
        })?;
        Ok(())
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
        if self.halted {
            self.clear()?;
        }
        match self.write(bytes) {
            Ok(()) => {}
            Err(error) if is_halt(error) => {
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

#[cfg(test)]
mod tests {
    use super::*;

    /// What is done for a message where each write ends as stated, and how it ends.
    fn course(
        halted: bool,
        writes: &[rustix::io::Result<()>],
        clear: rustix::io::Result<()>,
    ) -> (String, rustix::io::Result<bool>) {
        let done = std::cell::RefCell::new(String::new());
        let mut ends = writes.iter().copied();
        let write = || {
            done.borrow_mut().push('w');
            ends.next().unwrap()
        };
        let cleared = || {
            done.borrow_mut().push('c');
            clear
        };
        let end = insist(halted, write, cleared);
        (done.into_inner(), end)
    }

    #[test]
    fn an_emergency_ends_a_halt_and_is_said_again() {
        let (halt, late, gone) = (Err(Errno::PIPE), Err(Errno::TIMEDOUT), Err(Errno::NODEV));
        for (halted, writes, clear, done, end) in [
            (false, &[Ok(())][..], Ok(()), "w", Ok(false)),
            (false, &[halt, Ok(())], Ok(()), "wcw", Ok(false)),
            (false, &[late, Ok(())], Ok(()), "wcw", Ok(false)),
            (true, &[Ok(())], Ok(()), "cw", Ok(false)),
            // A clear that fails keeps nothing back.
            (true, &[Ok(())], Err(Errno::IO), "cw", Ok(true)),
            (false, &[halt, halt], Ok(()), "wcw", Err(Errno::PIPE)),
            (false, &[gone], Ok(()), "w", Err(Errno::NODEV)),
        ] {
            assert_eq!(course(halted, writes, clear), (done.to_owned(), end));
        }
    }
}
