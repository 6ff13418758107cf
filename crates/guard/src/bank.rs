//! The loop without the movement, measured: potentiometers are known too coarsely to count with.

use crate::act::HIDDEN;
use crate::check::{Drive, LoopMeasured};
use crate::core::Core;
use crate::fault::Fault;
use crate::output::Armed;
use crate::safe::confirm_no_voltage;
use crate::state::{Arrangement, loop_low};
use crate::watch::{stopped, volts};
use quantity::{Amps, Ohms, Volts};
use tokio::time::sleep;

/// Readings of the loop current.
const READINGS: u32 = 12;
/// Current for this, as a share of what might flow in the movement.
const SHARE: f64 = 0.9;
/// No more than this share of the range's top, so that the reading fits.
const OF_TOP: f64 = 0.5;

impl Core {
    /// Measures the loop of an arrangement whose contacts are made but for the movement switch, which
    /// is open, and the short, which is closed. No more current flows than might in the movement, so
    /// one contact that is not where it should be does no harm. None where the supply can't be set to
    /// so little: then what the rig file states goes on to count.
    pub(crate) async fn measure_bank(
        &mut self,
        next: &Arrangement,
    ) -> Result<Option<LoopMeasured>, Fault> {
        let (low, supply) = (loop_low(&self.rig, next), &self.rig.supply);
        let allowance = self.evidence.allowance(&self.rig.limits);
        let target = (allowance * SHARE / self.falsified.current).min(next.range.top * OF_TOP);
        let grid = supply.resolution;
        let set = grid * ((target * low - supply.offset) / grid).floor();
        let bound = supply.highest(set, Volts::ZERO) / low;
        if set <= supply.offset || bound * self.falsified.current > allowance {
            return Ok(None);
        }
        let drive = Drive {
            volts: set,
            bound: bound * self.falsified.current,
            expected: bound,
            peak: None,
        };
        let output = &mut self.bench.instruments.output;
        let armed = Armed::new(&drive, Volts::ZERO, output.epoch(), &self.watched)?;
        self.bound = self.bound.max(drive.bound);
        self.trip_follows(next.range.sense, drive.bound).await?;
        let output = &mut self.bench.instruments.output;
        output.raise(armed, set).await?;
        self.state.volts = set;
        let read = match self.rig.probed_by_hand() {
            true => self.probe_loop(next, set).await,
            false => self.read_loop().await,
        };
        self.bench.instruments.output.lower(Volts::ZERO).await?;
        self.state.volts = Volts::ZERO;
        confirm_no_voltage(&self.rig, &mut self.bench.instruments.output).await?;
        // What was measured are these codes, not those after a reset.
        if let Some(pots) = &mut self.bench.instruments.pots {
            pots.confirm().await?;
        }
        self.loop_of(next, set, read?).map(Some)
    }

    /// Mean voltage over the sense element once the supply has settled.
    async fn read_loop(&mut self) -> Result<Volts, Fault> {
        let settle = (self.rig.supply.settle * 2.0).duration();
        let meter = &mut self.bench.instruments.meters()?.over_sense;
        let readings = async {
            sleep(settle).await;
            let mut sum = 0.0;
            for _ in 0..READINGS {
                sum += volts(meter.read().await?, "loop")?;
            }
            Ok(Volts::new(sum / f64::from(READINGS)))
        };
        tokio::select! {
            biased;
            fault = stopped(&mut self.stop, &mut self.watched) => Err(fault),
            read = readings => read,
        }
    }

    /// What a reading says about the loop; a fault where it is not what the rig file makes possible.
    pub(crate) fn loop_of(
        &self,
        next: &Arrangement,
        set: Volts,
        read: Volts,
    ) -> Result<LoopMeasured, Fault> {
        let (rig, supply) = (&self.rig, &self.rig.supply);
        let sense = rig.sense[next.range.sense].ohms;
        let range = rig.loop_meter.range_for(Volts::new(self.loop_range));
        let doubt = Volts::new(2.0 * range.offset) / sense;
        let found = read / sense;
        let most = supply.highest(set, set) / loop_low(rig, next);
        if found > most * HIDDEN * self.falsified.current + doubt {
            return Err(Fault::Current { found, bound: most });
        }
        let least = supply.lowest(set) / rig.range_high(&next.range);
        if found <= Amps::ZERO || (found + doubt) * HIDDEN < least {
            return Err(Fault::TooLittle {
                volts: set,
                found,
                least,
            });
        }
        let (ohms, u) = (set / found, self.loop_u(read, set) + self.ruler_doubt());
        Ok(LoopMeasured {
            ohms,
            u,
            volts: set,
            movement: None,
            rest: Some(self.rest_low(ohms * (1.0 - 2.0 * u), set)),
        })
    }

    /// The least that a loop has of which `least` was measured by its set-point: the supply may have been
    /// off, and by what it drove less then, the loop has less.
    fn rest_low(&self, least: Ohms, set: Volts) -> Ohms {
        least * (self.rig.supply.lowest(set) / set)
    }
}
