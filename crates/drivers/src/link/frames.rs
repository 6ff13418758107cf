//! Exchanges of raw bytes over a link, under the same rules as those of lines.

use super::{Link, LinkState};
use crate::error::LinkError;
use crate::frame::hex;
use std::time::Duration;
use tokio::time::Instant;

impl Link {
    /// Asks one question that is answered by exactly `count` bytes, of any value.
    ///
    /// # Errors
    /// As [`Link::query`].
    pub(crate) async fn query_bytes(
        &mut self,
        line: &str,
        count: usize,
        deadline: Duration,
    ) -> Result<Vec<u8>, LinkError> {
        self.ready(line).await?;
        let deadline = self.allowed(deadline, line.len());
        self.ask(line, deadline).await?;
        let result =
            self.port
                .receive_frame(line, |_| Some(count), Instant::now() + deadline, deadline);
        let result = result.await;
        let bytes = self.noted(result)?;
        self.settle();
        Ok(bytes)
    }

    /// Sends a binary frame that has no answer.
    ///
    /// # Errors
    /// As [`Link::send`].
    pub(crate) async fn put(&mut self, frame: &[u8]) -> Result<(), LinkError> {
        self.in_step(&hex(frame)).await?;
        self.transmit_frame(frame).await?;
        self.state = LinkState::Clean;
        Ok(())
    }

    /// Sends a binary frame and gives the frame that answers it. `length` tells the length of an
    /// answer from its first bytes, as soon as these suffice. Where the dialect says that the wire
    /// repeats what is sent, exactly that is taken off.
    ///
    /// # Errors
    /// As [`Link::query`].
    pub(crate) async fn exchange(
        &mut self,
        frame: &[u8],
        length: impl Fn(&[u8]) -> Option<usize>,
    ) -> Result<Vec<u8>, LinkError> {
        let command = hex(frame);
        self.in_step(&command).await?;
        let deadline = self.allowed(self.port.wire.deadline, frame.len());
        self.transmit_frame(frame).await?;
        let until = Instant::now() + deadline;
        let mut echo = self.port.wire.echo;
        loop {
            let wanted = |bytes: &[u8]| match echo {
                true => Some(frame.len()),
                false => length(bytes),
            };
            let result = self.port.receive_frame(&command, wanted, until, deadline);
            let result = result.await;
            let reply = self.noted(result)?;
            if !echo {
                if self.port.inbox.rest().is_empty() {
                    self.settle();
                    return Ok(reply);
                }
                let link = self.name().to_owned();
                let (reply, extra) = (hex(&reply), hex(self.port.inbox.rest()));
                return Err(LinkError::Extra {
                    link,
                    command,
                    reply,
                    extra,
                });
            }
            if reply != frame {
                let (link, reply) = (self.name().to_owned(), hex(&reply));
                return Err(LinkError::NoEcho {
                    link,
                    command,
                    reply,
                });
            }
            echo = false;
        }
    }

    /// Waits until the line has been silent for as long as the missing answer may have taken, so
    /// that it can't be taken for the answer to what comes next.
    ///
    /// # Errors
    /// When the line does not fall quiet, or is gone.
    pub(crate) async fn fall_silent(&mut self) -> Result<(), LinkError> {
        self.not_gone("(waiting for silence)")?;
        let quiet = self.port.wire.quiet.max(self.outstanding);
        self.drain(quiet).await?;
        self.settle();
        Ok(())
    }

    /// Sends frames in an emergency, as [`Link::shout`] does with lines. Their answers, where there
    /// are any, are outstanding from then on.
    pub(crate) async fn shout_frames(
        &mut self,
        frames: &[Vec<u8>],
        answered: bool,
    ) -> Result<(), LinkError> {
        let before = self.state;
        if self.port.cut {
            // A frame that went out in part is given up by the other side in a pause.
            tokio::time::sleep(self.port.wire.pace).await;
        }
        for frame in frames {
            self.transmit_frame(frame).await?;
        }
        self.state = if answered { LinkState::Dirty } else { before };
        Ok(())
    }
}
