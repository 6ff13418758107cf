//! A needle that stands still while nothing is changed goes on to do so, and one that moves goes through all
//! that lies between. Where the picture shows otherwise, the needle sticks and has let go, or it is another
//! one: something has come between the reader and this dial.

use crate::allowance::SURE_MOTION;
use quantity::Volts;

/// So many sightings, over so many seconds, show where the needle stands: longer than one that swings stands
/// at its turning points.
const SIGHTINGS: usize = 3;
const STANDS_FOR: f64 = 0.2;
/// Within this share of scale of each other they stand still, or within so many times their uncertainty.
const STILL: f64 = 0.003;
const SCATTERS: f64 = 6.0;
/// Further than this no needle goes so suddenly, in s, that friction held by no more than it may; or further
/// than twice of what counts as still.
const JUMP: f64 = 0.03;
const SUDDENLY: f64 = 0.2;
/// A change of the set-point by less than this share of it moves no needle as far as that, not even one
/// that begins its scale at four fifths of its full-scale current.
const CHANGE: f64 = 0.003;
/// By so much, s, the age of a picture may be off: one from before a change would count as one from after.
const LATE: f64 = 0.15;
/// Between two sightings a needle in its first motion, whose current grows slowly, goes hardly so far, as a
/// share of scale, and so much per second that passes.
const LEAP: (f64, f64) = (0.003, 0.05);

/// What was seen at one set-point, or nearly so.
#[derive(Debug, Default)]
pub(crate) struct Calm {
    /// Set-points so near to the last one that they count as the same, each with the moment of its first
    /// sighting.
    set: Vec<(f64, Volts)>,
    since: f64,
    /// The last sightings and their moments.
    seen: Vec<(f64, f64)>,
    /// Where the needle stood, and when it was last there.
    stood: Option<(f64, f64)>,
    /// It was suddenly elsewhere.
    leapt: bool,
}

impl Calm {
    /// The picture of a needle `at` some moment of the run shows `deflection` ± `u`, with the supply at `volts`;
    /// answers from where to where it has jumped, if it has.
    pub fn saw(
        &mut self,
        at: f64,
        volts: Volts,
        (deflection, u): (f64, f64),
    ) -> Option<(f64, f64)> {
        self.is_set(at, volts);
        if at - self.since < LATE {
            return None;
        }
        let still = STILL.max(SCATTERS * u);
        let jump = JUMP.max(2.0 * still);
        if let Some((stood, there)) = &mut self.stood {
            let away = (deflection - *stood).abs();
            if away <= still {
                (*there, self.leapt) = (at, false);
            }
            self.leapt |= away > jump && at - *there <= SUDDENLY;
        }
        let stands = self.stands(at, deflection, still)?;
        let before = self
            .stood
            .filter(|(stood, _)| self.leapt && (stands - stood).abs() > jump);
        (self.stood, self.leapt) = (Some((stands, at)), false);
        before.map(|(stood, _)| (stood, stands))
    }

    /// What was seen at another set-point, or too soon after, is forgotten.
    fn is_set(&mut self, at: f64, volts: Volts) {
        if self.set.last().is_none_or(|(_, last)| *last != volts) {
            self.set.push((at, volts));
        }
        let other = |(_, set): &(f64, Volts)| (*set - volts).abs() > volts * CHANGE;
        let first = self
            .set
            .iter()
            .rposition(other)
            .map_or(0, |other| other + 1);
        self.set.drain(..first);
        self.since = self.set.first().map_or(at, |(since, _)| *since);
        let valid = self.since + LATE;
        self.seen.retain(|(seen, _)| *seen >= valid);
        self.stood = self.stood.filter(|(_, there)| *there >= valid);
        self.leapt &= self.stood.is_some();
    }

    /// Where the needle stands, if the last sightings say that it does.
    fn stands(&mut self, at: f64, deflection: f64, still: f64) -> Option<f64> {
        self.seen.push((at, deflection));
        let long = self
            .seen
            .iter()
            .rposition(|(then, _)| at - then >= STANDS_FOR)?;
        let first = long.min(self.seen.len().checked_sub(SIGHTINGS)?);
        self.seen.drain(..first);
        let seen = || self.seen.iter().map(|(_, d)| *d);
        let (low, high) = (
            seen().fold(f64::INFINITY, f64::min),
            seen().fold(f64::NEG_INFINITY, f64::max),
        );
        (high - low < still).then(|| seen().sum::<f64>() / self.seen.len() as f64)
    }
}

/// Whether no needle in its first motion goes from one sighting to the other: moments in s, and deflections.
pub(crate) fn leaps((then, from): (f64, f64), (now, to): (f64, f64)) -> bool {
    let (least, speed) = LEAP;
    (to - from).abs() > least + speed * (now - then).max(0.0)
}

/// A picture that begins to show another needle does not show one on its way there. One that stood away from
/// its zero all at once, in its first motion, has still to show that it follows the current.
#[derive(Debug, Default)]
pub(crate) struct FirstWay {
    last: Option<(f64, f64)>,
    sprung: bool,
    let_go: bool,
}

impl FirstWay {
    /// The needle stands at its zero.
    pub fn begins(&mut self, at: f64) {
        *self = Self {
            last: Some((at, 0.0)),
            ..Self::default()
        };
    }

    /// The next sighting, its moment and its distance from the needle's zero.
    pub fn saw(&mut self, at: f64, from_zero: f64) {
        let leapt = self.last.is_some_and(|last| leaps(last, (at, from_zero)));
        self.last = Some((at, from_zero));
        self.sprung = from_zero.abs() > SURE_MOTION / 2.0 && (leapt || self.sprung);
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
        let (_, stands) = self.last.filter(|_| self.sprung)?;
        let stands = stands * 100.0;
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

    const U: f64 = 1e-4;

    fn jump(seen: &[f64], u: f64) -> Option<(f64, f64)> {
        let mut calm = Calm::default();
        let (volts, mut at) = (Volts::new(1.0), 0.0);
        calm.saw(at, volts, (0.0, u));
        seen.iter().fold(None, |found, d| {
            at += 0.15;
            found.or(calm.saw(at, volts, (*d, u)))
        })
    }

    #[test]
    fn a_needle_that_is_elsewhere_all_at_once_has_jumped() {
        let after = |stood: [f64; 3], after: &[f64]| jump(&[&stood[..], after].concat(), U);
        let stood = [0.9399, 0.9401, 0.94];
        let (from, to) = after(stood, &[0.873, 0.8731, 0.8729]).unwrap();
        assert!((from - 0.94).abs() < 1e-4 && (to - 0.873).abs() < 1e-4);
        let half = [0.5; 3];
        assert!(after(half, &[0.531, 0.532, 0.533]).is_some());
        // A picture between the two, and a needle that still swings from the knock.
        assert!(after(half, &[0.45, 0.4, 0.4, 0.4]).is_some());
        assert!(after(half, &[0.6, 0.65, 0.62, 0.61, 0.62, 0.62, 0.62]).is_some());
        // Too little, too few, back again, and one that was on its way.
        assert_eq!(after(half, &[0.529, 0.529, 0.529]), None);
        assert_eq!(after(half, &[0.4, 0.4]), None);
        assert_eq!(
            after(half, &[0.4, 0.4, 0.5, 0.52, 0.54, 0.56, 0.56, 0.56]),
            None
        );
        let rises: Vec<f64> = (0..40).map(|n| f64::from(n) * 0.02).collect();
        assert_eq!(jump(&rises, U), None);
    }

    #[test]
    fn a_reader_that_scatters_sees_jumps_beyond_its_scatter() {
        let scattered = |around: f64| [0.004, -0.005, 0.001].map(|off| around + off);
        let seen = |from: f64, to: f64| [scattered(from), scattered(to)].concat();
        assert_eq!(jump(&seen(0.9, 0.8), U), None);
        assert!(jump(&seen(0.9, 0.8), 2e-3).is_some());
        assert_eq!(jump(&[[0.5; 3], [0.55; 3]].concat(), 5e-3), None);
    }

    /// A swing of a fifth of scale, from the quickest to a slow one, of which now and then two sightings are
    /// lost: it stands still at its turning points, but leaves them gently.
    #[test]
    fn a_needle_that_swings_jumps_nowhere() {
        for period in [0.02, 0.1, 0.3, 0.5, 0.83, 1.0, 1.3, 2.0, 3.0, 4.0] {
            for (every, lost) in [0.033, 0.04, 0.05, 0.1].into_iter().zip([5, 7, 8, 100]) {
                for start in 0..10 {
                    let mut calm = Calm::default();
                    calm.saw(0.0, Volts::new(1.0), (0.7, U));
                    for n in (0..200).filter(|n| n % lost > 1) {
                        let at = (f64::from(n) + f64::from(start) * 0.1) * every;
                        let swing = 0.2
                            * (-0.6 * at / period).exp()
                            * (std::f64::consts::TAU * at / period).cos();
                        let jumped = calm.saw(at, Volts::new(1.0), (0.5 + swing, U));
                        assert_eq!(jumped, None, "{period} s, every {every} s");
                    }
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
                calm.saw(at, Volts::new(volts), (d, U))
            };
            for _ in 0..20 {
                assert_eq!(saw(1.0, 0.5), None);
            }
            assert!((0..2).all(|_| saw(after, 0.5).is_none()));
            (0..20).any(|_| saw(after, 0.6).is_some())
        };
        assert!(jumps(1.0) && jumps(1.002) && !jumps(1.2) && !jumps(0.9));
    }

    /// 0.25 % of scale in 0.04 s is a needle in its first motion; another dial's is there at once.
    #[test]
    fn a_needle_that_was_not_seen_on_its_way_has_to_follow_first() {
        let seen = |every: f64, seen: &[f64]| {
            let mut way = FirstWay::default();
            way.begins(0.0);
            for (n, d) in seen.iter().enumerate() {
                way.saw((n + 1) as f64 * every, *d);
            }
            way
        };
        let after = |places: &[f64]| seen(0.04, places);
        assert!(!after(&[0.0, 0.0025, 0.005, 0.0075, 0.01]).sprung());
        assert!(!after(&[-0.02, -0.01, 0.003]).sprung());
        assert_eq!(after(&[0.0, 0.0049]).unclear(), None);
        // Also the first that is seen, on the other side, and from there.
        assert!(after(&[0.0101]).sprung());
        assert!(after(&[0.0, -0.0101]).sprung());
        assert!(after(&[-0.004, 0.0101, 0.0101]).sprung());
        assert!(after(&[0.0, 0.02, 0.021, 0.021]).sprung());
        // Slow sightings see less of the way.
        assert!(after(&[0.0, 0.009]).sprung() && !seen(0.15, &[0.0, 0.009]).sprung());
        // A disturbance goes by.
        assert!(!after(&[0.0, 0.02, 0.001]).sprung());
        let mut way = after(&[0.0, 0.02]);
        let first = "first the current must be let go";
        assert!(way.unclear().unwrap().contains("2.0 % of scale"));
        assert!(way.unclear().unwrap().contains(first));
        way.let_go();
        way.saw(0.2, 0.02);
        assert!(way.unclear().unwrap().contains("did not follow"));
        way.saw(0.24, 0.0);
        way.saw(0.28, 0.02);
        assert!(way.unclear().unwrap().contains(first));
    }
}
