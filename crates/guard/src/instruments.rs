//! The four instruments of a rig: how they are opened, and how every use of them begins and ends.

mod first;
mod open;

use crate::fault::Fault;
use crate::guard::Wires;
use crate::output::Output;
use crate::pots::PotCodes;
use crate::rig::Rig;
use crate::safe::{SafeReport, make_safe, meters_to_volts};
use crate::trip;
use crate::watcher::{Brief, Heart, Twins, Watched, Watching};
use drivers::{Meter, Switch};
use first::First;
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

/// Instruments and a reader, where one is needed, whose rig is safe and watched.
pub(crate) struct Ready<Reader> {
    pub instruments: Instruments,
    pub reader: Reader,
    /// What was found energised before, in words.
    pub found: Vec<String>,
    pub heart: Heart,
    pub watched: Watched,
}

impl Instruments {
    /// Opens supply and switch and makes the rig safe, verified by a reading, before the others and the
    /// reader are opened: what can't be must not leave a rig energised. Then sees to it that somebody
    /// watches.
    pub async fn start<Reader>(
        rig: &Rig,
        wires: &mut Wires,
        reader: impl AsyncFnOnce(&mut Wires) -> Result<Reader, Fault>,
        watching: Watching,
    ) -> Result<Ready<Reader>, Fault> {
        let First {
            output,
            switch,
            twins,
            found,
        } = first::made_safe(rig, wires).await?;
        let mut instruments = Self {
            output,
            meters: None,
            switch,
            pots: None,
        };
        let completed = instruments.complete(rig, wires, reader, twins, watching);
        match completed.await {
            Ok((reader, (heart, watched))) => Ok(Ready {
                instruments,
                reader,
                found,
                heart,
                watched,
            }),
            Err(fault) => {
                instruments.give_back().await;
                Err(first::told(&found, "and was made safe first", fault))
            }
        }
    }

    /// What a rig needs beyond being safe.
    async fn complete<Reader>(
        &mut self,
        rig: &Rig,
        wires: &mut Wires,
        reader: impl AsyncFnOnce(&mut Wires) -> Result<Reader, Fault>,
        twins: first::Handles,
        watching: Watching,
    ) -> Result<(Reader, (Heart, Watched)), Fault> {
        self.meters = open::meters(rig, wires).await?;
        trip::highest(rig.protection.trip, &mut self.switch).await?;
        self.pots = open::pots(rig, wires).await?;
        let reader = reader(wires).await?;
        let twins = Twins::of(twins.supply, twins.switch)?;
        let brief = Brief::new(rig, self.output.identity(), self.switch.identity());
        Ok((reader, Heart::start(watching, brief, twins).await?))
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

async fn give_back(meters: &mut Option<Meters>) {
    if let Some(meters) = meters {
        meters.drop.give_back().await;
        meters.over_sense.give_back().await;
    }
}
