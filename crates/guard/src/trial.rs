//! Trying a loop with a small current: are the contacts open that were told to open? Read-backs
//! can't show it, they say what a contact was told.

use crate::act::HIDDEN;
use crate::check::Known;
use crate::core::Core;
use crate::fault::Fault;
use crate::output::Armed;
use crate::proposal::Halt;
use crate::safe::confirm_no_voltage;
use crate::state::{Arrangement, State, loop_low};
use crate::suspects::{Falsified, Flow, OpenLoop, falsified, still_suspect};
use crate::watch::{stopped, volts};
use drivers::Reading;
use quantity::{Amps, Seconds, Volts};

/// Current with which a loop is tried, as a share of the range's top.
const TRIED: f64 = 0.03;

impl Core {
    /// The current with which the loop of an arrangement is tried: small, whatever is closed.
    fn trial(&self, arrangement: &Arrangement, falsified: Falsified) -> Amps {
        let allowance = self.evidence.allowance(&self.rig.limits);
        (arrangement.range.top * TRIED).min(allowance * 0.4 / falsified.current)
    }

    /// All is closed but the sense element: nothing flows, unless another one is still closed. That one
    /// would make the loop meter read too little ever after, which no current could show. What this
    /// tells counts once a current has shown that the rest of the loop conducts.
    pub(crate) async fn try_open_loop(&mut self, next: &Arrangement) -> Result<(), Fault> {
        self.open_loop = None;
        let mut sense = self.rig.sense.iter();
        if !sense.any(|element| self.suspects.contains(&element.channel)) {
            return Ok(());
        }
        let falsified = falsified(&self.rig, &self.suspects, next);
        let state = State {
            arrangement: Some(next.clone()),
            volts: Volts::ZERO,
        };
        let known = Known {
            stuck: falsified.current,
            measured: None,
            ..self.known()
        };
        // Where the supply can't make so little, they stay suspects.
        let target = self.trial(next, falsified);
        let Ok(checked) = known.drive(&state, target, Seconds::ZERO) else {
            return Ok(());
        };
        // All of it lies across the open sense contact, where a trip looks.
        let most = self.rig.supply.highest(checked.volts, Volts::ZERO);
        if (self.rig.protection.trip).is_some_and(|trip| !trip.holds(most)) {
            return Ok(());
        }
        self.trip_above(most).await?;
        self.set_loop_range(most).await?;
        self.bound = self.bound.max(checked.bound);
        self.expected = self.expected.max(checked.bound);
        let instruments = &mut self.bench.instruments;
        let armed = Armed::new(
            &checked,
            Volts::ZERO,
            instruments.output.epoch(),
            &self.watched,
        )?;
        instruments.output.raise(armed, checked.volts).await?;
        let read = self.read_open_loop().await?;
        // The sense contact moves next: never under voltage.
        let output = &mut self.bench.instruments.output;
        output.lower(Volts::ZERO).await?;
        confirm_no_voltage(&self.rig, output).await?;
        // So much across the movement flows through one of them: they stay suspects.
        let Some((found, drop)) = read else {
            return Ok(());
        };
        let (supply, set) = (&self.rig.supply, checked.volts);
        let most = supply.highest(set, Volts::ZERO);
        self.open_loop = Some(OpenLoop {
            driving: (supply.lowest(set), most + Volts::new(drop).abs()),
            shown: Volts::new(found).abs(),
            doubt: Volts::new(2.0 * self.rig.loop_meter.range_for(most).offset),
            falsified,
        });
        Ok(())
    }

    /// Over the sense elements and across the movement once the supply has settled; none where that
    /// overloads.
    async fn read_open_loop(&mut self) -> Result<Option<(f64, f64)>, Fault> {
        self.pause(self.rig.supply.settle * 2.0).await?;
        if self.rig.probed_by_hand() {
            let about = "All is connected but the sense resistor, so next to nothing should flow";
            return self.probe_both(about).await.map(Some);
        }
        let meters = self.bench.instruments.meters()?;
        let (over_sense, across) = tokio::select! {
            biased;
            fault = stopped(&mut self.stop, &mut self.watched) => return Err(fault),
            read = async { tokio::join!(biased; meters.over_sense.read(), meters.drop.read()) } => read,
        };
        let found = volts(over_sense?, "loop")?;
        match across? {
            Reading::Overload { .. } => Ok(None),
            reading => Ok(Some((found, volts(reading, "drop")?))),
        }
    }

    /// A contact that should have opened may still be closed, and its read-back would not show it.
    /// A current that is small even then shows whether the loop is what it should be.
    pub(crate) async fn try_loop(&mut self) -> Result<(), Fault> {
        let Some(arrangement) = &self.state.arrangement else {
            return Ok(());
        };
        let low = loop_low(&self.rig, arrangement);
        let target = self.trial(arrangement, self.falsified);
        // Where the supply can't make so little, the bound goes on counting with the worst.
        match self.ramp(target, Seconds::ZERO).await {
            Ok(_) => {}
            Err(Halt::Refused(_)) => return Ok(()),
            Err(Halt::Fault(fault)) => return Err(fault),
        }
        // By hand these are the readings that were just asked for.
        let tick = self.tick().await?;
        let (found, doubt) = (self.loop_current(&tick).abs(), self.loop_doubt());
        let drop = self.along(tick.drop);
        let bound = (self.rig.supply.highest(self.volts(), self.volts()) - drop) / low;
        if found - doubt > bound * HIDDEN {
            return Err(Fault::Current { found, bound });
        }
        self.acquit((found - doubt, found + doubt), drop);
        self.bench.instruments.output.lower(Volts::ZERO).await?;
        self.state.volts = Volts::ZERO;
        self.unanswered();
        self.glance().await?;
        Ok(())
    }

    /// Takes from the suspects those that would make more or less of a current be shown, were they
    /// closed; `drop` is the part of the set-point that the movement takes.
    pub(crate) fn acquit(&mut self, shown: (Amps, Amps), drop: Volts) {
        let Some(arrangement) = &self.state.arrangement else {
            return;
        };
        let (supply, volts) = (&self.rig.supply, self.volts());
        if let Some(open) = self.open_loop.filter(|_| shown.0 > Amps::ZERO) {
            let loop_high = supply.highest(volts, volts) / shown.0;
            self.suspects
                .retain(|channel| open.may_hide(&self.rig, *channel, arrangement, loop_high));
        }
        let driving = (
            supply.lowest(volts) - drop,
            supply.highest(volts, volts) - drop,
        );
        let flow = Flow { shown, driving };
        self.suspects = still_suspect(&self.rig, &self.suspects, arrangement, flow);
        let left = falsified(&self.rig, &self.suspects, arrangement);
        // Whatever is closed, the loop lets no more flow than it does now.
        let flowing = shown.1 * left.ruler;
        let current = flowing * loop_low(&self.rig, arrangement) / driving.0;
        let current = if driving.0 > Volts::ZERO {
            current.max(1.0)
        } else {
            left.current
        };
        self.falsified = Falsified {
            current: left.current.min(current),
            ..left
        };
    }
}
