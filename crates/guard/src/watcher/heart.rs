//! The guard's side of the watcher: starts it, gives signs of life, sends it home.

use super::{
    BEAT, BEAT_EVERY, Brief, DONE, PATIENCE, READY, Twins, UNANSWERED, UNSAFE, Watched,
    WatcherProcess, Watching,
};
use crate::fault::Fault;
use rustix::process::{PidfdFlags, getpid, pidfd_open};
use std::convert::Infallible;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::net::UnixStream as Pair;
use std::process::{Child, Command, Stdio};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;
use tokio::sync::watch;
use tokio::time::{sleep, timeout};

/// Gives signs of life for as long as [`Heart::beat`] is polled. Dropped without
/// [`Heart::dismiss`], it has the watcher act.
pub(crate) struct Heart(Option<Beating>);

struct Beating {
    watcher: Child,
    line: UnixStream,
    lost: watch::Sender<Option<String>>,
}

impl Heart {
    /// Sees to it that somebody watches, and proves it.
    pub async fn start(
        watching: Watching,
        brief: Brief,
        twins: Option<Twins>,
    ) -> Result<(Self, Watched), Fault> {
        let (lost, watched) = watch::channel(None);
        let refused = |text: &str| Err(Fault::Unwatched(text.to_owned()));
        let beating = match (watching, twins) {
            (Watching::InProcess, None) => None,
            (Watching::Process(process), Some(twins)) => {
                let brief = Brief {
                    report: process.report.clone(),
                    ..brief
                };
                let (watcher, line) = spawn(&process, &brief, &twins).await.map_err(|error| {
                    Fault::Unwatched(format!("the watcher process could not be started: {error}"))
                })?;
                Some(Beating {
                    watcher,
                    line,
                    lost,
                })
            }
            (Watching::InProcess, Some(_)) => {
                return refused("instruments outside this program need a watcher process");
            }
            (Watching::Process(_), None) => {
                return refused("a watcher process can't reach instruments inside this program");
            }
        };
        Ok((Self(beating), Watched(watched)))
    }

    /// Gives signs of life for ever; says once if nobody answers them.
    pub async fn beat(&mut self) -> Infallible {
        if let Some(beating) = &mut self.0 {
            let why = beating.until_lost().await;
            beating.lost.send_replace(Some(why));
        }
        std::future::pending().await
    }

    /// The run has ended: the watcher leaves a rig that is `safe` alone, and sees to any other.
    pub async fn dismiss(self, safe: bool) {
        let Some(mut beating) = self.0 else {
            return;
        };
        let word = if safe { DONE } else { UNSAFE };
        // Without an answer there is nobody to tell.
        let told = timeout(UNANSWERED, beating.line.write_all(&[word])).await;
        if matches!(told, Ok(Ok(()))) && !safe {
            return;
        }
        let mut rest = Vec::new();
        let left = timeout(UNANSWERED, beating.line.read_to_end(&mut rest)).await;
        if left.is_err() {
            // It hangs. When it woke up later, it might interfere with another run.
            let _ = beating.watcher.kill();
        }
        // It has closed its end or was killed: this takes no time.
        let _ = beating.watcher.wait();
    }
}

async fn spawn(
    process: &WatcherProcess,
    brief: &Brief,
    twins: &Twins,
) -> io::Result<(Child, UnixStream)> {
    let itself = pidfd_open(getpid(), PidfdFlags::empty())?;
    let (mut ours, theirs) = Pair::pair()?;
    ours.set_write_timeout(Some(PATIENCE))?;
    let mut watcher = Command::new(&process.program)
        .args(&process.arguments)
        .stdin(Stdio::from(OwnedFd::from(theirs)))
        // Whoever reads our output must not wait for the watcher to end as well.
        .stdout(Stdio::null())
        .spawn()?;
    let ready = async {
        brief.send(&mut ours, &itself, twins)?;
        ours.set_nonblocking(true)?;
        let mut line = UnixStream::from_std(ours)?;
        let mut word = [0];
        match timeout(PATIENCE, line.read_exact(&mut word)).await {
            Ok(Ok(_)) if word == [READY] => Ok(line),
            Ok(_) => Err(io::Error::other("it ended before it was ready")),
            Err(_) => Err(io::Error::other("it was not ready in time")),
        }
    };
    match ready.await {
        Ok(line) => Ok((watcher, line)),
        Err(error) => {
            // One that came round later would take the end of this try for that of a run.
            let _ = watcher.kill();
            let _ = watcher.wait();
            Err(error)
        }
    }
}

impl Beating {
    async fn until_lost(&mut self) -> String {
        loop {
            match timeout(UNANSWERED, self.exchange()).await {
                Ok(Ok(())) => sleep(BEAT_EVERY).await,
                Ok(Err(error)) => return format!("the watcher process is gone ({error})"),
                Err(_) => return "the watcher process no longer answers".to_owned(),
            }
        }
    }

    async fn exchange(&mut self) -> io::Result<()> {
        self.line.write_all(&[BEAT]).await?;
        let mut answer = [0];
        self.line.read_exact(&mut answer).await.map(drop)
    }
}
