//! How each instrument of a rig is opened: its link, its dialect, and whether it is who it should be.

use super::Meters;
use crate::fault::Fault;
use crate::guard::Wires;
use crate::output::Output;
use crate::pots::PotCodes;
use crate::rig::{MeterSpec, Rig};
use drivers::{Dialect, Link, Meter, Pots, Resource, Serial, Supply, Switch};
use std::os::fd::OwnedFd;
use std::path::Path;

/// The supply, told off unless it was found so.
pub(super) struct Source {
    pub output: Output,
    /// Second handle on its link, where that leads out of this process.
    pub twin: Option<OwnedFd>,
    /// Whether its output was found on; none where it did not say.
    pub was_on: Option<bool>,
}

/// The supply. One that is found on, or does not say, is told off before anything else that may fail.
pub(super) async fn supply(rig: &Rig, wires: &mut Wires) -> Result<Source, Fault> {
    let spec = &rig.supply;
    let place = Place {
        resource: &spec.resource,
        dialect: &spec.dialect,
        serial: spec.serial.as_ref(),
    };
    let folder = rig.dialects.as_deref();
    let (mut link, dialect) = place.open("supply", folder, wires).await?;
    let twin = link.take_twin();
    let mut supply = Supply::open(link, &dialect).await?;
    // What it does not say now it is asked again when the rig is made safe.
    let was_on = supply.output_state().await.ok();
    let told = match was_on {
        Some(false) => None,
        _ => Some(supply.off_now().await),
    };
    let limited = supply.with_limits(spec.limits());
    let supply = limited.map_err(|error| match told {
        None => Fault::from(error),
        Some(Ok(())) => Fault::Instrument(format!("{error}; it was told to switch off")),
        Some(Err(lost)) => Fault::Instrument(format!("{error}; it did not take off: {lost}")),
    })?;
    Ok(Source {
        output: Output::new(supply, spec),
        twin,
        was_on,
    })
}

/// The switch unit, with a second handle on its link where that leads out of this process.
pub(super) async fn switch(
    rig: &Rig,
    wires: &mut Wires,
) -> Result<(Switch, Option<OwnedFd>), Fault> {
    let place = Place {
        resource: &rig.switch.resource,
        dialect: &rig.switch.dialect,
        serial: rig.switch.serial.as_ref(),
    };
    let folder = rig.dialects.as_deref();
    let (mut link, dialect) = place.open("switch", folder, wires).await?;
    let twin = link.take_twin();
    let switch = Switch::open(link, &dialect)
        .await?
        .with_channels(&rig.channels())?;
    Ok((switch, twin))
}

/// The meters; none where a person holds them.
pub(super) async fn meters(rig: &Rig, wires: &mut Wires) -> Result<Option<Meters>, Fault> {
    if rig.probed_by_hand() {
        return Ok(None);
    }
    let folder = rig.dialects.as_deref();
    let mut drop = meter(&rig.drop_meter, "drop meter", folder, wires).await?;
    match meter(&rig.loop_meter, "loop meter", folder, wires).await {
        Ok(over_sense) => Ok(Some(Meters { drop, over_sense })),
        Err(fault) => {
            drop.give_back().await;
            Err(fault)
        }
    }
}

/// The bridge to the potentiometers: opening its port may start it anew, so the rig is safe by then.
pub(super) async fn pots(rig: &Rig, wires: &mut Wires) -> Result<Option<PotCodes>, Fault> {
    let Some(bank) = &rig.pots else {
        return Ok(None);
    };
    let place = Place {
        resource: &bank.resource,
        dialect: &bank.dialect,
        serial: bank.serial.as_ref(),
    };
    let folder = rig.dialects.as_deref();
    let (link, dialect) = place.open("potentiometers", folder, wires).await?;
    let pots = Pots::open(link, &dialect).await?;
    PotCodes::start(pots, bank).await.map(Some)
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
            Resource::InProcess { name } => inside(name, wires, &dialect),
            Resource::ByHand => inside(role, wires, &dialect),
            outside => Link::open(outside, &dialect.wire)
                .await
                .map_err(|error| error.to_string()),
        };
        let link = link.map_err(failed)?;
        Ok((link.named(role), dialect))
    }
}

/// A wire that leads to somebody inside this program.
fn inside(name: &str, wires: &mut Wires, dialect: &Dialect) -> Result<Link, String> {
    let stream = wires.remove(name);
    let stream = stream.ok_or_else(|| format!("there is no in-process wire \"{name}\""))?;
    Ok(Link::over(Box::new(stream), name, &dialect.wire))
}
