//! The four instruments of a rig: how they are opened, and how every use of them begins and ends.

use crate::fault::Fault;
use crate::guard::Wires;
use crate::output::Output;
use crate::pots::PotCodes;
use crate::rig::{MeterSpec, Rig};
use crate::safe::{SafeReport, found_energised, make_safe, meters_to_volts};
use crate::trip;
use crate::watcher::{Brief, Heart, Twins, Watched, Watching};
use drivers::{Dialect, Link, Meter, Pots, Resource, Serial, Supply, Switch};
use std::os::fd::OwnedFd;
use std::path::Path;
use tokio::time::Instant;

/// Supply, meters and switch.
pub(crate) struct Instruments {
    pub output: Output,
    /// None where a person holds them.
    pub meters: Option<Meters>,
    pub switch: Switch,
    /// The series bank's potentiometers, where it is of such.
    pub pots: Option<PotCodes>,
}

/// The meter over the movement and the one in the loop.
pub(crate) struct Meters {
    pub drop: Meter,
    pub over_sense: Meter,
}

/// Instruments whose rig is safe and watched.
pub(crate) struct Ready {
    pub instruments: Instruments,
    /// What was found energised before, in words.
    pub found: Vec<String>,
    pub heart: Heart,
    pub watched: Watched,
}

impl Instruments {
    /// Opens them, makes the rig safe and verifies it, and sees to it that somebody watches.
    pub async fn start(rig: &Rig, wires: &mut Wires, watching: Watching) -> Result<Ready, Fault> {
        let (mut instruments, twins, found) = open(rig, wires).await?;
        match instruments.made_safe(rig, wires, twins, watching).await {
            Ok((energised, heart, watched)) => Ok(Ready {
                instruments,
                found: found.into_iter().chain(energised).collect(),
                heart,
                watched,
            }),
            Err(fault) => {
                instruments.give_back().await;
                Err(fault)
            }
        }
    }

    async fn made_safe(
        &mut self,
        rig: &Rig,
        wires: &mut Wires,
        twins: Option<Twins>,
        watching: Watching,
    ) -> Result<(Vec<String>, Heart, Watched), Fault> {
        let (output, switch) = (&mut self.output, &mut self.switch);
        let found = found_energised(rig, output, switch).await;
        let safe = make_safe(rig, output, switch).await;
        if !safe.verified {
            let why = safe.failures.join("; ");
            let text = format!("the rig could not be made safe at the start: {why}");
            return Err(Fault::Instrument(text));
        }
        trip::highest(rig.protection.trip, switch).await?;
        self.pots = open_pots(rig, wires).await?;
        let brief = Brief::new(rig, output.identity(), switch.identity());
        let (heart, watched) = Heart::start(watching, brief, twins).await?;
        Ok((found, heart, watched))
    }

    /// How every use of them ends: the rig safe, both meters at volts, and, once that is verified,
    /// the front panels given back. What is not safe yet is the watcher's, which speaks on the same
    /// links.
    pub async fn end(&mut self, rig: &Rig) -> SafeReport {
        let began = Instant::now();
        let mut report = make_safe(rig, &mut self.output, &mut self.switch).await;
        if let Some(meters) = &mut self.meters {
            meters_to_volts(rig, meters, &mut report).await;
        }
        if report.verified {
            self.give_back().await;
        }
        report.lasted = began.elapsed().as_secs_f64();
        report
    }

    /// Gives all front panels back. The last thing that is said.
    async fn give_back(&mut self) {
        tokio::join!(
            biased;
            self.output.give_back(),
            self.switch.give_back(),
            give_back(&mut self.meters),
        );
    }

    /// The meters, where they are no hand's.
    pub fn meters(&mut self) -> Result<&mut Meters, Fault> {
        let by_hand = || Fault::Instrument("the meters of this rig are by hand".to_owned());
        self.meters.as_mut().ok_or_else(by_hand)
    }

    /// By role, as they identified themselves.
    pub fn identities(&self) -> Vec<(String, String)> {
        let meters = self.meters.as_ref();
        let identity = |which: fn(&Meters) -> &Meter| {
            meters.map_or("held by a person", |meters| which(meters).identity())
        };
        let named = [
            ("supply", self.output.identity()),
            ("drop meter", identity(|meters| &meters.drop)),
            ("loop meter", identity(|meters| &meters.over_sense)),
            ("switch", self.switch.identity()),
        ];
        let pots = self
            .pots
            .as_ref()
            .map(|pots| ("potentiometers", pots.identity()));
        let owned = |(role, identity): (&str, &str)| (role.to_owned(), identity.to_owned());
        named.into_iter().chain(pots).map(owned).collect()
    }
}

/// Opens supply, meters and switch; also second handles on the links of supply and switch, where
/// these lead out of this process, and what was found energised on the way.
async fn open(
    rig: &Rig,
    wires: &mut Wires,
) -> Result<(Instruments, Option<Twins>, Vec<String>), Fault> {
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
    let mut meters = match opened {
        Ok(meters) => meters,
        Err(fault) => {
            supply.give_back().await;
            return Err(fault);
        }
    };
    match open_switch(rig, &mut supply, wires).await {
        Ok((switch, switch_twin, found)) => {
            let instruments = Instruments {
                output: Output::new(supply, spec),
                meters,
                switch,
                pots: None,
            };
            // No second process can switch off what a hand has switched on.
            let switch_twin = switch_twin.filter(|_| !spec.by_hand());
            Ok((instruments, Twins::of(supply_twin, switch_twin)?, found))
        }
        Err(fault) => {
            supply.give_back().await;
            give_back(&mut meters).await;
            Err(fault)
        }
    }
}

/// The meters; none where a person holds them.
async fn open_meters(rig: &Rig, wires: &mut Wires) -> Result<Option<Meters>, Fault> {
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

async fn give_back(meters: &mut Option<Meters>) {
    if let Some(meters) = meters {
        meters.drop.give_back().await;
        meters.over_sense.give_back().await;
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

/// The bridge to the potentiometers: opening its port may start it anew, so the rig is safe by then.
async fn open_pots(rig: &Rig, wires: &mut Wires) -> Result<Option<PotCodes>, Fault> {
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
