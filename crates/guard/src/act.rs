//! Carrying out a proposal: check, apply in steps, verify, watch.

use crate::check::Known;
use crate::contacts::move_group;
use crate::core::{Core, Phase};
use crate::fault::Fault;
use crate::instruments::Instruments;
use crate::proposal::{Halt, Proposal, Report, Settle};
use crate::refusal::Refusal;
use crate::rest::{Stillness, Tick, stillness};
use crate::safe::confirm_no_voltage;
use crate::state::{Arrangement, energised, loop_low, moves};
use crate::suspects::falsified;
use quantity::{Amps, Seconds, Volts};
use std::collections::BTreeSet;

/// A needle that has not come to rest after this many of its slower time constants never will.
const PATIENCE: f64 = 25.0;
/// How long a supply may take to fall to zero before contacts move.
const FALLS_WITHIN: f64 = 0.5;
/// What the loop may hide: the current may be larger, or at rest smaller, than stated by this factor.
pub(crate) const HIDDEN: f64 = 1.03;

impl Core {
    pub(crate) async fn carry_out(&mut self, proposal: Proposal) -> Result<Report, Halt> {
        self.went_back = false;
        match proposal {
            Proposal::Arrange(arrangement) => self.arrange(arrangement).await,
            Proposal::Drive { target, over } => self.drive(target, over).await,
            Proposal::Hold(time) => self.hold(time).await,
            Proposal::Settle(settle) => self.settle(settle).await,
            Proposal::Wiggle => self.wiggle().await,
            Proposal::LetGo => self.let_go().await,
            Proposal::Identified(dynamics) => self.identified(dynamics),
        }
    }

    pub(crate) async fn arrange(&mut self, next: Arrangement) -> Result<Report, Halt> {
        if self.volts() > Volts::ZERO {
            return Err(Refusal::Order("bring the current to zero before contacts move").into());
        }
        let suspects = self.suspects_of(&next);
        let falsified = falsified(&self.rig, &suspects, &next);
        Known {
            stuck: falsified.current,
            ..self.known()
        }
        .arrange(&next)?;
        self.confirm_idle().await?;
        self.suspects = suspects;
        self.bench.instruments.output.new_state();
        self.unanswered();
        let same_loop = self
            .state
            .arrangement
            .as_ref()
            .is_some_and(|a| a.range == next.range);
        if !same_loop {
            self.measured = None;
            // What the open loop told holds for that loop.
            self.open_loop = None;
            self.falsified = falsified;
        }
        if self.phase == Phase::Safe {
            self.go_live().await?;
        }
        let idle = self.rig.supply.highest(Volts::ZERO, Volts::ZERO) / loop_low(&self.rig, &next);
        self.bound = self.bound.max(idle * falsified.current);
        self.expected = self.expected.max(idle);
        self.trip_follows(next.range.sense, idle).await?;
        self.connect(&next, same_loop).await?;
        self.trip_follows(next.range.sense, idle).await?;
        self.set_drop_range(next.largest_drop).await?;
        self.expected = idle;
        // The supply's own limit: just above the most that this arrangement lets flow.
        let most = self.rig.supply.max_voltage / loop_low(&self.rig, &next);
        let limit = (most * 1.02 + Amps::milli(5.0)).min(self.rig.supply.max_current);
        self.state.arrangement = Some(next);
        // By hand it stays as it is: what a fault can drive is limited by the path's resistor.
        if !self.rig.supply.by_hand() {
            self.bench.instruments.output.limit(limit).await?;
        }
        if self.falsified.current > HIDDEN || self.falsified.ruler > HIDDEN {
            self.try_loop().await?;
        }
        let ticks = self.glance().await?;
        // Less counts only once an observation has kept what the way here let flow.
        if !ticks.is_empty() {
            self.bound = idle * self.falsified.current;
        }
        Ok(self.report(ticks))
    }

    /// What was to open and may not have. A lead that was pulled is seen to be out.
    fn suspects_of(&self, next: &Arrangement) -> BTreeSet<u32> {
        if self.rig.switch.by_hand() {
            return BTreeSet::new();
        }
        let mut suspects = energised(&self.rig, self.state.arrangement.as_ref());
        suspects.extend(&self.suspects);
        &suspects - &energised(&self.rig, Some(next))
    }

    /// No contact moves before readings show that the supply is at zero: a supply that did not take
    /// the setting may say that it did. What the movement gives by itself is in the drop.
    pub(crate) async fn confirm_idle(&mut self) -> Result<(), Fault> {
        let Some(arrangement) = &self.state.arrangement else {
            return Ok(());
        };
        let low = loop_low(&self.rig, arrangement);
        let idle = self.rig.supply.highest(Volts::ZERO, Volts::ZERO);
        let until = self.now() + FALLS_WITHIN;
        loop {
            let tick = self.tick().await?;
            let current = self.loop_current(&tick);
            let current = self.loop_sign.map_or(current.abs(), |sign| current * sign);
            let found = current + self.along(tick.drop) / low;
            let bound = idle / low * HIDDEN + self.loop_doubt();
            if found <= bound {
                return Ok(());
            }
            // What a person has typed twice stays what it is.
            if self.now() > until || self.rig.probed_by_hand() {
                return Err(Fault::Current { found, bound });
            }
        }
    }

    /// Switches the output on while source contact and movement switch are open and the short is
    /// closed: what its output capacitors give at that moment reaches no movement. No contact moves
    /// before a reading shows that it has gone.
    async fn go_live(&mut self) -> Result<(), Fault> {
        let output = &mut self.bench.instruments.output;
        output.protect(self.rig.supply.max_voltage * 1.05).await?;
        output.enable(&self.watched).await?;
        self.enter(Phase::Live);
        confirm_no_voltage(&self.rig, &mut self.bench.instruments.output).await
    }

    /// Makes an arrangement. A loop of potentiometers, or one that a person has plugged, is measured on
    /// the way, as long as the movement is not connected: a wrong resistor shows itself there.
    async fn connect(&mut self, next: &Arrangement, same_loop: bool) -> Result<(), Fault> {
        let from = energised(&self.rig, self.state.arrangement.as_ref());
        let to = energised(&self.rig, Some(next));
        let over_sense = next.range.top * self.rig.sense[next.range.sense].ohms;
        let sure = next.range.pots.is_empty() && !self.rig.switch.by_hand();
        if same_loop || sure {
            self.move_contacts(&from, &to, next).await?;
            return self.set_loop_range(over_sense * 1.02).await;
        }
        let mut apart = to.clone();
        apart.remove(&self.rig.switch.short);
        apart.remove(&self.rig.switch.movement);
        self.move_contacts(&from, &apart, next).await?;
        self.set_loop_range(over_sense * 1.02).await?;
        self.measured = self.measure_bank(next).await?;
        self.move_contacts(&apart, &to, next).await
    }

    /// Lowering moves first, then a barrier, then the polarity, then the raising ones, and last the
    /// one that closes the loop; each group is read back.
    async fn move_contacts(
        &mut self,
        from: &BTreeSet<u32>,
        to: &BTreeSet<u32>,
        next: &Arrangement,
    ) -> Result<(), Fault> {
        let moves = moves(&self.rig, from, to);
        let codes = &next.range.pots;
        let Instruments {
            output,
            switch,
            pots,
            ..
        } = &mut self.bench.instruments;
        move_group(&self.rig, switch, &moves.lowering).await?;
        if let Some(pots) = pots {
            output.alive_during(pots.enlarge(codes)).await?;
        }
        move_group(&self.rig, switch, &moves.polarity).await?;
        if let Some(pots) = pots {
            output.alive_during(pots.reach(codes)).await?;
        }
        move_group(&self.rig, switch, &moves.raising).await?;
        if !moves.closing.is_empty() {
            self.try_open_loop(next).await?;
        }
        let switch = &mut self.bench.instruments.switch;
        move_group(&self.rig, switch, &moves.closing).await
    }

    /// Another current. With a person as reader, what flows must have been looked at before it grows,
    /// and until the needle is known to move, each step is looked at at once.
    pub(crate) async fn drive(&mut self, target: Amps, over: Seconds) -> Result<Report, Halt> {
        let from = self.volts();
        if self.owes_answer() && self.known().drive(&self.state, target, over)?.volts > from {
            self.asked_tick().await?;
        }
        let mut report = self.ramp(target, over).await?;
        if self.owes_answer() && self.volts() > from && !self.evidence.stands() {
            self.let_settle().await?;
            let tick = self.asked_tick().await?;
            if self.backwards && !self.reversed_on_purpose() {
                self.retreat().await?;
            }
            let cut_short = report.cut_short;
            let mut ticks = report.ticks;
            ticks.push(tick);
            report = self.report(ticks);
            report.cut_short = cut_short;
        }
        Ok(report)
    }

    /// The current down to a third: the needle goes the wrong way.
    pub(crate) async fn retreat(&mut self) -> Result<(), Fault> {
        let output = &mut self.bench.instruments.output;
        output.lower(output.volts() / 3.0).await?;
        self.state.volts = self.volts();
        self.unanswered();
        (self.went_back, self.retreated) = (true, self.now());
        Ok(())
    }

    /// One cycle with nothing changed, unless the needle of a movement whose polarity is not known goes
    /// the wrong way; then it gets the time to come back.
    pub(crate) async fn careful_tick(&mut self) -> Result<Tick, Fault> {
        let tick = self.tick().await?;
        let since = self.now() - self.retreated;
        if self.goes_wrong() && since > self.rig.limits.slowest_period.get() {
            self.retreat().await?;
        }
        Ok(tick)
    }

    pub(crate) async fn hold(&mut self, time: Seconds) -> Result<Report, Halt> {
        let mut ticks = self.cycles(time).await?;
        if self.person.is_some() {
            ticks.push(self.asked_tick().await?);
        }
        Ok(self.report(ticks))
    }

    async fn settle(&mut self, settle: Settle) -> Result<Report, Halt> {
        self.is_a_rest(settle)?;
        if self.person.is_some() {
            return self.settle_asked(settle).await;
        }
        let began = self.now();
        let patience = (settle.slow * PATIENCE)
            .max(Seconds::new(120.0))
            .max(settle.window * 6.0);
        let mut ticks: Vec<Tick> = Vec::new();
        loop {
            ticks.push(self.careful_tick().await?);
            let since = self.now() - settle.window.get();
            let window = &ticks[ticks.partition_point(|tick| tick.at < since)..];
            let full = began <= since && window.len() >= 6;
            let still = full.then(|| stillness(window)).flatten();
            if let Some(still) = still.filter(|s| s.is_still(settle.slow.get(), settle.tolerance)) {
                let window = window.to_vec();
                return self.conclude(ticks, &window, &still, settle);
            }
            if self.now() - began > patience.get() {
                return Err(Fault::Restless(patience).into());
            }
        }
    }

    /// Keeps the observation of a window at rest, and learns from it.
    pub(crate) fn conclude(
        &mut self,
        ticks: Vec<Tick>,
        window: &[Tick],
        still: &Stillness,
        settle: Settle,
    ) -> Result<Report, Halt> {
        let observation = self.observe(window, still, settle);
        self.append(&observation)?;
        self.learn(&observation)?;
        let mut report = self.report(ticks);
        report.observation = Some(observation);
        Ok(report)
    }
}
