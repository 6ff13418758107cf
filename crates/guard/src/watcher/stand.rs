//! The watcher's own process, from its start to its leave.

use super::{BEAT, Brief, DONE, Incident, PATIENCE, READY, SILENCE, Twins, UNSAFE, Why};
use crate::output::Output;
use crate::rig::Rig;
use crate::safe::make_safe;
use drivers::{Dialect, DriverError, Link, LinkState, Resource, Serial, Supply, Switch};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::retry_on_intr;
use rustix::process::{Signal, pidfd_send_signal, setsid};
use std::os::fd::OwnedFd;
use std::os::unix::net::UnixStream as Pair;
use std::time::{SystemTime, UNIX_EPOCH};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;
use tokio::time::{Duration, Instant, sleep, sleep_until, timeout};

/// How long a program that has closed its line may take to end by itself.
const GRACE: Duration = Duration::from_millis(100);
/// How long a killed program may take to be gone; nothing of it runs meanwhile.
const GONE_WITHIN: Duration = Duration::from_millis(300);
/// How long the watcher goes on trying to make a rig safe.
const KEEPS_TRYING: Duration = Duration::from_secs(60);
/// Pause between two attempts.
const TRIES_AGAIN: Duration = Duration::from_millis(250);

/// Stands watch over the process at the other end of `line`, the socket that a run gave this
/// process as its standard input. Returns when the run has ended; with what was done where
/// something had to be done. That is written to the file which the run named, too.
///
/// Signals are the caller's business: the watcher must outlive what ends the run.
///
/// # Errors
/// When this is no such socket, or the rig can't be taken over; nothing was energised then.
pub async fn stand_watch(line: OwnedFd) -> Result<Option<Incident>, String> {
    let line = Pair::from(line);
    let received = line
        .set_read_timeout(Some(PATIENCE))
        .and_then(|()| Brief::receive(&line));
    let (brief, process, twins) = received.map_err(|error| {
        format!("this command is for the program's own use: a run starts it by itself ({error})")
    })?;
    // Out of the terminal's reach, and of signals to the run's group.
    setsid().map_err(|error| format!("no session of its own: {error}"))?;
    let mut hands = Hands::take_over(&brief, twins).await?;
    let line = line.set_nonblocking(true).map(|()| line);
    let mut line = line
        .and_then(UnixStream::from_std)
        .map_err(|error| format!("the line to the run: {error}"))?;
    // A run that is gone already is noticed by listening.
    let _ = line.write_all(&[READY]).await;
    let Some(why) = listen(&mut line).await else {
        return Ok(None);
    };
    let began = Instant::now();
    let not_ended = match why {
        Why::Ended => end(&process, GRACE),
        Why::Silent => end(&process, Duration::ZERO),
        Why::NotSafe => None,
    };
    Ok(Some(hands.act(&brief, why, not_ended, began).await))
}

/// Listens until there is something to do, or until the run has ended well.
async fn listen(line: &mut UnixStream) -> Option<Why> {
    let mut heard = Instant::now();
    loop {
        let mut word = [0];
        // What has come is read before silence is thought of: this process may have been slow.
        let read = tokio::select! {
            biased;
            read = line.read(&mut word) => read,
            () = sleep_until(heard + SILENCE) => return Some(Why::Silent),
        };
        match (read, word) {
            (Ok(1), [BEAT]) => {
                heard = Instant::now();
                // A run that takes no answer is dealt with once it is silent.
                let _ = timeout(SILENCE, line.write_all(&[BEAT])).await;
            }
            (Ok(1), [DONE]) => return None,
            (Ok(1), [UNSAFE]) => return Some(Why::NotSafe),
            _ => return Some(Why::Ended),
        }
    }
}

/// Ends the process unless it ends by itself within `grace`. From then on nothing can be raised
/// again behind the watcher's back. Says why it could not be ended.
fn end(process: &OwnedFd, grace: Duration) -> Option<String> {
    if over_within(process, grace) {
        return None;
    }
    match pidfd_send_signal(process, Signal::KILL) {
        Ok(()) if over_within(process, GONE_WITHIN) => None,
        Ok(()) => Some("the run was killed, but its process is still there".to_owned()),
        Err(rustix::io::Errno::SRCH) => None,
        Err(error) => Some(format!("the run could not be ended: {error}")),
    }
}

/// Waits for the end of a process. This blocks: the watcher has nothing else to do meanwhile.
fn over_within(process: &OwnedFd, time: Duration) -> bool {
    let time = Timespec {
        tv_sec: 0,
        tv_nsec: time.subsec_nanos().into(),
    };
    let over = || poll(&mut [PollFd::new(process, PollFlags::IN)], Some(&time));
    retry_on_intr(over).is_ok_and(|count| count > 0)
}

/// What a rig is made safe with.
struct Hands {
    rig: Rig,
    supply_dialect: Dialect,
    switch_dialect: Dialect,
    output: Output,
    switch: Switch,
}

impl Hands {
    /// Reads the rig from the same text as the run did; asks the instruments nothing.
    async fn take_over(brief: &Brief, twins: Twins) -> Result<Self, String> {
        let mut rig = Rig::parse(&brief.rig, "the rig file").map_err(|error| error.to_string())?;
        rig.dialects.clone_from(&brief.dialects);
        let find = |name: &str, serial: Option<&Serial>| {
            let found = Dialect::find(name, rig.dialects.as_deref());
            found
                .map(|dialect| dialect.on_port(serial))
                .map_err(|error| error.to_string())
        };
        let supply_dialect = find(&rig.supply.dialect, rig.supply.serial.as_ref())?;
        let switch_dialect = find(&rig.switch.dialect, rig.switch.serial.as_ref())?;
        let adopt = |twin, resource: &Resource, dialect: &Dialect| {
            Link::adopt(twin, &resource.to_string(), &dialect.wire).map_err(DriverError::from)
        };
        let taken = async {
            let link = adopt(twins.supply, &rig.supply.resource, &supply_dialect)?;
            let output = supply(&rig, link, &supply_dialect, &brief.supply_identity).await?;
            let link = adopt(twins.switch, &rig.switch.resource, &switch_dialect)?;
            let switch = switch(&rig, link, &switch_dialect, &brief.switch_identity).await?;
            Ok::<_, DriverError>((output, switch))
        };
        let (output, switch) = taken.await.map_err(|error| error.to_string())?;
        Ok(Self {
            rig,
            supply_dialect,
            switch_dialect,
            output,
            switch,
        })
    }

    /// Makes the rig safe, again and again for [`KEEPS_TRYING`], and reports.
    async fn act(
        &mut self,
        brief: &Brief,
        why: Why,
        not_ended: Option<String>,
        began: Instant,
    ) -> Incident {
        let at = SystemTime::now().duration_since(UNIX_EPOCH);
        let mut incident = Incident {
            rig: self.rig.name.clone(),
            process: brief.process,
            at: at.map_or(0.0, |since| since.as_secs_f64()),
            why,
            safe: false,
            took: 0.0,
            attempts: 0,
            failures: Vec::new(),
        };
        loop {
            let report = make_safe(&self.rig, &mut self.output, &mut self.switch).await;
            incident.attempts += 1;
            incident.safe = report.verified;
            incident.took = began.elapsed().as_secs_f64();
            incident.failures = not_ended.clone().into_iter().collect();
            incident.failures.extend(report.failures);
            if let Err(error) = incident.write(&brief.report) {
                let place = brief.report.display();
                let text = format!("this report could not be kept in {place}: {error}");
                incident.failures.push(text);
            }
            if report.verified || began.elapsed() > KEEPS_TRYING {
                self.output.give_back().await;
                self.switch.give_back().await;
                return incident;
            }
            sleep(TRIES_AGAIN).await;
            self.reconnect(brief).await;
        }
    }

    /// Connects anew by the rig file's addresses where a link no longer serves.
    async fn reconnect(&mut self, brief: &Brief) {
        let rig = &self.rig;
        let (output, switch) = tokio::join!(
            biased;
            async {
                let link = connect(self.output.link(), &rig.supply.resource, &self.supply_dialect).await?;
                supply(rig, link, &self.supply_dialect, &brief.supply_identity).await.ok()
            },
            async {
                let link = connect(self.switch.state(), &rig.switch.resource, &self.switch_dialect).await?;
                switch(rig, link, &self.switch_dialect, &brief.switch_identity).await.ok()
            },
        );
        // Where that failed, the next attempt goes over the old link and says what is wrong.
        if let Some(output) = output {
            self.output = output;
        }
        if let Some(switch) = switch {
            self.switch = switch;
        }
    }
}

/// A new connection where the old one no longer serves. A serial port or USB device is held by the old
/// one for as long as it is there: only one that has vanished can be opened anew.
async fn connect(state: LinkState, resource: &Resource, dialect: &Dialect) -> Option<Link> {
    let needed = match resource {
        Resource::Serial { .. } | Resource::Usb { .. } | Resource::UsbDevice { .. } => {
            state == LinkState::Gone
        }
        _ => state != LinkState::Clean,
    };
    if !needed {
        return None;
    }
    Link::open(resource, &dialect.wire).await.ok()
}

async fn supply(
    rig: &Rig,
    link: Link,
    dialect: &Dialect,
    identity: &str,
) -> Result<Output, DriverError> {
    let supply = Supply::resume(link.named("supply"), dialect, identity).await?;
    let supply = supply.with_limits(rig.supply.limits())?;
    Ok(Output::new(supply, &rig.supply))
}

async fn switch(
    rig: &Rig,
    link: Link,
    dialect: &Dialect,
    identity: &str,
) -> Result<Switch, DriverError> {
    Switch::resume(link.named("switch"), dialect, identity)
        .await?
        .with_channels(&rig.channels())
}
