//! A needle that stands still while nothing is changed goes on to do so. One that stands elsewhere all at
//! once is another one, or sticks and has let go: something has come between the reader and this dial.

use crate::allowance::SURE_MOTION;
use quantity::Volts;

/// So many sightings show where the needle stands, and as many that it stands elsewhere.
const SIGHTINGS: usize = 3;
/// Within this share of scale of each other they stand still.
const STILL: f64 = 0.003;
/// Further than this no needle goes at once that friction held by no more than it may.
const JUMP: f64 = 0.03;
/// A change of the set-point by less than this share of it moves no needle as far as that, not even one
/// that begins its scale at four fifths of its full-scale current.
const CHANGE: f64 = 0.003;
/// By so much, s, the age of a picture may be off: one from before a change would count as one from after.
const LATE: f64 = 0.15;
/// Hardly a needle goes this far, as a share of scale, from one sighting to the next in its first motion, whose
/// current grows slowly.
const LEAP: f64 = 0.005;

/// The last sightings at one set-point, or nearly so.
#[derive(Debug, Default)]
pub(crate) struct Calm {
    volts: Volts,
    since: f64,
    seen: Vec<f64>,
}

impl Calm {
    /// The picture of a needle `at` some moment of the run shows `deflection`, with the supply at `volts`; answers
    /// from where to where it has jumped, if it has.
    pub fn saw(&mut self, at: f64, volts: Volts, deflection: f64) -> Option<(f64, f64)> {
        if (volts - self.volts).abs() > self.volts * CHANGE {
            self.seen.clear();
            (self.volts, self.since) = (volts, at);
        }
        if at - self.since < LATE {
            return None;
        }
        if self.seen.len() == 2 * SIGHTINGS {
            self.seen.remove(0);
        }
        self.seen.push(deflection);
        let (before, after) = self.seen.split_at_checked(SIGHTINGS)?;
        // One that swings stands still at its turning points, but not at two with nothing between.
        if after.len() < SIGHTINGS || !still(before) || !still(after) {
            return None;
        }
        let stood = before.iter().sum::<f64>() / before.len() as f64;
        let beyond = |way: f64| after.iter().all(|d| (d - stood) * way > JUMP);
        (beyond(1.0) || beyond(-1.0)).then_some((stood, deflection))
    }
}

fn still(seen: &[f64]) -> bool {
    let high = seen.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = seen.iter().copied().fold(f64::INFINITY, f64::min);
    high - low < STILL
}

/// A needle goes through all that lies between one place and another; a picture that begins to show another
/// needle doesn't. One that stood away from its zero all at once, in its first motion, has still to
/// show that it follows the current.
#[derive(Debug, Default)]
pub(crate) struct FirstWay {
    last: Option<f64>,
    sprung: bool,
    let_go: bool,
}

impl FirstWay {
    /// The next sighting, as a distance from the needle's zero.
    pub fn saw(&mut self, from_zero: f64) {
        let leapt = self.last.is_some_and(|last| from_zero - last > LEAP);
        self.last = Some(from_zero);
        self.sprung = from_zero > SURE_MOTION / 2.0 && (leapt || self.sprung);
        self.let_go &= self.sprung;
    }

    /// The current was let go, and the needle has not followed.
    pub fn let_go(&mut self) {
        self.let_go = self.sprung;
    }

    /// Whether the needle stands where it was not seen to go.
    pub fn sprung(&self) -> bool {
        self.sprung
    }

    /// Why no more current may flow without another proof of motion, if it may not.
    pub fn unclear(&self) -> Option<String> {
        let stands = self.last.filter(|_| self.sprung)? * 100.0;
        Some(match self.let_go {
            false => format!(
                "the needle stands {stands:.1} % of scale away from its zero all at once; first the current must \
                 be let go, to see whether it follows"
            ),
            true => format!(
                "the needle in the picture stood {stands:.1} % of scale away from its zero all at once, and did not \
                 follow when the current was let go: does it stick, or is the reader looking at something else?"
            ),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn jump(seen: &[f64]) -> Option<(f64, f64)> {
        let mut calm = Calm::default();
        let (volts, mut at) = (Volts::new(1.0), 0.0);
        calm.saw(at, volts, 0.0);
        seen.iter().fold(None, |found, d| {
            at += 0.5;
            found.or(calm.saw(at, volts, *d))
        })
    }

    #[test]
    fn a_needle_that_is_elsewhere_all_at_once_has_jumped() {
        let after = |stood: [f64; 3], after: &[f64]| jump(&[&stood[..], after].concat());
        let stood = [0.9399, 0.9401, 0.94];
        let (from, to) = after(stood, &[0.873, 0.8731, 0.8729]).unwrap();
        assert!((from - 0.94).abs() < 1e-9 && to == 0.8729);
        let half = [0.5; 3];
        assert!(after(half, &[0.531, 0.532, 0.533]).is_some());
        // Too little, too few, back again, and one that was on its way.
        assert_eq!(after(half, &[0.529, 0.529, 0.529]), None);
        assert_eq!(after(half, &[0.4, 0.4]), None);
        assert_eq!(after(half, &[0.4, 0.4, 0.5, 0.6, 0.6]), None);
        let rises: Vec<f64> = (0..40).map(|n| f64::from(n) * 0.02).collect();
        assert_eq!(jump(&rises), None);
    }

    /// A swing of a fifth of scale, from the quickest to a slow one, of which now and then two sightings are
    /// lost: it stands still at its turning points, but leaves them gently.
    #[test]
    fn a_needle_that_swings_jumps_nowhere() {
        for period in [0.02, 0.1, 0.3, 0.5, 0.83, 1.0, 1.3, 2.0, 3.0, 4.0] {
            for (every, lost) in [0.033, 0.04, 0.05, 0.1].into_iter().zip([5, 7, 8, 100]) {
                for start in 0..10 {
                    let swing = |n: i32| {
                        let at = (f64::from(n) + f64::from(start) * 0.1) * every;
                        0.5 + 0.2
                            * (-0.6 * at / period).exp()
                            * (std::f64::consts::TAU * at / period).cos()
                    };
                    let seen: Vec<f64> = (0..200).filter(|n| n % lost > 1).map(swing).collect();
                    assert_eq!(jump(&seen), None, "{period} s, every {every} s");
                }
            }
        }
    }

    /// Pictures may still be those from before the change.
    #[test]
    fn another_set_point_brings_it_elsewhere() {
        let jumps = |after: f64| {
            let mut calm = Calm::default();
            let mut at = 0.0;
            let mut saw = |volts: f64, d: f64| {
                at += 0.1;
                calm.saw(at, Volts::new(volts), d)
            };
            for _ in 0..20 {
                assert_eq!(saw(1.0, 0.5), None);
            }
            assert!((0..2).all(|_| saw(after, 0.5).is_none()));
            (0..20).any(|_| saw(after, 0.6).is_some())
        };
        assert!(jumps(1.0) && jumps(1.002) && !jumps(1.2) && !jumps(0.9));
    }

    /// 0.25 % of scale per sighting is a slow needle in its first motion; another dial's is there at once.
    #[test]
    fn a_needle_that_was_not_seen_on_its_way_has_to_follow_first() {
        let after = |seen: &[f64]| {
            let mut way = FirstWay::default();
            seen.iter().for_each(|d| way.saw(*d));
            way
        };
        assert!(!after(&[0.0, 0.0025, 0.005, 0.0075, 0.01]).sprung());
        assert!(!after(&[-0.02, -0.01, 0.003]).sprung());
        assert_eq!(after(&[0.0, 0.0049]).unclear(), None);
        // Also from below.
        assert!(after(&[-0.004, 0.0101, 0.0101]).sprung());
        assert!(after(&[0.0, 0.02, 0.021, 0.021]).sprung());
        // A disturbance goes by.
        assert!(!after(&[0.0, 0.02, 0.001]).sprung());
        let mut way = after(&[0.0, 0.02]);
        assert!(way.unclear().unwrap().contains("2.0 % of scale"));
        assert!(
            way.unclear()
                .unwrap()
                .contains("first the current must be let go")
        );
        way.let_go();
        way.saw(0.02);
        assert!(way.unclear().unwrap().contains("did not follow"));
        way.saw(0.0);
        way.saw(0.02);
        assert!(
            way.unclear()
                .unwrap()
                .contains("first the current must be let go")
        );
    }
}
