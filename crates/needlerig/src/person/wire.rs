//! What a person has in the hand, as the other end of a wire.
//!
//! Commands only say what is wanted. It is the question after them that asks the person, so that the one
//! command that can't wait, to switch off, is told at once, whatever is being asked.

use std::future::Future;
use std::io;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, DuplexStream};

/// What is told when the run ends before an answer.
const ENDED: &str = "ENDED";

/// Something that a person sets.
pub(crate) trait Hand: Send + 'static {
    /// Takes what is wanted from now on; no for a question.
    fn told(&mut self, line: &str) -> bool;

    /// The answer to a question, which may take a person; none once the run has ended before it.
    fn asked(&mut self, line: &str) -> impl Future<Output = Option<String>> + Send;
}

/// Serves the wire until its other end is closed.
///
/// # Errors
/// The wire's.
pub(crate) async fn serve(mut hand: impl Hand, wire: DuplexStream) -> io::Result<()> {
    let (reader, mut writer) = tokio::io::split(wire);
    let mut lines = BufReader::new(reader).lines();
    let mut next = lines.next_line().await?;
    while let Some(line) = next.take() {
        if !hand.told(&line) {
            let reply = tokio::select! {
                biased;
                // Whoever asks anew no longer waits for this answer.
                newer = lines.next_line() => {
                    next = newer?;
                    continue;
                }
                reply = hand.asked(&line) => reply.unwrap_or(ENDED.to_owned()) + "\n",
            };
            writer.write_all(reply.as_bytes()).await?;
        }
        next = lines.next_line().await?;
    }
    Ok(())
}
