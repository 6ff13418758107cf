//! The handle through which procedures propose, and how a guard is started.

use crate::core::{Bench, Core, Ending, Request};
use crate::fault::Fault;
use crate::output::Output;
use crate::proposal::{Halt, Proposal, Report};
use crate::rig::{MeterSpec, Rig};
use crate::safe::{found_energised, make_safe};
use crate::watcher::{Brief, Heart, Twins, Watched, Watching};
use drivers::{Dialect, Link, Meter, Resource, Serial, Supply, Switch};
use evidence::{Journal, Sight};
use std::collections::BTreeMap;
use std::os::fd::OwnedFd;
use std::path::Path;
use tokio::io::DuplexStream;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;

/// In-process wires by name, for resources of the form `INPROC::name`.
pub type Wires = BTreeMap<String, DuplexStream>;

/// A running guard. Dropping it ends the run: the guard makes the rig safe by itself.
pub struct Guard {
    requests: mpsc::Sender<Request>,
    task: JoinHandle<Ending>,
    instruments: Vec<(String, String)>,
    found: Vec<String>,
}

impl Guard {
    /// Opens the instruments, makes the rig safe and verifies it, sees to it that somebody else can
    /// do the same (`watching`), and starts the guard's task. `stop` turning true ends the run in
    /// the safe state at any moment.
    ///
    /// # Errors
    /// When an instrument can't be opened, the rig can't be made safe, or nobody watches.
    pub async fn start(
        rig: Rig,
        mut wires: Wires,
        sight: Box<dyn Sight>,
        journal: Box<dyn Journal>,
        stop: watch::Receiver<bool>,
        watching: Watching,
    ) -> Result<Self, (Fault, Box<dyn Journal>)> {
        let started = async {
            let mut parts = open(&rig, &mut wires).await?;
            match parts.made_safe(&rig, watching).await {
                Ok((found, heart, watched)) => Ok((parts, found, heart, watched)),
                Err(fault) => {
                    parts.give_back().await;
                    Err(fault)
                }
            }
        };
        let (parts, found, heart, watched) = match started.await {
            Ok(started) => started,
            Err(fault) => return Err((fault, journal)),
        };
        let mut instruments = parts.instruments();
        instruments.push(("reader".to_owned(), sight.name()));
        let core = Core::new(rig, parts.with(sight, journal), stop, watched);
        let (requests, inbox) = mpsc::channel(1);
        let task = tokio::spawn(core.run(inbox, heart));
        Ok(Self {
            requests,
            task,
            instruments,
            found,
        })
    }

    /// What was found energised at the start, in words, before it was made safe; mostly nothing.
    pub fn found(&self) -> &[String] {
        &self.found
    }

    /// The instruments by role, as they identified themselves.
    pub fn instruments(&self) -> &[(String, String)] {
        &self.instruments
    }

    /// Proposes; returns when the state is reached, or with the reason why not.
    ///
    /// # Errors
    /// A refusal (nothing was changed), or a fault (the rig is in the safe state).
    pub async fn propose(&mut self, proposal: Proposal) -> Result<Report, Halt> {
        let (answer, answered) = oneshot::channel();
        if self
            .requests
            .send(Request { proposal, answer })
            .await
            .is_err()
        {
            return Err(Fault::Ended.into());
        }
        answered.await.unwrap_or(Err(Fault::Ended.into()))
    }

    /// Ends the run: waits until the rig is safe.
    ///
    /// # Errors
    /// When the guard's task itself was lost.
    pub async fn end(self) -> Result<Ending, Fault> {
        drop(self.requests);
        self.task
            .await
            .map_err(|error| Fault::Panic(error.to_string()))
    }
}

/// The opened instruments.
pub(crate) struct Parts {
    pub output: Output,
    pub drop_meter: Meter,
    pub loop_meter: Meter,
    pub switch: Switch,
    /// Second handles on the links of supply and switch, where these lead out of this process.
    pub twins: Option<Twins>,
    /// What was found energised already while opening.
    pub found: Vec<String>,
}

impl Parts {
    /// Makes the rig safe, verifies it, and sees to it that somebody watches. Also gives what was
    /// found energised.
    async fn made_safe(
        &mut self,
        rig: &Rig,
        watching: Watching,
    ) -> Result<(Vec<String>, Heart, Watched), Fault> {
        let mut found = std::mem::take(&mut self.found);
        let (output, switch) = (&mut self.output, &mut self.switch);
        found.extend(found_energised(rig, output, switch).await);
        let safe = make_safe(rig, output, switch).await;
        if !safe.verified {
            let why = safe.failures.join("; ");
            let text = format!("the rig could not be made safe at the start: {why}");
            return Err(Fault::Instrument(text));
        }
        let brief = Brief::new(rig, output.identity(), switch.identity());
        let (heart, watched) = Heart::start(watching, brief, self.twins.take()).await?;
        Ok((found, heart, watched))
    }

    /// Gives all front panels back.
    async fn give_back(&mut self) {
        self.output.give_back().await;
        self.switch.give_back().await;
        self.drop_meter.give_back().await;
        self.loop_meter.give_back().await;
    }

    /// By role, as they identified themselves.
    pub fn instruments(&self) -> Vec<(String, String)> {
        let named = [
            ("supply", self.output.identity()),
            ("drop meter", self.drop_meter.identity()),
            ("loop meter", self.loop_meter.identity()),
            ("switch", self.switch.identity()),
        ];
        let owned = |(role, identity): (&str, &str)| (role.to_owned(), identity.to_owned());
        named.into_iter().map(owned).collect()
    }

    fn with(self, sight: Box<dyn Sight>, journal: Box<dyn Journal>) -> Bench {
        Bench {
            output: self.output,
            drop_meter: self.drop_meter,
            loop_meter: self.loop_meter,
            switch: self.switch,
            sight,
            journal,
        }
    }
}

/// Opens supply, meters and switch.
pub(crate) async fn open(rig: &Rig, wires: &mut Wires) -> Result<Parts, Fault> {
    let spec = &rig.supply;
    let place = Place {
        resource: &spec.resource,
        dialect: &spec.dialect,
        serial: spec.serial.as_ref(),
    };
    let folder = rig.dialects.as_deref();
    let (mut link, dialect) = place.open("supply", folder, wires).await?;
    let supply_twin = link.take_twin();
    let mut supply = Supply::open(link, &dialect)
        .await?
        .with_limits(spec.limits())?;
    let opened = open_meters(rig, wires).await;
    let (mut drop_meter, mut loop_meter) = match opened {
        Ok(meters) => meters,
        Err(fault) => {
            supply.give_back().await;
            return Err(fault);
        }
    };
    match open_switch(rig, &mut supply, wires).await {
        Ok((switch, switch_twin, found)) => Ok(Parts {
            output: Output::new(supply, spec),
            drop_meter,
            loop_meter,
            switch,
            twins: Twins::of(supply_twin, switch_twin)?,
            found,
        }),
        Err(fault) => {
            supply.give_back().await;
            drop_meter.give_back().await;
            loop_meter.give_back().await;
            Err(fault)
        }
    }
}

/// The meter over the movement and the one in the loop.
async fn open_meters(rig: &Rig, wires: &mut Wires) -> Result<(Meter, Meter), Fault> {
    let folder = rig.dialects.as_deref();
    let mut drop_meter = meter(&rig.drop_meter, "drop meter", folder, wires).await?;
    match meter(&rig.loop_meter, "loop meter", folder, wires).await {
        Ok(loop_meter) => Ok((drop_meter, loop_meter)),
        Err(fault) => {
            drop_meter.give_back().await;
            Err(fault)
        }
    }
}

/// The switch unit, with the second handle on its link and what was found energised.
async fn open_switch(
    rig: &Rig,
    supply: &mut Supply,
    wires: &mut Wires,
) -> Result<(Switch, Option<OwnedFd>, Vec<String>), Fault> {
    let folder = rig.dialects.as_deref();
    let place = Place {
        resource: &rig.switch.resource,
        dialect: &rig.switch.dialect,
        serial: rig.switch.serial.as_ref(),
    };
    let mut found = Vec::new();
    // Opening its port may start a board anew, which moves contacts: never under voltage.
    if matches!(place.resource, Resource::Serial { .. }) && supply.output_state().await? {
        found.push("the supply's output was on".to_owned());
        supply.off_now().await?;
        if supply.output_state().await? {
            let text = "the supply was found on and does not switch off".to_owned();
            return Err(Fault::Instrument(text));
        }
        tokio::time::sleep((rig.supply.settle * 2.0).duration()).await;
    }
    let (mut link, dialect) = place.open("switch", folder, wires).await?;
    let switch_twin = link.take_twin();
    let switch = Switch::open(link, &dialect)
        .await?
        .with_channels(&rig.channels())?;
    Ok((switch, switch_twin, found))
}

async fn meter(
    spec: &MeterSpec,
    role: &str,
    folder: Option<&Path>,
    wires: &mut Wires,
) -> Result<Meter, Fault> {
    let place = Place {
        resource: &spec.resource,
        dialect: &spec.dialect,
        serial: spec.serial.as_ref(),
    };
    let (link, dialect) = place.open(role, folder, wires).await?;
    Ok(Meter::open(link, &dialect).await?)
}

/// Where an instrument is, and how it talks.
struct Place<'a> {
    resource: &'a Resource,
    dialect: &'a str,
    serial: Option<&'a Serial>,
}

impl Place<'_> {
    async fn open(
        &self,
        role: &str,
        folder: Option<&Path>,
        wires: &mut Wires,
    ) -> Result<(Link, Dialect), Fault> {
        let failed = |text: String| Fault::Instrument(format!("{role}: {text}"));
        let dialect = Dialect::find(self.dialect, folder)
            .map_err(|error| failed(error.to_string()))?
            .on_port(self.serial);
        let link = match self.resource {
            Resource::InProcess { name } => {
                let Some(stream) = wires.remove(name) else {
                    return Err(failed(format!("there is no in-process wire \"{name}\"")));
                };
                Ok(Link::over(Box::new(stream), name, &dialect.wire))
            }
            outside => Link::open(outside, &dialect.wire).await,
        };
        let link = link.map_err(|error| failed(error.to_string()))?;
        Ok((link.named(role), dialect))
    }
}
