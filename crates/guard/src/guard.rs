//! The handle through which procedures propose, and how a guard is started.

use crate::core::{Bench, Core, Ending, Request};
use crate::fault::Fault;
use crate::output::Output;
use crate::proposal::{Halt, Proposal, Report};
use crate::rig::{MeterSpec, Rig};
use drivers::{Dialect, Limits as SupplyLimits, Link, Meter, Resource, Supply, Switch};
use evidence::{Journal, Sight};
use quantity::Volts;
use std::collections::BTreeMap;
use std::path::Path;
use tokio::io::DuplexStream;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use tokio::time::Instant;

/// In-process wires by name, for resources of the form `INPROC::name`.
pub type Wires = BTreeMap<String, DuplexStream>;

/// A running guard. Dropping it ends the run: the guard makes the rig safe by itself.
pub struct Guard {
    requests: mpsc::Sender<Request>,
    task: JoinHandle<Ending>,
    instruments: Vec<(String, String)>,
}

impl Guard {
    /// Opens the instruments, makes the rig safe and verifies it, and starts the guard's task.
    /// `stop` turning true ends the run in the safe state at any moment.
    ///
    /// # Errors
    /// When an instrument can't be opened, or the rig can't be made safe.
    pub async fn start(
        rig: Rig,
        mut wires: Wires,
        sight: Box<dyn Sight>,
        journal: Box<dyn Journal>,
        stop: watch::Receiver<bool>,
    ) -> Result<Self, (Fault, Box<dyn Journal>)> {
        let bench = match open(&rig, &mut wires, sight).await {
            Ok(parts) => parts.with(journal),
            Err(fault) => return Err((fault, journal)),
        };
        let instruments = vec![
            ("supply".to_owned(), bench.output.identity().to_owned()),
            (
                "drop meter".to_owned(),
                bench.drop_meter.identity().to_owned(),
            ),
            (
                "loop meter".to_owned(),
                bench.loop_meter.identity().to_owned(),
            ),
            ("switch".to_owned(), bench.switch.identity().to_owned()),
            ("reader".to_owned(), bench.sight.name()),
        ];
        let mut core = Core::new(rig, bench, stop, Instant::now());
        let safe = core.make_safe().await;
        if !safe.verified {
            let why = format!(
                "the rig could not be made safe at the start: {}",
                safe.failures.join("; ")
            );
            return Err((Fault::Instrument(why), core.bench.journal));
        }
        let (requests, inbox) = mpsc::channel(1);
        let task = tokio::spawn(core.run(inbox));
        Ok(Self {
            requests,
            task,
            instruments,
        })
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

struct Parts {
    output: Output,
    drop_meter: Meter,
    loop_meter: Meter,
    switch: Switch,
    sight: Box<dyn Sight>,
}

impl Parts {
    fn with(self, journal: Box<dyn Journal>) -> Bench {
        let Self {
            output,
            drop_meter,
            loop_meter,
            switch,
            sight,
        } = self;
        Bench {
            output,
            drop_meter,
            loop_meter,
            switch,
            sight,
            journal,
        }
    }
}

async fn open(rig: &Rig, wires: &mut Wires, sight: Box<dyn Sight>) -> Result<Parts, Fault> {
    let spec = &rig.supply;
    let folder = rig.dialects.as_deref();
    let (link, dialect) = wire(&spec.resource, &spec.dialect, "supply", folder, wires).await?;
    let limits = SupplyLimits {
        min_voltage: Volts::ZERO,
        max_voltage: spec.max_voltage,
        voltage_step: spec.resolution,
        max_current: spec.max_current,
        current_step: spec.current_resolution,
    };
    let supply = Supply::open(link, &dialect).await?.with_limits(limits)?;
    let drop_meter = meter(&rig.drop_meter, "drop meter", folder, wires).await?;
    let loop_meter = meter(&rig.loop_meter, "loop meter", folder, wires).await?;
    let (link, dialect) = wire(
        &rig.switch.resource,
        &rig.switch.dialect,
        "switch",
        folder,
        wires,
    )
    .await?;
    let switch = Switch::open(link, &dialect)
        .await?
        .with_channels(&rig.channels())?;
    Ok(Parts {
        output: Output::new(supply, spec),
        drop_meter,
        loop_meter,
        switch,
        sight,
    })
}

async fn meter(
    spec: &MeterSpec,
    role: &str,
    folder: Option<&Path>,
    wires: &mut Wires,
) -> Result<Meter, Fault> {
    let (link, dialect) = wire(&spec.resource, &spec.dialect, role, folder, wires).await?;
    Ok(Meter::open(link, &dialect).await?)
}

async fn wire(
    resource: &Resource,
    dialect: &str,
    role: &str,
    folder: Option<&Path>,
    wires: &mut Wires,
) -> Result<(Link, Dialect), Fault> {
    let dialect = Dialect::find(dialect, folder)
        .map_err(|error| Fault::Instrument(format!("{role}: {error}")))?;
    let link = match resource {
        Resource::Tcp { host, port, .. } => Link::tcp(host, *port, &dialect.wire).await,
        Resource::InProcess { name } => {
            let Some(stream) = wires.remove(name) else {
                let text = format!("{role}: there is no in-process wire \"{name}\"");
                return Err(Fault::Instrument(text));
            };
            Ok(Link::over(Box::new(stream), name, &dialect.wire))
        }
        other => {
            let text = format!("{role}: {other} can't be opened; only TCPIP sockets can so far");
            return Err(Fault::Instrument(text));
        }
    };
    let link = link.map_err(|error| Fault::Instrument(format!("{role}: {error}")))?;
    Ok((link.named(role), dialect))
}
