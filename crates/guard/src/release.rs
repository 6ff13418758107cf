//! Letting the current go, before the needle has been seen to stand anywhere: does it follow, and does
//! the coil say by a voltage of its own that it moves?

use crate::allowance::Response;
use crate::calm::leaps;
use crate::core::Core;
use crate::proposal::{Halt, Report};
use crate::prove::ANSWERED;
use crate::rest::{Tick, line};
use quantity::{Amps, Seconds, Volts};

/// Difference below which the picture stands quite still, as a fraction of scale.
const UNMOVED: f64 = 0.0001;
/// A reader that tells less than this apart can't say that a needle stood still.
const SHARP: f64 = 0.0003;
/// Back-EMF of a coil that swings freely, as a share of the drop that was let go: an eighth of what a
/// bare coil with critical damping when shorted makes on so slow a ramp (derived here).
const PLAIN: f64 = 0.01;
/// How long the needle is watched before it is let go and after: long enough to see a fraction of a
/// thousandth move.
const LOOK: Seconds = Seconds::new(4.0);
/// So many looks at most, until the drop scatters by less than this share.
const LOOKS: u32 = 3;
const RESTING: f64 = 0.01;
/// Length of the ramp on which it is let go, in slowest periods; what it then swings below its zero
/// is 2.5 % of the way.
const GENTLY: f64 = 2.5;
/// The two meters may read this far apart in time.
const SKEW: Seconds = Seconds::milli(5.0);
/// A departure of the drop from Ohm's law that counts as back-EMF: so many times its scatter at
/// rest, and this share of the drop.
const SCATTERS: f64 = 6.0;
const SHARE: f64 = 0.002;
/// Without a current of so many times its scatter there is no line to depart from.
const LEAST_CURRENT: f64 = 50.0;
/// No moving coil takes more drop and more current than these at full scale, both at once: what drops
/// more has a multiplier and no shunt, and its coil's springs carry less (common practice).
const MOST: (Volts, Amps) = (Volts::milli(500.0), Amps::milli(50.0));
/// Largest drop from which the current is let go at once, under a needle that no picture shows.
const AT_ONCE: Volts = Volts::milli(9.0);
/// Back-EMF of a needle that swings back freely, at most, over the way that it swings, as a share of
/// scale: twice the damping ratio that a short gives, which hardly passes 1.5, times the coil's own drop
/// at full scale, which hardly passes 0.3 V (derived here; the figures common practice).
const COIL: Volts = Volts::new(0.9);
/// A sum of squares of independent normal deviates, each with its own weight, is above its mean by
/// 2·√x times the root of the weights' squares and 2·x times the largest weight with a probability of e⁻ˣ
/// at the most (Laurent and Massart, Annals of Statistics 28, 2000, lemma 1). With what the noise itself may
/// be off, which is counted as well, that is less than once in 10⁶ here.
const RARE: f64 = 6.0;
/// As a share of the drop that is let go, so much of it can be expected.
const EXPECTED: f64 = 0.05;

impl Core {
    /// The last look at a needle once its back-EMF has gone, or once it has had its time.
    async fn look_until_rest(&mut self) -> Result<Report, Halt> {
        let mut here = self.hold(LOOK).await?;
        for _ in 1..LOOKS {
            let (drop, scatter) = mean(&here.ticks, |tick| tick.drop);
            if scatter <= drop.abs() * RESTING {
                break;
            }
            here = self.hold(LOOK).await?;
        }
        Ok(here)
    }

    /// The current gently down to zero: does the needle follow? Harmless wherever the needle stands,
    /// seen or not. If it does not, but the drop shows back-EMF, something else is in the picture.
    pub(crate) async fn let_go(&mut self) -> Result<Report, Halt> {
        let here = self.look_until_rest().await?.ticks;
        let again = self.just_below();
        let over = self.rig.limits.slowest_period * GENTLY;
        let down = self.drive(Amps::ZERO, over).await?.ticks;
        self.confirm_idle().await?;
        let mut there = self.hold(LOOK).await?;
        let (drop, _) = mean(&here, |tick| tick.drop);
        let drop = Volts::new(drop).abs();
        let current = here
            .last()
            .map_or(Amps::ZERO, |tick| self.loop_current(tick));
        let current = current.abs();
        // What comes next may let it go once more. Whether the needle answered is not told yet.
        self.evidence.let_go(drop, Amps::ZERO, Response::None);
        let looks = self.mean_needle(&here).zip(self.mean_needle(&there.ticks));
        let felt = back_emf(&here, &down, &there.ticks, over);
        let unseen = match felt {
            Some(_) => Response::Felt,
            None => Response::None,
        };
        let response = match looks.and_then(|(a, b)| Unmoved::between(a, b, drop, current)) {
            _ if looks.is_some_and(|(a, b)| self.follows(a, b)) && !leap(&down) => Response::Seen,
            Some(_) if felt.is_some_and(|share| share >= PLAIN) => Response::FeltPlainly,
            Some(still)
                if still.may_hide_a_swing() && self.swings_back(still, again, over).await? =>
            {
                Response::FeltPlainly
            }
            _ => unseen,
        };
        self.evidence.let_go(drop, current, response);
        there.moved = self.evidence.moved();
        self.first_way.let_go();
        there.quiet_end = self.quiet_end_at(drop, current);
        Ok(there)
    }

    /// Whether the needle has followed the current from `here` to its zero `there`.
    fn follows(&self, (here, u_here): Look, (there, u_there): Look) -> bool {
        let moved = (here - there).abs();
        // Without current it stands at its zero, and not where another dial has its needle.
        let at_zero = self.evidence.from_zero(there).abs() < (moved / 2.0).max(ANSWERED);
        moved > ANSWERED.max(6.0 * u_here.hypot(u_there)) && at_zero
    }

    /// The same current once more, and down at once: a shunt inside leaves so little of the coil's voltage
    /// that it shows only where the needle swings back freely, with no current beside it. Whether it then
    /// swings further than the one in the picture may have.
    async fn swings_back(
        &mut self,
        still: Unmoved,
        again: Amps,
        over: Seconds,
    ) -> Result<bool, Halt> {
        if self.rig.probed_by_hand() || self.rig.supply.by_hand() {
            return Ok(false);
        }
        match self.drive(again, over).await {
            // Where growth has ended for good there is nothing left to protect.
            Err(Halt::Refused(_)) => return Ok(false),
            driven => driven?,
        };
        let range = Volts::new(self.drop_range);
        self.set_drop_range(still.drop * 1.5).await?;
        self.look_until_rest().await?;
        let began = self.now();
        let mut ticks = self.drive(Amps::ZERO, Seconds::ZERO).await?.ticks;
        ticks.extend(self.hold(LOOK).await?.ticks);
        self.confirm_idle().await?;
        let there = self.hold(LOOK * 2.0).await?.ticks;
        self.set_drop_range(range).await?;
        Ok(free_swing(began, &ticks, &there).is_some_and(|swing| still.is_no_part_of(swing)))
    }
}

/// Where the needle stood, and the standard uncertainty of that.
type Look = (f64, f64);

/// A needle that stood quite still in the picture while the current was let go.
#[derive(Clone, Copy, Debug)]
struct Unmoved {
    /// What was let go.
    drop: Volts,
    current: Amps,
    /// How far it may have gone unnoticed, as a share of scale.
    most: f64,
}

impl Unmoved {
    /// None where the needle has moved, or the reader can't say that it has not.
    fn between(
        (here, u_here): Look,
        (there, u_there): Look,
        drop: Volts,
        current: Amps,
    ) -> Option<Self> {
        let (moved, u) = ((here - there).abs(), u_here.hypot(u_there));
        let most = moved + 3.0 * u;
        let still = u < SHARP && moved < UNMOVED.max(4.0 * u);
        still.then_some(Self {
            drop,
            current,
            most,
        })
    }

    /// No moving coil goes so little of its way for so much.
    fn is_strange(&self) -> bool {
        let (volts, amps) = MOST;
        self.drop > volts * self.most && self.current > amps * self.most
    }

    /// Whether the needle driven swings further than this one may have.
    fn is_no_part_of(&self, swing: Volts) -> bool {
        self.is_strange() || swing > COIL * self.most
    }

    /// Whether a free swing back would tell that this is another needle than the one driven.
    fn may_hide_a_swing(&self) -> bool {
        let tells = self.is_strange() || COIL * self.most < self.drop * EXPECTED;
        tells && self.drop < AT_ONCE
    }
}

/// By how much the drop swings, root mean square, without current; none where that is no more than it
/// scatters and drifts `there`, at rest. Where it is more, the needle moves. The current was let go when it
/// `began`; what it leaves falls below its meter's noise sooner than that of the drop, so once it can't be
/// told from nothing, as much time again has to pass.
fn free_swing(began: f64, ticks: &[Tick], there: &[Tick]) -> Option<Volts> {
    let (i0, si) = mean(there, |t| t.loop_drop);
    let flows = |t: &Tick| (t.loop_drop - i0).abs() > SCATTERS * si;
    let none_from = ticks.iter().rposition(flows).map_or(0, |last| last + 1);
    let fallen = began + 2.0 * (ticks.get(none_from)?.at - began);
    let fallen = &ticks[ticks.partition_point(|t| t.at <= fallen)..];
    let points =
        |ticks: &[Tick]| -> Vec<(f64, f64)> { ticks.iter().map(|t| (t.at, t.drop)).collect() };
    let rest = line(&points(there))?;
    let power = |ticks: &[Tick]| {
        let squares = points(ticks)
            .into_iter()
            .map(|(x, y)| (y - rest.at(x)).powi(2));
        squares.sum::<f64>() / ticks.len() as f64
    };
    let noise = power(there) * (1.0 + 2.0 * (2.0 / there.len() as f64).sqrt());
    // What the line may be off where it is drawn on to, as a share of the noise: common to all readings.
    let off = rest.variance_at(ticks.first()?.at);
    // A swing may have died away long before the end.
    [16, 8, 4, 2, 1].into_iter().find_map(|part| {
        let window = &fallen[..fallen.len() / part];
        let n = window.len() as f64;
        let common = 1.0 + n * off;
        let scatter = 2.0 * (RARE * (n - 1.0 + common * common)).sqrt() + 2.0 * RARE * common;
        let swing = power(window);
        let felt = swing > noise * (1.0 + off + scatter / n);
        felt.then(|| Volts::new((swing - noise).sqrt()))
    })
}

/// By how much of its change the drop, on the way from one rest to another, departs from the
/// straight line between them, against the current; none where that is no more than the meters can.
/// Where it is more, the needle moves.
fn back_emf(here: &[Tick], way: &[Tick], there: &[Tick], over: Seconds) -> Option<f64> {
    let there = &there[there.len() / 2..];
    let ((v1, _), (i1, _)) = (mean(here, |t| t.drop), mean(here, |t| t.loop_drop));
    let ((v0, sv), (i0, si)) = (mean(there, |t| t.drop), mean(there, |t| t.loop_drop));
    if (i1 - i0).abs() < LEAST_CURRENT * si {
        return None;
    }
    let slope = (v1 - v0) / (i1 - i0);
    let most = way
        .iter()
        .map(|t| (t.drop - v0 - slope * (t.loop_drop - i0)).abs())
        .fold(0.0, f64::max);
    // The steepest part of an S-shaped ramp is twice its mean slope.
    let skew = 2.0 * (v1 - v0).abs() * (SKEW / over);
    let meters = SCATTERS * (sv + slope.abs() * si) + SHARE * (v1 - v0).abs() + skew;
    (most > meters).then(|| most / (v1 - v0).abs())
}

/// Whether the needle in the picture was suddenly elsewhere: gently released, it goes all the way.
fn leap(ticks: &[Tick]) -> bool {
    let seen = ticks.iter().filter_map(|t| Some((t.seen_at, t.needle?.0)));
    let seen: Vec<(f64, f64)> = seen.collect();
    seen.windows(2).any(|pair| leaps(pair[0], pair[1]))
}

/// Mean and standard deviation of a reading.
fn mean(ticks: &[Tick], value: fn(&Tick) -> f64) -> (f64, f64) {
    let n = ticks.len() as f64;
    let mean = ticks.iter().map(value).sum::<f64>() / n;
    let squares: f64 = ticks.iter().map(|t| (value(t) - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0).max(1.0)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 kΩ and 100 Ω of sense, from 10 mV to nothing in ten seconds; the needle's own voltage is
    /// `emf` at the steepest place. Readings scatter by 1 µV.
    fn release(emf: f64) -> [Vec<Tick>; 3] {
        let tick = |n: usize, share: f64, emf: f64| {
            let noise = 1e-6 * [0.3, -1.2, 0.9, 0.4, -0.6, 1.1, -0.9][n % 7];
            let at = n as f64 * 0.05;
            Tick {
                at,
                seen_at: at,
                needle: None,
                loop_drop: 1e-3 * share + 2e-6 + noise,
                drop: 10e-3 * share - emf - 3e-6 - noise,
            }
        };
        let way = |n: usize| {
            let t = n as f64 / 200.0;
            let turn = std::f64::consts::TAU * t;
            let (share, speed) = (
                1.0 - t + turn.sin() / std::f64::consts::TAU,
                1.0 - turn.cos(),
            );
            tick(n, share, emf * speed / 2.0)
        };
        [
            (0..20).map(|n| tick(n, 1.0, 0.0)).collect(),
            (0..=200).map(way).collect(),
            (0..20).map(|n| tick(n, 0.0, 0.0)).collect(),
        ]
    }

    fn felt(emf: f64) -> Option<f64> {
        let [here, way, there] = release(emf);
        back_emf(&here, &way, &there, Seconds::new(10.0))
    }

    #[test]
    fn back_emf_is_felt_where_it_is_more_than_the_meters_may_err() {
        assert_eq!((felt(0.0), felt(5e-6)), (None, None));
        for emf in [300e-6, -300e-6] {
            let share = felt(emf).unwrap();
            assert!((share - 0.03).abs() < 2e-3, "{share}");
        }
    }

    #[test]
    fn without_current_nothing_is_felt() {
        let [mut here, mut way, there] = release(300e-6);
        for tick in here.iter_mut().chain(&mut way) {
            tick.loop_drop = 2e-6;
        }
        assert_eq!(back_emf(&here, &way, &there, Seconds::new(10.0)), None);
    }

    /// Readings of 4 s after the current has gone, and of the next 4 s: 0.2 µV of scatter, a needle that
    /// swings with a period of 1 s and dies away in half of that, and a drift in µV/s.
    fn let_go_at_once(swing: f64, drift: f64) -> [Vec<Tick>; 2] {
        let tick = |n: usize| {
            let at = (n + 1) as f64 * 0.04;
            let noise = [0.9, -1.3, 0.2, 1.1, -0.7, -0.9, 0.8, 0.4, -1.5, 1.0, 0.0][n % 11];
            let emf = swing * (-at / 0.5).exp() * (std::f64::consts::TAU * at).sin();
            // The supply takes a moment to fall, and so does what it drives.
            let left = if n < 3 { 1.0 } else { 0.0 };
            Tick {
                at,
                seen_at: at,
                needle: None,
                loop_drop: left * 1e-3 + noise * 1e-7,
                drop: left * 0.8e-3 + 3e-6 + noise * 0.2e-6 + emf + drift * at,
            }
        };
        [(0..100).map(tick).collect(), (100..200).map(tick).collect()]
    }

    #[test]
    fn a_free_swing_is_felt_where_it_is_more_than_scatter_and_drift() {
        let felt = |swing: f64, drift: f64| {
            let [ticks, there] = let_go_at_once(swing, drift);
            free_swing(0.0, &ticks, &there)
        };
        assert_eq!(felt(0.0, 0.0), None);
        assert_eq!(felt(0.0, 2e-6), None);
        assert_eq!(felt(0.1e-6, 0.0), None);
        for (swing, drift) in [(4e-6, 0.0), (-4e-6, 2e-6)] {
            let rms = felt(swing, drift).unwrap().get();
            assert!((0.1e-6..4e-6).contains(&rms), "{rms}");
        }
        let [ticks, _] = let_go_at_once(4e-6, 0.0);
        assert_eq!(free_swing(0.0, &ticks, &[]), None);
        assert_eq!(free_swing(0.0, &[], &ticks), None);
    }

    /// 0.8 mV with 0.2 mA that move a needle by less than 0.04 % of scale belong to one with 2 V and
    /// 0.5 A at full scale, which no moving coil has. With 2 uA it may be a voltmeter's.
    #[test]
    fn a_needle_that_goes_too_little_of_its_way_is_another() {
        let still = |micro: f64, most: f64| Unmoved {
            drop: Volts::milli(0.8),
            current: Amps::micro(micro),
            most,
        };
        assert!(still(200.0, 4e-4).is_strange());
        assert!(!still(200.0, 1.7e-3).is_strange());
        assert!(!still(2.0, 4e-4).is_strange());
        // 0.9 V times 10 millionths of scale.
        assert!(still(0.2, 1e-5).is_no_part_of(Volts::micro(9.1)));
        assert!(!still(0.2, 1e-5).is_no_part_of(Volts::micro(8.9)));
        assert!(still(200.0, 4e-4).is_no_part_of(Volts::micro(0.2)));
        assert!(still(2.0, 4.4e-5).may_hide_a_swing());
        assert!(!still(2.0, 4.5e-5).may_hide_a_swing());
        let large = Unmoved {
            drop: Volts::milli(10.0),
            ..still(200.0, 4e-4)
        };
        assert!(large.is_strange() && !large.may_hide_a_swing());
    }

    /// A picture that is another one on the way; where nothing was seen for a while there is time for as much.
    #[test]
    fn a_needle_that_is_suddenly_elsewhere_was_not_let_go() {
        let seen = |places: &[Option<f64>]| -> Vec<Tick> {
            let tick = |(n, place): (usize, &Option<f64>)| Tick {
                seen_at: n as f64 * 0.04,
                needle: place.map(|d| (d, 1e-4)),
                ..Tick::default()
            };
            places.iter().enumerate().map(tick).collect()
        };
        let gently: Vec<_> = (0..20).map(|n| Some(0.015 - f64::from(n) * 7e-4)).collect();
        assert!(!leap(&seen(&gently)));
        assert!(leap(&seen(&[
            Some(0.015),
            Some(0.015),
            Some(0.0),
            Some(0.0)
        ])));
        assert!(leap(&seen(&[Some(0.015), None, Some(0.0)])));
        assert!(!leap(&seen(&[])));
    }

    #[test]
    fn a_reader_that_sees_little_cannot_say_that_nothing_moved() {
        let between = |there: Look| {
            let (drop, current) = (Volts::milli(0.8), Amps::micro(200.0));
            Unmoved::between((0.01, 3e-5), there, drop, current).map(|still| still.most)
        };
        let most = between((0.0101, 4e-5)).unwrap();
        assert!((most - (1e-4 + 15e-5)).abs() < 1e-9, "{most}");
        assert_eq!(between((0.0103, 4e-5)), None);
        assert_eq!(between((0.0101, 3e-4)), None);
    }
}
