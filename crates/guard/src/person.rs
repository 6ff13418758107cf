//! With a person before the dial: when the needle is asked for, and which answers can be.
//!
//! A person is asked once for each state of the rig that counts. While the answer is waited for, the
//! current stays as it is and the meters are watched as ever. The allowance permits twice the largest
//! current at which there was an answer, so nothing grows that nobody looks at.

use crate::allowance::{Evidence, LAG, PERSON_GROWTH};
use crate::core::Core;
use crate::fault::Fault;
use crate::proposal::{Halt, Report, Settle};
use crate::rest::{Tick, stillness};
use crate::rig::Limits;
use crate::watch::stopped;
use evidence::{Needle, Sight, SightFuture};
use quantity::{Amps, Seconds, Volts};
use tokio::time::{Duration, sleep};

/// Pause between two cycles of the meters while a person thinks.
const WATCH_EVERY: Duration = Duration::from_millis(250);
/// Furthest from zero that a needle without current may be said to stand, before its zero is known.
const ZERO_WITHIN: f64 = 0.07;
/// What friction and the eye may add to what the evidence lets expect, as a fraction of scale.
const LEEWAY: f64 = 0.02;
/// Furthest that a needle can come by one doubling of a current in which it did not move: a square
/// law makes four times its deflection, a scale that begins late some more.
const FIRST_JUMP: f64 = 0.3;
/// Deepest that a lower stop lies.
const LOWER_STOP: f64 = -0.1;
/// An answer that differs by less is the same answer.
const SAME: f64 = 0.005;

/// What the person has said about the present state of the rig.
#[derive(Debug, Default)]
pub(crate) struct Asked {
    pub needle: Option<Needle>,
    /// What the meters in the hand show: over the sense element and across the movement, V.
    pub readings: Option<(f64, f64)>,
}

impl Core {
    /// The rig's state changes: what was said says nothing about the next.
    pub(crate) fn unanswered(&mut self) {
        if let Some(asked) = &mut self.person {
            *asked = Asked::default();
        }
    }

    /// Current flows that nobody has looked at.
    pub(crate) fn owes_answer(&self) -> bool {
        let asked = self.person.as_ref();
        self.volts() > Volts::ZERO && asked.is_some_and(|asked| asked.needle.is_none())
    }

    /// Time without motion that counts as one answered step.
    pub(crate) fn answered_step(&self) -> Seconds {
        Seconds::new(PERSON_GROWTH.ln() / (1.0 + self.rig.limits.growth).ln())
    }

    /// Gives the slowest needle a period to move, so that nobody is asked too early.
    pub(crate) async fn let_settle(&mut self) -> Result<(), Fault> {
        self.window(self.rig.limits.slowest_period, None)
            .await
            .map(drop)
    }

    /// A cycle with what the person said about this state; asks where nothing was said yet.
    pub(crate) async fn asked_tick(&mut self) -> Result<Tick, Fault> {
        match self.person.as_ref().and_then(|asked| asked.needle) {
            Some(needle) => self.cycle(Some(needle)).await,
            None => self.ask().await,
        }
    }

    /// Asks, again where the answer can't be, and takes it into a cycle.
    async fn ask(&mut self) -> Result<Tick, Fault> {
        let flow = self.flow().await?;
        let mut about = self.flowing(flow);
        let mut doubted: Option<f64> = None;
        let needle = loop {
            let needle = self.answer(&about).await?;
            let said = needle.deflection;
            // Who looks again and sees the same has seen it.
            if doubted.is_some_and(|earlier| (earlier - said).abs() < SAME) {
                break needle;
            }
            let Some((low, high)) = self.implausible(flow, &needle) else {
                break needle;
            };
            doubted = Some(said);
            about = format!(
                "{:.1} % can hardly be: {}, and by what was seen so far the needle then stands \
                 between {:.1} % and {:.1} %. Look again; the same answer is then taken as it is",
                said * 100.0,
                self.flowing(flow),
                low * 100.0,
                high * 100.0
            );
        };
        self.u_shared = needle.u_shared;
        if let Some(asked) = &mut self.person {
            asked.needle = Some(needle);
        }
        // Before anybody looks at a meter.
        self.below_ceiling(needle.deflection, needle.u)?;
        let tick = self.cycle(Some(needle)).await?;
        if !self.shunted() {
            self.evidence.answered(self.loop_current(&tick).abs());
        }
        Ok(tick)
    }

    /// The least and the most that the movement carries now: by a reading, or, where meters are by
    /// hand, by the set-point, since the needle is asked for first.
    async fn flow(&mut self) -> Result<(Amps, Amps), Fault> {
        if self.volts() <= Volts::ZERO {
            return Ok((Amps::ZERO, Amps::ZERO));
        }
        let (least, most) = match self.rig.probed_by_hand() {
            true => (self.drives_at_least(), self.expected.min(self.drives_now())),
            false => {
                let tick = self.cycle(None).await?;
                let current = self.loop_current(&tick).abs();
                (current, current)
            }
        };
        // With a shunt beside it the movement may carry next to nothing.
        let least = if self.shunted() { Amps::ZERO } else { least };
        Ok((least, most))
    }

    pub(crate) fn shunted(&self) -> bool {
        let shunted = |a: &crate::state::Arrangement| !a.shunt.is_empty();
        self.state.arrangement.as_ref().is_some_and(shunted)
    }

    fn flowing(&self, (least, most): (Amps, Amps)) -> String {
        match (most > Amps::ZERO, self.rig.probed_by_hand()) {
            (false, _) => "no current flows".to_owned(),
            (true, false) => format!("{most:.4} flow"),
            (true, true) => format!("{least:.3} to {most:.3} flow, by the supply's display"),
        }
    }

    /// Waits for one answer, and goes on watching the meters meanwhile.
    async fn answer(&mut self, about: &str) -> Result<Needle, Fault> {
        let mut sight = std::mem::replace(&mut self.bench.sight, Box::new(Nobody));
        let watches = !self.rig.probed_by_hand();
        let sighting = {
            let mut asked = sight.ask(about);
            loop {
                tokio::select! {
                    biased;
                    fault = stopped(&mut self.stop, &mut self.watched) => return Err(fault),
                    sighting = &mut asked => break sighting,
                    () = sleep(WATCH_EVERY) => {}
                }
                match watches {
                    true => drop(self.cycle(None).await?),
                    false => self.bench.instruments.output.keep_alive().await?,
                }
            }
        };
        self.bench.sight = sight;
        let lost = |reason| Fault::Instrument(format!("reader: {reason}"));
        sighting.seen.map_err(lost)
    }

    /// Between which deflections the needle must stand, where it is said not to.
    fn implausible(&self, flow: (Amps, Amps), needle: &Needle) -> Option<(f64, f64)> {
        let u = needle.u.hypot(needle.u_shared);
        let (low, high) = possible(&self.evidence, &self.rig.limits, flow, u);
        let outside = needle.deflection < low || needle.deflection > high;
        outside.then_some((low, high))
    }

    /// Rest: the back-EMF is gone, the person says where the needle stands, and the drop has not
    /// moved since.
    pub(crate) async fn settle_asked(&mut self, settle: Settle) -> Result<Report, Halt> {
        if self.rig.probed_by_hand() {
            return self.settle_by_hand(settle).await;
        }
        let until = self.now() + settle.slow.get().max(settle.window.get()) * 60.0;
        let mut ticks = Vec::new();
        loop {
            // Nobody is asked while the drop still shows motion.
            loop {
                let window = self.window(settle.window, None).await?;
                let still = stillness(&window);
                ticks.extend(window);
                let rests = |s: crate::rest::Stillness| s.is_still(settle.slow.get(), 1.0);
                if still.is_some_and(rests) {
                    break;
                }
                if self.now() > until {
                    return Err(Fault::Restless(Seconds::new(until)).into());
                }
            }
            self.unanswered();
            let asked = self.asked_tick().await?;
            let window = self.window(settle.window, asked.needle).await?;
            if let Some(mut still) = stillness(&window) {
                // One reading; what it may be off by does not show in it.
                (still.s, still.n) = (still.stated, 1);
                if still.is_still(settle.slow.get(), settle.tolerance) {
                    ticks.push(asked);
                    return self.conclude(ticks, &window, &still, settle);
                }
            }
        }
    }

    /// Cycles for so long, with the needle where it was said to be; without an answer somewhere, since
    /// only the meters are looked at.
    async fn window(
        &mut self,
        length: Seconds,
        needle: Option<(f64, f64)>,
    ) -> Result<Vec<Tick>, Fault> {
        if self.rig.probed_by_hand() {
            self.pause(length).await?;
            return Ok(Vec::new());
        }
        let until = self.now() + length.get();
        let mut window = Vec::new();
        while self.now() < until || window.len() < 6 {
            let tick = self.cycle(None).await?;
            let needle = needle.or(Some((0.0, 1.0)));
            window.push(Tick { needle, ..tick });
        }
        Ok(window)
    }
}

/// Between which deflections the needle stands while the movement carries between `least` and `most`,
/// by what was seen so far; `u` is the standard uncertainty of the reading.
fn possible(
    evidence: &Evidence,
    limits: &Limits,
    (least, most): (Amps, Amps),
    u: f64,
) -> (f64, f64) {
    let leeway = LEEWAY + 4.0 * u;
    let zero = evidence.zero().unwrap_or(0.0);
    if most <= Amps::ZERO {
        let within = evidence.zero().map_or(ZERO_WITHIN, |_| leeway);
        return (zero - within, zero + within);
    }
    if !evidence.stands() {
        return (LOWER_STOP, zero + FIRST_JUMP);
    }
    let low = evidence.deflection_low(least * 0.98).unwrap_or(0.0);
    let low = low.max(evidence.due(least));
    let high = evidence.deflection_high(most * 1.02);
    let high = high.unwrap_or(limits.ceiling).min(limits.ceiling);
    (zero + low - LAG - 2.0 * u, high + leeway)
}

/// Nobody reads the needle, for as long as somebody is asked.
pub(crate) struct Nobody;

impl Sight for Nobody {
    fn look(&mut self) -> SightFuture<'_> {
        let sighting = evidence::Sighting {
            age: 0.0,
            seen: Err("somebody is being asked".to_owned()),
        };
        Box::pin(std::future::ready(sighting))
    }

    fn name(&self) -> String {
        "nobody".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::allowance::Point;
    use crate::rig::Rig;

    fn limits() -> Limits {
        let text = include_str!("../../../rigs/simulated.toml");
        Rig::parse(text, "simulated.toml").unwrap().limits
    }

    fn at(micro: f64) -> (Amps, Amps) {
        (Amps::micro(micro), Amps::micro(micro))
    }

    /// A straight scale of 50 µA, seen at 20 % and 40 %: at 30 µA it stands at 60 %.
    #[test]
    fn what_a_needle_may_do_follows_from_what_it_did() {
        let (mut evidence, limits) = (Evidence::default(), limits());
        assert_eq!(possible(&evidence, &limits, at(0.0), 0.002), (-0.07, 0.07));
        evidence.saw_zero(0.01);
        let (low, high) = possible(&evidence, &limits, at(0.0), 0.0);
        assert!((low + 0.01).abs() < 1e-12 && (high - 0.03).abs() < 1e-12);
        // Either polarity may be the wrong one, and a first sign of motion is small.
        assert_eq!(possible(&evidence, &limits, at(2.0), 0.0), (-0.1, 0.31));
        for (micro, deflection) in [(10.0, 0.21), (20.0, 0.41)] {
            evidence.stood(Point {
                current: Amps::micro(micro),
                deflection,
                u: 0.001,
                fell: false,
            });
        }
        let (low, high) = possible(&evidence, &limits, at(30.0), 0.001);
        assert!(high > 0.61 && high < 0.72, "{high}");
        // Less than this would be a needle that sticks, and end the run: 0.4 grows by half of a half.
        assert!(
            (low - (0.01 + 0.398 * 1.25 - 0.015 - 0.002)).abs() < 1e-9,
            "{low}"
        );
        // With a shunt beside it the movement may carry next to nothing.
        let (low, _) = possible(&evidence, &limits, (Amps::ZERO, Amps::micro(30.0)), 0.0);
        assert!(low < 0.0, "{low}");
    }
}
