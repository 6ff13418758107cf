//! What the watcher is told before anything is energised, and how it gets the links.

use crate::fault::Fault;
use crate::rig::Rig;
use rustix::net::{
    RecvAncillaryBuffer, RecvAncillaryMessage, RecvFlags, SendAncillaryBuffer,
    SendAncillaryMessage, SendFlags, recvmsg, sendmsg,
};
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader, Error, IoSlice, IoSliceMut, Result, Write};
use std::mem::MaybeUninit;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;

/// Handles sent along: the process to be ended, the link to the supply, the link to the switch.
const HANDLES: usize = 3;

/// Second handles on the links that can make a rig safe.
#[derive(Debug)]
pub(crate) struct Twins {
    pub supply: OwnedFd,
    pub switch: OwnedFd,
}

impl Twins {
    /// Both, or none where both instruments are inside this process.
    pub fn of(
        supply: Option<OwnedFd>,
        switch: Option<OwnedFd>,
    ) -> std::result::Result<Option<Self>, Fault> {
        match (supply, switch) {
            (Some(supply), Some(switch)) => Ok(Some(Self { supply, switch })),
            (None, None) => Ok(None),
            _ => Err(Fault::Unwatched(
                "supply and switch must both be inside this program, or both outside".to_owned(),
            )),
        }
    }
}

/// What the watcher must know: it reads the rig from the same text.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Brief {
    /// The rig file.
    pub rig: String,
    /// Folder with dialects of the user's own.
    pub dialects: Option<PathBuf>,
    pub supply_identity: String,
    pub switch_identity: String,
    /// The process that is watched, for the report.
    pub process: u32,
    /// Where an incident is reported.
    pub report: PathBuf,
}

impl Brief {
    pub fn new(rig: &Rig, supply_identity: &str, switch_identity: &str) -> Self {
        Self {
            rig: rig.text.clone(),
            dialects: rig.dialects.clone(),
            supply_identity: supply_identity.to_owned(),
            switch_identity: switch_identity.to_owned(),
            process: std::process::id(),
            report: PathBuf::new(),
        }
    }

    /// Sends it with a handle on `process` and the links.
    pub fn send(&self, to: &mut UnixStream, process: &OwnedFd, twins: &Twins) -> Result<()> {
        let handles = [process.as_fd(), twins.supply.as_fd(), twins.switch.as_fd()];
        let mut space = [MaybeUninit::uninit(); rustix::cmsg_space!(ScmRights(HANDLES))];
        let mut along = SendAncillaryBuffer::new(&mut space);
        if !along.push(SendAncillaryMessage::ScmRights(&handles)) {
            return Err(Error::other("the links do not fit into one message"));
        }
        // A handle travels with at least one byte.
        sendmsg(&*to, &[IoSlice::new(b"\n")], &mut along, SendFlags::empty())?;
        let mut text = serde_json::to_string(self)?;
        text.push('\n');
        to.write_all(text.as_bytes())
    }

    /// Receives what [`Brief::send`] sent: the brief, the process, the links.
    pub fn receive(from: &UnixStream) -> Result<(Self, OwnedFd, Twins)> {
        let mut space = [MaybeUninit::uninit(); rustix::cmsg_space!(ScmRights(HANDLES))];
        let mut along = RecvAncillaryBuffer::new(&mut space);
        let mut byte = [0];
        recvmsg(
            from,
            &mut [IoSliceMut::new(&mut byte)],
            &mut along,
            RecvFlags::CMSG_CLOEXEC,
        )?;
        let mut handles = Vec::with_capacity(HANDLES);
        for message in along.drain() {
            if let RecvAncillaryMessage::ScmRights(some) = message {
                handles.extend(some);
            }
        }
        let handles: [OwnedFd; HANDLES] = handles
            .try_into()
            .map_err(|_| Error::other("the links did not come along"))?;
        let [process, supply, switch] = handles;
        let mut text = String::new();
        BufReader::new(from).read_line(&mut text)?;
        Ok((
            serde_json::from_str(&text)?,
            process,
            Twins { supply, switch },
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;

    #[test]
    fn brief_and_handles_arrive_in_their_places() {
        let (mut ours, theirs) = UnixStream::pair().unwrap();
        let (supply, mut supply_end) = UnixStream::pair().unwrap();
        let (switch, mut switch_end) = UnixStream::pair().unwrap();
        let process = OwnedFd::from(UnixStream::pair().unwrap().0);
        let twins = Twins {
            supply: supply.into(),
            switch: switch.into(),
        };
        let text = include_str!("../../../../rigs/simulated.toml");
        let rig = Rig::parse(text, "rigs/simulated.toml").unwrap();
        let brief = Brief::new(&rig, "A,supply,1,1", "A,switch,2,1");
        brief.send(&mut ours, &process, &twins).unwrap();
        drop(twins);
        let (received, _process, twins) = Brief::receive(&theirs).unwrap();
        assert_eq!(received, brief);
        for (twin, end, word) in [
            (twins.supply, &mut supply_end, b"supply"),
            (twins.switch, &mut switch_end, b"switch"),
        ] {
            UnixStream::from(twin).write_all(word).unwrap();
            let mut heard = Vec::new();
            end.read_to_end(&mut heard).unwrap();
            assert_eq!(heard, word);
        }
    }

    #[test]
    fn a_line_without_links_is_refused() {
        let (mut ours, theirs) = UnixStream::pair().unwrap();
        ours.write_all(b"\n{}\n").unwrap();
        let error = Brief::receive(&theirs).unwrap_err().to_string();
        assert!(error.contains("did not come along"), "{error}");
    }
}
