//! When a fault strikes and when it is over.

use super::{Fault, Kind, Place};
use crate::bench::Bench;
use crate::camera::{Exposed, Look};
use crate::queue::Event;

/// One fault on its way.
#[derive(Debug, Clone)]
pub struct Course {
    pub fault: Fault,
    /// From when lines and seconds count, ns.
    from: Option<u64>,
    lines: u64,
    state: State,
    /// What a frozen reader keeps saying.
    pub look: Option<Look>,
    /// What a frozen camera keeps showing.
    pub exposed: Option<Exposed>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Waiting,
    /// Since when (ns), and how often it was felt.
    Active(u64, u32),
    Over,
}

impl Course {
    fn due(&self, now: u64) -> bool {
        let since = |from: u64| now >= from + nanos(self.fault.after_seconds);
        self.state == State::Waiting
            && self.lines >= self.fault.after_lines
            && self.from.is_some_and(since)
    }

    fn over(&self, now: u64) -> bool {
        match (self.state, self.fault.for_seconds) {
            (State::Active(since, _), Some(seconds)) => now >= since + nanos(seconds),
            _ => false,
        }
    }
}

fn nanos(seconds: f64) -> u64 {
    (seconds * 1e9) as u64
}

impl Bench {
    /// Puts the faults of a plan on their way.
    pub(crate) fn plan(&mut self, faults: &[Fault]) {
        for fault in faults {
            let course = Course {
                fault: *fault,
                from: None,
                lines: 0,
                state: State::Waiting,
                look: None,
                exposed: None,
            };
            self.faults.push(course);
        }
        self.begin_counting(false);
    }

    /// Lines and seconds count from now on for faults that wait for that.
    pub(crate) fn begin_counting(&mut self, output_on: bool) {
        for k in 0..self.faults.len() {
            let course = &mut self.faults[k];
            if course.from.is_none() && (output_on || !course.fault.when_on) {
                course.from = Some(self.now);
                let at = self.now + nanos(course.fault.after_seconds);
                self.queue.enter(at, Event::Fault(k));
                self.look_at_fault(k);
            }
        }
    }

    /// An instrument is about to carry out a line.
    pub(crate) fn received(&mut self, place: Place) {
        self.lines += 1;
        if place == Place::Supply {
            self.supply.heard = self.now;
        }
        // A wire with faults counts for itself: its lines may wait for one another.
        if !self.faults.is_empty() && !self.spoils_wire(place) {
            self.count_line(place);
        }
    }

    /// A line has come; faults that waited for it strike before it is carried out.
    pub(crate) fn count_line(&mut self, place: Place) {
        for k in 0..self.faults.len() {
            if self.faults[k].fault.place == place {
                self.look_at_fault(k);
                let course = &mut self.faults[k];
                course.lines += u64::from(course.from.is_some());
            }
        }
    }

    /// Strikes when it is time, lifts when it is over.
    pub(crate) fn look_at_fault(&mut self, k: usize) {
        let now = self.now;
        let course = &mut self.faults[k];
        if course.due(now) {
            course.state = State::Active(now, 0);
            let fault = course.fault;
            if let Some(seconds) = fault.for_seconds {
                self.queue.enter(now + nanos(seconds), Event::Fault(k));
            }
            self.trace.strikes(now);
            self.strike(&fault);
            self.note_current();
        } else if course.over(now) {
            course.state = State::Over;
            let fault = course.fault;
            self.lift(&fault);
        }
    }

    /// Feels an active fault of this kind: its size (0 where it has none). Counts as one time.
    pub(crate) fn feel(&mut self, place: Place, kind: Kind) -> Option<f64> {
        self.felt(place, kind)
            .map(|course| course.fault.size.unwrap_or(0.0))
    }

    /// As [`Bench::feel`], with the fault itself.
    pub(crate) fn felt(&mut self, place: Place, kind: Kind) -> Option<&mut Course> {
        let course = self.faults.iter_mut().find(|course| {
            (course.fault.place, course.fault.kind) == (place, kind)
                && matches!(course.state, State::Active(..))
        })?;
        if let State::Active(since, felt) = course.state {
            let over = course.fault.times.is_some_and(|times| felt + 1 >= times);
            course.state = if over {
                State::Over
            } else {
                State::Active(since, felt.saturating_add(1))
            };
        }
        Some(course)
    }
}
