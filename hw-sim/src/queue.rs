//! Things that will happen at known instants of bench time.

use crate::relay::Position;
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// One thing that happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Event {
    /// A relay's armature arrives somewhere: relay, command count, position.
    Armature(usize, u32, Position),
    /// The supply passes its overshoot or stands still: passage count.
    SupplyMark(u32),
    /// The supply's protection lets go: passage count.
    Trip(u32),
    /// The supply's watchdog looks whether a line has come.
    Watchdog,
    /// A meter's window opens: meter, series.
    WindowOpens(usize, u64),
    /// A meter's window closes: meter, series.
    WindowCloses(usize, u64),
    /// The camera exposes a frame.
    Frame(u64),
    /// A fault may strike or be over: its place in the plan.
    Fault(usize),
}

/// Events in order of time, those of one instant in the order they were entered.
#[derive(Debug, Clone, Default)]
pub struct Queue {
    heap: BinaryHeap<Reverse<(u64, u64, Event)>>,
    entered: u64,
}

impl Queue {
    /// Enters an event at `at` (ns).
    pub fn enter(&mut self, at: u64, event: Event) {
        self.entered += 1;
        self.heap.push(Reverse((at, self.entered, event)));
    }

    /// When the next event is due.
    pub fn next(&self) -> Option<u64> {
        self.heap.peek().map(|Reverse((at, ..))| *at)
    }

    /// Takes the next event if it is due at `now`.
    pub fn take(&mut self, now: u64) -> Option<Event> {
        if self.next()? > now {
            return None;
        }
        self.heap.pop().map(|Reverse((.., event))| event)
    }
}
