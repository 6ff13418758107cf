//! The hardware trip, where its level can be set: it stands a little above the most that may flow, so
//! that a supply that runs away is cut off before the needle has gone far.

use crate::core::Core;
use crate::fault::Fault;
use crate::rig::Trip;
use drivers::Switch;
use quantity::{Amps, Volts};

/// Share of the allowance that the trip always lets flow: a needle that falls drives some current itself.
const ALWAYS: f64 = 0.5;

impl Core {
    /// The trip set for a loop current of at most `most` through a sense element.
    pub(crate) async fn trip_follows(&mut self, sense: usize, most: Amps) -> Result<(), Fault> {
        let always = self.evidence.allowance(&self.rig.limits) * ALWAYS;
        let across = most.max(always) * self.rig.sense[sense].high();
        self.trip_above(across).await
    }

    /// The trip set for at most so much across the sense contacts.
    pub(crate) async fn trip_above(&mut self, most: Volts) -> Result<(), Fault> {
        let Some((trip, settable)) = self
            .rig
            .protection
            .trip
            .and_then(|t| Some((t, t.settable?)))
        else {
            return Ok(());
        };
        if trip.does(&settable, self.trip_level, most) {
            return Ok(());
        }
        let level = trip.above(&settable, most);
        let switch = &mut self.bench.instruments.switch;
        self.trip_level = switch
            .set_level(settable.channel, level, settable.resolution)
            .await?;
        Ok(())
    }
}

/// The trip as one of fixed level: before anything flows, and where nobody follows with it.
pub(crate) async fn highest(trip: Option<Trip>, switch: &mut Switch) -> Result<(), Fault> {
    if let Some(trip) = trip
        && let Some(settable) = trip.settable
    {
        switch
            .set_level(settable.channel, trip.level, settable.resolution)
            .await?;
    }
    Ok(())
}
