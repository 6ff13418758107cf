//! One relay: an armature that leaves one side, flies, and bounces on the other.

use crate::draw::Draw;

/// Kind of contact.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Closed while the coil is energised.
    NormallyOpen,
    /// Closed while the coil is not energised.
    NormallyClosed,
    /// Break-before-make between two positions.
    Changeover,
}

/// Where the armature is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Position {
    /// On the de-energised side.
    Resting,
    /// Touching neither side.
    Between,
    /// On the energised side.
    Pulled,
}

/// Longest time from the command to the last bounce: 5 ms operate or release plus 2 ms, ns.
pub const LONGEST_MOVE: u64 = 7_000_000;

/// A relay with its contact.
#[derive(Debug, Clone)]
pub struct Relay {
    kind: Kind,
    position: Position,
    /// Coil state as commanded; this is all that a read-back sees.
    pub energised: bool,
    /// Counts commands, so that the rest of an interrupted move can be recognised and dropped.
    pub generation: u32,
    /// The contact can no longer open (a normally open or normally closed one).
    pub welded: bool,
    /// The contact can no longer close.
    pub broken: bool,
    /// The armature no longer moves.
    pub dead: bool,
    /// The armature moves later by so many ns.
    pub slow: u64,
}

impl Relay {
    /// A de-energised relay.
    pub fn new(kind: Kind) -> Self {
        Relay {
            kind,
            position: Position::Resting,
            energised: false,
            generation: 0,
            welded: false,
            broken: false,
            dead: false,
            slow: 0,
        }
    }

    /// The contact conducts (changeover: on the energised side).
    pub fn closed(&self) -> bool {
        let made = match self.kind {
            Kind::NormallyClosed => Position::Resting,
            Kind::NormallyOpen | Kind::Changeover => Position::Pulled,
        };
        !self.broken && (self.welded || self.position == made)
    }

    /// Fault: the contact closes, if it is open, and stays so; a changeover stays on its side.
    pub fn weld(&mut self) {
        match self.kind {
            Kind::Changeover => self.dead = true,
            Kind::NormallyOpen | Kind::NormallyClosed => self.welded = true,
        }
    }

    /// The armature is on its de-energised side (what a changeover needs beside `closed`).
    pub fn resting(&self) -> bool {
        self.position == Position::Resting
    }

    /// Moves the armature; true when a contact changed.
    pub fn arrive(&mut self, position: Position) -> bool {
        let before = (self.closed(), self.resting());
        self.position = position;
        match self.kind {
            Kind::Changeover => before != (self.closed(), self.resting()),
            _ => before.0 != self.closed(),
        }
    }

    /// Starts a move at `now` and gives its further course: times (ns, in order) and positions.
    /// Empty when the coil is in that state already.
    pub fn command(&mut self, on: bool, now: u64, draw: &mut Draw) -> Vec<(u64, Position)> {
        if self.energised == on {
            return Vec::new();
        }
        self.energised = on;
        if self.dead {
            return Vec::new();
        }
        self.generation += 1;
        let target = if on {
            Position::Pulled
        } else {
            Position::Resting
        };
        let leave = self.slow + draw.nanos(500_000, 3_500_000);
        let mut at = leave + draw.nanos(200_000, 1_500_000);
        let mut course = vec![(now + leave, Position::Between), (now + at, target)];
        let bounces = draw.nanos(0, 4);
        for _ in 0..bounces {
            at += draw.nanos(20_000, 300_000);
            course.push((now + at, Position::Between));
            at += draw.nanos(20_000, 300_000);
            course.push((now + at, target));
        }
        course
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moves_are_bounded_and_end_on_the_commanded_side() {
        let mut draw = Draw::new(5, 1);
        let mut bounced = 0;
        for round in 0..2000 {
            let mut relay = Relay::new(Kind::NormallyOpen);
            let course = relay.command(true, 1000, &mut draw);
            assert!(course.windows(2).all(|pair| pair[0].0 < pair[1].0));
            let made = course[1].0 - 1000;
            assert!(made <= 5_000_000, "operate time {made} in round {round}");
            let (last, end) = course[course.len() - 1];
            assert!(last - 1000 - made <= 2_000_000);
            assert!(last - 1000 <= LONGEST_MOVE);
            assert_eq!(end, Position::Pulled);
            bounced += usize::from(course.len() > 2);
        }
        assert!(bounced > 1000, "most closing contacts bounce: {bounced}");
    }

    #[test]
    fn normally_closed_opens_when_energised() {
        let mut relay = Relay::new(Kind::NormallyClosed);
        assert!(relay.closed());
        assert!(relay.arrive(Position::Between));
        assert!(!relay.closed());
        assert!(!relay.arrive(Position::Pulled));
    }
}
