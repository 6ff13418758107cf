//! The plan's hand: small moves that all phases are made of.

use super::Depth;
use crate::needle::Law;
use crate::plan::{Stopped, Voice};
use evidence::{Observation, Purpose};
use guard::{Arrangement, Dynamics, Proposal, Range, Refusal, Report, Rig, Settle};
use quantity::{Amps, Ohms, Seconds, Volts};
use std::sync::Arc;

/// Least length of an S-shaped ramp in periods.
const RAMP_PERIODS: f64 = 3.05;
/// Length of a ramp by hand, in slowest periods: a hand turns evenly at best, which leaves more swing.
const HAND_PERIODS: f64 = 8.0;
/// The same on the way down, where no swing may go below zero.
const HAND_PERIODS_DOWN: f64 = 16.0;
/// Moves of a hand until the target is reached.
const HAND_MOVES: usize = 5;
/// Swing left after a ramp, as a fraction of scale.
const SWING_LEFT: f64 = 0.0012;
/// Ramp for a needle that can't overshoot.
const SHORT_RAMP: Seconds = Seconds::new(0.3);
/// A look in place of a step that is not possible.
const LOOK: Seconds = Seconds::milli(100.0);
/// Motion still to come that counts as rest.
const REST: f64 = 0.0002;
/// Deflections of the movement are aimed for within this part of the allowance.
const INSIDE: f64 = 0.998;

pub(super) struct Hand {
    pub voice: Voice,
    pub rig: Arc<Rig>,
    pub depth: Depth,
    pub law: Law,
    pub range: Range,
    pub reversed: bool,
    /// The loop current last asked for.
    pub current: Amps,
    /// Movement resistance by the last rest reading with current.
    pub movement: Option<Ohms>,
    pub dynamics: Option<Dynamics>,
    pub report: Report,
    /// Deflection at the last rest.
    pub here: f64,
    /// Fall of current that friction swallows before the needle follows.
    pub dead_band: Amps,
    shunted: bool,
    furthest: f64,
    done: f64,
    began: f64,
}

impl Hand {
    pub fn new(voice: Voice, rig: Arc<Rig>, depth: Depth) -> Result<Self, Stopped> {
        let Some(range) = rig.creep_ranges().into_iter().next() else {
            return Err(Stopped::Because(
                "the rig has no range for a first touch".to_owned(),
            ));
        };
        Ok(Self {
            voice,
            rig,
            depth,
            law: Law::default(),
            range,
            reversed: false,
            current: Amps::ZERO,
            movement: None,
            dynamics: None,
            report: Report::default(),
            here: 0.0,
            dead_band: Amps::ZERO,
            shunted: false,
            furthest: 0.0,
            done: 0.0,
            began: 0.0,
        })
    }

    /// Says where the plan stands. Time left is told from the pace of the phases after the needle
    /// is known, since creep's length depends on the movement.
    pub async fn say(&mut self, phase: &'static str, done: f64) {
        // A phase that comes again does not undo what was done since.
        let done = done.max(self.furthest);
        self.furthest = done;
        let now = self.report.ticks.last().map_or(0.0, |tick| tick.at);
        if self.dynamics.is_some() && self.began == 0.0 {
            (self.began, self.done) = (now, done);
        }
        let pace = (now - self.began) / (done - self.done);
        let left = (self.began > 0.0 && done > self.done + 0.05).then_some(pace * (1.0 - done));
        self.voice.say(phase, done, left).await;
    }

    pub async fn arrange(&mut self, range: Range, shunt: Vec<usize>) -> Result<(), Stopped> {
        let movement = self.movement.unwrap_or(Ohms::ZERO);
        let largest_drop = if self.movement.is_some() {
            range.top * movement * 1.05
        } else {
            Volts::new(1.0)
        };
        let reversed = self.reversed;
        let shunted = !shunt.is_empty();
        let arrangement = Arrangement {
            range: range.clone(),
            shunt,
            reversed,
            largest_drop,
        };
        self.report = self.voice.propose(Proposal::Arrange(arrangement)).await?;
        (self.range, self.shunted, self.current) = (range, shunted, Amps::ZERO);
        Ok(())
    }

    /// Ramp to `target` that leaves almost no swing, by what is known of the needle. The swing left
    /// by an S-shaped ramp of n periods is about 1/(πn³) of the move; it is kept below
    /// [`SWING_LEFT`], so that friction stops the needle on the same side of its band each time.
    pub fn ramp(&self, target: Amps) -> Seconds {
        let slowest = self.rig.limits.slowest_period;
        let Some(d) = self.dynamics else {
            // With a person it stays unknown, and is moved so all the way up and down.
            let person = self.rig.read_by_person();
            return slowest
                * match self.rig.supply.by_hand() {
                    true if target < self.current => HAND_PERIODS_DOWN,
                    true => HAND_PERIODS,
                    false if person => RAMP_PERIODS,
                    false => 2.2,
                };
        };
        if d.damping * 0.8 >= 1.0 {
            return SHORT_RAMP;
        }
        let share = |full_scale: Amps| (target - self.current).abs() / full_scale;
        let travel = self.law.full_scale().map_or(1.0, share);
        let periods = (travel / (std::f64::consts::PI * SWING_LEFT)).cbrt();
        d.period.min(slowest) * periods.clamp(RAMP_PERIODS, 8.0)
    }

    /// To `target` along a full ramp; less far where the evidence does not permit as much.
    pub async fn drive(&mut self, target: Amps) -> Result<(), Stopped> {
        let over = self.ramp(target);
        if !self.rig.supply.by_hand() {
            self.drive_over(target, over).await?;
            return Ok(());
        }
        // By hand a long way is gone in several moves, each of which leaves some swing.
        for _ in 0..HAND_MOVES {
            let before = self.current;
            self.drive_over(target, over).await?;
            let (way, left) = ((target - before).abs(), (target - self.current).abs());
            if left <= target * 0.005 || left >= way {
                break;
            }
        }
        Ok(())
    }

    pub async fn drive_over(&mut self, target: Amps, over: Seconds) -> Result<Report, Stopped> {
        let mut target = target;
        let raises = target > self.current;
        if raises {
            target = target.min(self.report.furthest * INSIDE).max(self.current);
        }
        let mut last = None;
        for _ in 0..10 {
            match self.voice.propose(Proposal::Drive { target, over }).await {
                Ok(report) => {
                    let reached = report.current.filter(|_| report.cut_short);
                    self.current = reached.map_or(target, |current| current.abs().min(target));
                    self.report = report.clone();
                    return Ok(report);
                }
                // What flows already is as much as is allowed, or a little more once all is counted anew.
                Err(refusal) if may_ask_for_less(&refusal) && raises && target <= self.current => {
                    return self.hold(LOOK).await;
                }
                Err(refusal) if may_ask_for_less(&refusal) && target > self.current => {
                    target = self.current + (target - self.current) * 0.8;
                    last = Some(refusal);
                }
                Err(refusal) => return Err(refusal.into()),
            }
        }
        Err(last.map_or_else(
            || Stopped::Because("no step was possible".to_owned()),
            Stopped::Refused,
        ))
    }

    pub async fn lower(&mut self) -> Result<(), Stopped> {
        if self.current > Amps::ZERO {
            return self.drive(Amps::ZERO).await;
        }
        self.drive_over(Amps::ZERO, Seconds::ZERO).await?;
        Ok(())
    }

    /// Current to zero and the needle down with it, so that what follows comes from below.
    pub async fn rest_at_zero(&mut self) -> Result<(), Stopped> {
        self.lower().await?;
        self.settle(Purpose::Watch).await?;
        Ok(())
    }

    pub async fn hold(&mut self, time: Seconds) -> Result<Report, Stopped> {
        self.report = self.voice.propose(Proposal::Hold(time)).await?;
        Ok(self.report.clone())
    }

    pub async fn identified(&mut self, dynamics: Dynamics) -> Result<(), Stopped> {
        self.dynamics = Some(dynamics);
        self.voice.propose(Proposal::Identified(dynamics)).await?;
        Ok(())
    }

    /// Waits for rest and makes an observation; answers the deflection.
    pub async fn settle(&mut self, purpose: Purpose) -> Result<f64, Stopped> {
        let (slow, window) = self.patience();
        let settle = Settle {
            purpose,
            window,
            slow,
            tolerance: REST,
        };
        self.report = self.voice.propose(Proposal::Settle(settle)).await?;
        let Some(observation) = self.report.observation.clone() else {
            return Err(Stopped::Because(
                "the guard settled without an observation".to_owned(),
            ));
        };
        self.here = self.learn(&observation);
        Ok(self.here)
    }

    fn patience(&self) -> (Seconds, Seconds) {
        let slowest = self.rig.limits.slowest_period;
        let Some(d) = self.dynamics else {
            return (Seconds::new(1.0), slowest * 0.8);
        };
        // A closed shunt damps more: the slower pole is slower than identified.
        let slow = if self.shunted {
            d.slow().max(d.period * 0.5)
        } else {
            d.slow()
        };
        // A creeping needle's back-EMF fades without turning round; it needs the longer look.
        let creeping = if d.damping > 1.0 { 3.5 } else { 1.5 };
        let window = Seconds::new(0.5).max(d.period * 0.8).max(slow * creeping);
        (slow, window)
    }

    fn learn(&mut self, observation: &Observation) -> f64 {
        let deflection = observation.needle.map_or(0.0, |needle| needle.deflection);
        let (Some(current), false) = (observation.loop_current(), self.shunted) else {
            return deflection;
        };
        let current = current.abs();
        if observation.set.supply <= Volts::ZERO {
            // Less was asked for than the supply's first step gives.
            self.current = Amps::ZERO;
        }
        if self.current > Amps::ZERO && current > Amps::ZERO {
            let drop = Volts::new(observation.drop.map_or(0.0, |reading| reading.value)).abs();
            self.movement = Some(drop / current);
            self.current = current;
            if observation.purpose != Purpose::Falling {
                self.law.add(current, deflection);
            }
        }
        deflection
    }

    /// Heaviest path that the evidence has earned, by the rule that the guard will hold it to.
    fn heaviest(&self) -> usize {
        let limits = &self.rig.limits;
        let proven = self.report.allowance / limits.ceiling;
        let earned = |i: &usize| self.rig.paths[*i].fault_current * limits.earn <= proven;
        (1..self.rig.paths.len())
            .take_while(earned)
            .last()
            .unwrap_or(0)
    }

    /// A range for currents up to `top`, or as near to it as the evidence has earned.
    pub fn range_up_to(&self, top: Amps) -> Option<Range> {
        let movement = self.movement.unwrap_or(Ohms::ZERO);
        let mut top = top;
        while top > self.rig.limits.first_touch {
            if let Some(range) = self.rig.range_for(top, movement, self.heaviest()) {
                return Some(range);
            }
            top = top * 0.9;
        }
        None
    }

    /// Makes sure that the present range can carry `target`; changes it by way of zero where not, to one
    /// that goes up to `room` times as much, where there is such a one. Whether it was changed.
    pub async fn reach(&mut self, target: Amps, room: f64) -> Result<bool, Stopped> {
        if target <= self.range.top {
            return Ok(false);
        }
        let more = |range: &Range| range.top > self.range.top;
        let Some(range) = self.range_up_to(target * room).filter(more) else {
            return Ok(false);
        };
        self.change_range(range).await?;
        Ok(true)
    }

    /// A range in which the supply's steps make at least a sixth less current each; whether there is one.
    pub async fn finer_range(&mut self) -> Result<bool, Stopped> {
        let movement = self.movement.unwrap_or(Ohms::ZERO);
        let finer =
            |range: &Range| self.rig.range_low(range) > self.rig.range_low(&self.range) * 1.2;
        let range = self
            .rig
            .range_for(self.current * 2.0, movement, self.heaviest());
        let Some(range) = range.filter(finer) else {
            return Ok(false);
        };
        self.change_range(range).await?;
        Ok(true)
    }

    /// Another range by way of zero, then back to the current that was flowing.
    pub async fn change_range(&mut self, range: Range) -> Result<(), Stopped> {
        let back = self.current;
        self.lower().await?;
        self.arrange(range, Vec::new()).await?;
        self.drive(back).await
    }
}

/// Refusals that a smaller step may not meet.
fn may_ask_for_less(refusal: &Refusal) -> bool {
    matches!(
        refusal,
        Refusal::Allowance { .. }
            | Refusal::Overshoot { .. }
            | Refusal::Range { .. }
            | Refusal::Rating { .. }
            | Refusal::Carries { .. }
    )
}
