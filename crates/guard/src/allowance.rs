//! The allowance: the largest movement current that the evidence permits.
//!
//! Evidence is "at I the needle stood at d ± u". How d continues is bounded by the local exponent
//! measured between two such points; until there are two, growth is capped hard, since a
//! suppressed-zero or square-law needle that has hardly moved may already carry most of its
//! full-scale current.

use crate::rig::Limits;
use quantity::{Amps, Seconds, Volts, Watts};

/// Deflection from zero that counts as a sure sign of motion, as a fraction of scale.
pub const SURE_MOTION: f64 = 0.008;
/// Growth allowed on one sighting of motion, before the exponent is known, at most.
const FIRST_GROWTH: f64 = 1.2;
/// Share of full-scale current at which the scale of a suppressed needle may begin.
const SUPPRESSED: f64 = 0.8;
/// The most that the deflection may be expected to grow from a point below 40 % of scale.
const LOW_SCALE_GROWTH: f64 = 2.6;
/// Laws that steepen towards the top (mixed linear and square) gain about this much in exponent
/// over one such growth.
const EXPONENT_MARGIN: f64 = 0.15;
/// Drops at which growth without motion stops until the current was let go from almost there; it
/// ends at the rig file's own. Hardly a movement has less than 20 mV at full scale (common practice):
/// of these the first is 2.5 %, so that a reversed needle that nobody sees is not on its lower stop.
/// One that is not felt there has more, or friction holds it, and so on: each is no more than twice the
/// one before as long as that counts.
const MILESTONES: [Volts; 6] = [
    Volts::milli(0.5),
    Volts::milli(1.0),
    Volts::milli(2.0),
    Volts::milli(4.0),
    Volts::milli(8.0),
    Volts::milli(20.0),
];
/// From this drop on, any back-EMF without motion in the picture is one too many.
const SLIGHTEST: Volts = Volts::milli(16.0);
/// A needle that has answered must stand away from its zero before the current has grown so many times, or
/// answer once more.
const PROOF_HOLDS: f64 = 3.0;
/// What "almost there" is.
const ALMOST: f64 = 0.8;
/// Power in the movement at which growth without motion stops.
const QUIET_POWER: Watts = Watts::new(0.05);

/// The least that a deflection grows, as a share of the growth of the current: no scale flattens
/// more towards its top.
const LEAST_GROWTH: f64 = 0.5;
/// With a person as reader, growth per answered step.
pub const PERSON_GROWTH: f64 = 2.0;

/// A needle that stays behind by this share of scale sticks.
pub const LAG: f64 = 0.015;

/// One piece of evidence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Movement current, magnitude.
    pub current: Amps,
    /// Deflection, as a fraction of scale.
    pub deflection: f64,
    /// Standard uncertainty of the deflection, the unsettled rest included.
    pub u: f64,
    /// The current fell to it: friction holds the needle above where a rising one brings it.
    pub fell: bool,
}

/// How a movement responded when its current was let go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Response {
    /// The needle in the picture moved.
    Seen,
    /// The drop showed back-EMF, and the picture no motion.
    Felt,
    /// The back-EMF was that of a needle that swings freely, and the picture stood quite still.
    FeltPlainly,
    /// Neither.
    None,
}

/// All evidence about one movement in one run.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    zero: Option<f64>,
    points: Vec<Point>,
    quiet: Option<Amps>,
    wiggled: bool,
    /// Largest current at which the needle proved that it follows.
    proven: Option<Amps>,
    /// Largest one at which it did not, since.
    in_vain: Amps,
    /// Largest drop from which the current was let go.
    let_go: Volts,
    /// Back-EMF without motion in the picture.
    felt: bool,
    /// With a person as reader: the largest current at which there was an answer.
    answered: Option<Amps>,
}

impl Evidence {
    /// Deflection without current, once seen.
    pub fn zero(&self) -> Option<f64> {
        self.zero
    }

    /// The needle stood at `deflection` without current.
    pub fn saw_zero(&mut self, deflection: f64) {
        self.zero = Some(deflection);
    }

    /// A polarity wiggle was made with `current`; `shown` when the needle answered to it.
    pub fn saw_wiggle(&mut self, current: Amps, shown: bool) {
        self.wiggled = true;
        self.proves(current, shown);
    }

    fn proves(&mut self, current: Amps, shown: bool) {
        if shown {
            let proven = self.proof().map_or(current, |proven| proven.max(current));
            (self.proven, self.in_vain) = (Some(proven), Amps::ZERO);
        } else {
            self.in_vain = self.in_vain.max(current);
        }
    }

    /// The largest current at which the needle answered; none once more of it brought no answer.
    fn proof(&self) -> Option<Amps> {
        self.proven.filter(|proven| self.in_vain <= *proven)
    }

    /// The current was let go from this drop, and this came of it. Low drops hardly move a movement
    /// with a multiplier inside, and friction may hide that: there, only a plain answer counts.
    pub fn let_go(&mut self, drop: Volts, current: Amps, response: Response) {
        self.let_go = self.let_go.max(drop);
        self.proves(current, response == Response::Seen);
        self.felt |= match response {
            Response::FeltPlainly => true,
            Response::Felt => drop >= SLIGHTEST,
            Response::Seen | Response::None => false,
        };
    }

    /// Whether a polarity wiggle was ever made.
    pub fn wiggled(&self) -> bool {
        self.wiggled
    }

    /// Whether anything has proved that the current moves this needle.
    pub fn moved(&self) -> bool {
        self.proof().is_some() || self.stands()
    }

    /// Whether the needle has been seen standing away from its zero.
    pub fn stands(&self) -> bool {
        !self.points.is_empty()
    }

    /// Distance of `deflection` from the needle's own zero.
    pub fn from_zero(&self, deflection: f64) -> f64 {
        deflection - self.zero.unwrap_or(0.0)
    }

    /// The needle stood still there.
    pub fn stood(&mut self, point: Point) {
        if self.from_zero(point.deflection) < SURE_MOTION {
            return;
        }
        // A newer rest at the same current replaces the older.
        self.points
            .retain(|p| (p.current - point.current).abs() > point.current * 0.004);
        self.points.push(point);
        self.points
            .sort_by(|a, b| a.current.get().total_cmp(&b.current.get()));
    }

    /// The share of scale by which a needle that stands at `point` has, at least, stayed behind a
    /// growing current; none when that is no more than friction. A needle that sticks may let go.
    pub fn lag(&self, point: &Point) -> Option<f64> {
        let due = self.due(point.current);
        let lag = due - self.from_zero(point.deflection) - 2.0 * point.u;
        (lag > LAG).then_some(lag)
    }

    /// The least distance from its zero that a needle which does not stick has at `current`.
    pub fn due(&self, current: Amps) -> f64 {
        let due = |p: &Point| {
            let grown = (current / p.current - 1.0).max(0.0);
            (self.from_zero(p.deflection) - 2.0 * p.u) * (1.0 + LEAST_GROWTH * grown)
        };
        let risen = self.points.iter().filter(|p| !p.fell);
        risen
            .filter(|p| p.current < current)
            .map(due)
            .fold(0.0, f64::max)
    }

    /// Where the needle would stand at least if it were free: one that hangs while the current grows lets no
    /// more of it flow for that.
    fn free(&self, point: &Point) -> f64 {
        self.from_zero(point.deflection)
            .max(self.due(point.current))
    }

    /// Nothing moved for `seconds` of valid sightings with `current` flowing and `drop` across
    /// the movement: growth without motion, as far as it goes.
    pub fn nothing_moved(&mut self, current: Amps, drop: Volts, seconds: Seconds, limits: &Limits) {
        let allowed = self.quiet.unwrap_or(limits.first_touch);
        if self.quiet_end(drop, current, limits).is_some() {
            self.quiet = Some(allowed);
            return;
        }
        let grown = current.min(allowed) * (1.0 + limits.growth).powf(seconds.get() + 1.0);
        self.quiet =
            Some(allowed.max(grown.min(allowed * (1.0 + limits.growth).powf(seconds.get()))));
    }

    /// Why growth without motion has ended at this drop, if it has.
    pub fn quiet_end(&self, drop: Volts, current: Amps, limits: &Limits) -> Option<String> {
        if self.stands() {
            return None;
        }
        let drop = drop.abs();
        if drop * current >= QUIET_POWER {
            return Some(format!(
                "the movement takes {} and nothing has moved",
                drop * current
            ));
        }
        let proof = self.proof();
        if self.felt && proof.is_none() {
            return Some(
                "when the current was let go, the movement answered with a voltage of its own, but \
                 the needle in the picture stood still: is the reader looking at this movement?"
                    .to_owned(),
            );
        }
        if let Some(proven) = proof {
            return (current > proven * PROOF_HOLDS).then(|| {
                format!(
                    "the needle answered at {proven}, and has hardly moved since; first the current must be let \
                     go, to see whether it still follows"
                )
            });
        }
        let last = limits.unseen_drop;
        let all = MILESTONES.into_iter().chain([last]);
        let passed = all.filter(|milestone| drop >= *milestone);
        let passed = passed.fold(Volts::ZERO, Volts::max);
        if self.let_go < passed * ALMOST {
            return Some(format!(
                "the drop is {drop}; first the current must be let go, to see whether the needle \
                 follows"
            ));
        }
        (drop >= last).then(|| {
            format!(
                "the drop is {drop}, and the needle has not moved, nor did it when the current was \
                 let go"
            )
        })
    }

    /// A person reads the needle: from now on the allowance is no more than twice the largest current
    /// at which there was an answer.
    pub fn by_person(&mut self) {
        self.answered.get_or_insert(Amps::ZERO);
    }

    /// The person answered while `current` flowed.
    pub fn answered(&mut self, current: Amps) {
        self.answered = self.answered.map(|before| before.max(current));
    }

    /// The largest current that the evidence permits.
    pub fn allowance(&self, limits: &Limits) -> Amps {
        let permitted = self.permitted(limits);
        self.answered.map_or(permitted, |current| {
            permitted.min((current * PERSON_GROWTH).max(limits.first_touch))
        })
    }

    fn permitted(&self, limits: &Limits) -> Amps {
        let (Some(lowest), Some(top)) = (self.points.first(), self.points.last()) else {
            return self.quiet.unwrap_or(limits.first_touch);
        };
        // Points so near to each other that no exponent follows from them count as one.
        if self.exponent_high().is_infinite() {
            let permitted = lowest.current * self.first_growth(lowest, limits.ceiling);
            return permitted.max(top.current);
        }
        self.trusted()
            .map(|p| self.permits(p, limits.ceiling))
            .fold(Amps::ZERO, Amps::max)
    }

    /// A full-scale current that is proven to be reached or passed.
    pub fn full_scale_low(&self, limits: &Limits) -> Amps {
        self.allowance(limits) / limits.ceiling
    }

    /// The furthest the needle may stand at `current`, as a fraction of scale; none without two
    /// points to know the exponent from.
    pub fn deflection_high(&self, current: Amps) -> Option<f64> {
        if self.points.len() < 2 {
            return None;
        }
        let high = |p: &Point| {
            let start = self.free(p) + 2.0 * p.u;
            let grown = deflection_growth(current / p.current, self.exponent_high());
            start * grown + self.zero.unwrap_or(0.0)
        };
        let near = self.trusted().map(high).fold(f64::INFINITY, f64::min);
        near.is_finite().then_some(near)
    }

    /// The points that bound the top: those at 80 % or more of the highest deflection.
    fn trusted(&self) -> impl Iterator<Item = &Point> {
        let height = |p: &Point| self.from_zero(p.deflection);
        let highest = self.points.iter().map(height).fold(0.0, f64::max);
        self.points
            .iter()
            .filter(move |p| height(p) >= 0.8 * highest)
    }

    /// By what the current may grow from a single sighting: as far as the most suppressed needle
    /// would take to reach the ceiling from there.
    fn first_growth(&self, point: &Point, ceiling: f64) -> f64 {
        let current = |deflection: f64| SUPPRESSED + (1.0 - SUPPRESSED) * deflection;
        let stood = self.from_zero(point.deflection) + 2.0 * point.u;
        let most = current(ceiling) / current(stood);
        most.clamp(1.0, FIRST_GROWTH)
    }

    fn permits(&self, point: &Point, ceiling: f64) -> Amps {
        let zero = self.zero.unwrap_or(0.0);
        let stood = self.free(point) + 2.0 * point.u;
        let mut growth = (ceiling - zero) / stood;
        if stood < 0.4 {
            growth = growth.min(LOW_SCALE_GROWTH);
        }
        point.current * current_growth(growth.max(0.0), self.exponent_high())
    }

    /// The lowest that the needle may stand at `current`, as a distance from its zero; none
    /// without two points. Laws of scales are convex: they lie above their tangent at the top.
    pub fn deflection_low(&self, current: Amps) -> Option<f64> {
        if self.points.len() < 2 {
            return None;
        }
        let low = |p: &Point| {
            let short = 1.0 - current / p.current;
            let height = self.from_zero(p.deflection) - 2.0 * p.u;
            height * (1.0 - (self.exponent_high() * short).max(0.0)).max(0.0)
        };
        Some(self.trusted().map(low).fold(0.0, f64::max))
    }

    /// Upper bound of the local exponent at the top of what was seen.
    fn exponent_high(&self) -> f64 {
        let Some(top) = self.points.last() else {
            return f64::INFINITY;
        };
        let partner = self
            .points
            .iter()
            .rev()
            .find(|p| top.current / p.current >= 1.08);
        let Some(low) = partner else {
            return f64::INFINITY;
        };
        let (d_low, d_top) = (
            self.from_zero(low.deflection),
            self.from_zero(top.deflection),
        );
        let ratio = top.current / low.current;
        let secant = (d_top / d_low).ln() / ratio.ln();
        // Between the two points the exponent grows; by a law with a linear and a square part, it
        // is this at the upper one.
        let square = (1.0 - ratio * d_low / d_top) / (1.0 - 1.0 / ratio);
        let exponent = secant.max(1.0 + square.min(1.0));
        let u = (low.u / d_low).hypot(top.u / d_top) / (1.0 - 1.0 / ratio);
        let margin = if d_top < 0.4 { EXPONENT_MARGIN } else { 0.03 };
        (exponent + 2.0 * u).max(1.0) + margin
    }
}

/// Factor by which the deflection grows when the current grows by the factor `ratio` from a point
/// with the local exponent `exponent`, at most. A law with a linear and a square part grows by
/// (1−w)·r + w·r², where w is its local exponent less 1 (derived here); no power law of the same
/// local exponent grows more. Steeper ones than the square flatten upwards, and stay below the power.
/// Where the current falls, the deflection falls by the least growth at least.
fn deflection_growth(ratio: f64, exponent: f64) -> f64 {
    if ratio <= 1.0 {
        return ratio.max(0.0).powf(LEAST_GROWTH);
    }
    let square = (exponent - 1.0).min(1.0);
    let steeper = (exponent - 2.0).max(0.0);
    (1.0 - square + square * ratio) * ratio * ratio.powf(steeper)
}

/// The inverse of [`deflection_growth`]; for a fall (`growth` below 1) the current falls in
/// proportion, which is enough for every exponent from 1 on.
fn current_growth(growth: f64, exponent: f64) -> f64 {
    if growth <= 1.0 {
        return growth;
    }
    let square = (exponent - 1.0).min(1.0);
    let linear = 1.0 - square;
    let grown = ((linear * linear + 4.0 * square * growth).sqrt() - linear) / (2.0 * square);
    grown.powf(2.0 / exponent.max(2.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits() -> Limits {
        Limits {
            first_touch: Amps::micro(1.0),
            growth: 0.5,
            ceiling: 1.02,
            earn: 0.05,
            drop: Volts::new(4.0),
            power: Watts::new(4.0),
            near_full_scale: Seconds::new(600.0),
            unseen_drop: Volts::milli(50.0),
            slowest_period: Seconds::new(3.0),
            thermal_emf: Volts::ZERO,
            ambient: None,
        }
    }

    fn at(current: f64, deflection: f64) -> Point {
        Point {
            current: Amps::new(current),
            deflection,
            u: 0.0003,
            fell: false,
        }
    }

    /// Laws a needle may follow, scaled so that 1 is full scale; worst case of the design among them.
    const LAWS: [fn(f64) -> f64; 6] = [
        |x| x,
        |x| x * x,
        |x| 0.9 * x * x + 0.1 * x,
        |x| (x - 0.5).max(0.0) / 0.5,
        |x| (x - 0.8).max(0.0) / 0.2,
        |x| x - 0.01,
    ];

    #[test]
    fn following_the_allowance_never_passes_the_ceiling_whatever_the_law() {
        for (number, law) in LAWS.iter().enumerate() {
            let mut evidence = Evidence::default();
            evidence.saw_zero(law(0.0).max(0.0));
            let mut current = 0.001;
            while law(current) < 0.02 {
                current *= 1.02; // creep
            }
            for _ in 0..60 {
                let deflection = law(current);
                if deflection >= 1.0 {
                    break;
                }
                evidence.stood(at(current, deflection));
                current = evidence.allowance(&limits()).get();
            }
            assert!(
                law(current) > 0.99 && law(current) <= 1.0205,
                "law {number} ends at {}",
                law(current)
            );
        }
    }

    #[test]
    fn growth_without_motion_stops_at_the_milestones() {
        let mut evidence = Evidence::default();
        let quiet = |e: &mut Evidence, mv: f64| {
            let before = e.allowance(&limits());
            e.nothing_moved(before, Volts::milli(mv), Seconds::new(1.0), &limits());
            e.allowance(&limits()) / before
        };
        let let_go = |e: &mut Evidence, mv: f64| {
            e.let_go(Volts::milli(mv), Amps::micro(1.0), Response::None)
        };
        // Let go from 80 % of each but the last; then the next one ends it.
        for (milestone, next) in [(0.5, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0), (8.0, 20.0)] {
            assert!((quiet(&mut evidence, milestone * 1.02) - 1.0).abs() < 1e-9);
            let_go(&mut evidence, milestone * 0.79);
            assert!((quiet(&mut evidence, milestone * 1.02) - 1.0).abs() < 1e-9);
            let_go(&mut evidence, milestone * 0.81);
            assert!((quiet(&mut evidence, next * 0.98) - 1.5).abs() < 1e-9);
        }
        assert!((quiet(&mut evidence, 21.0) - 1.0).abs() < 1e-9);
        let_go(&mut evidence, 16.1);
        assert!((quiet(&mut evidence, 21.0) - 1.5).abs() < 1e-9);
        let_go(&mut evidence, 49.0);
        assert!((quiet(&mut evidence, 51.0) - 1.0).abs() < 1e-9);
        let proof = evidence.allowance(&limits());
        evidence.let_go(Volts::milli(49.0), proof, Response::Seen);
        assert!((quiet(&mut evidence, 51.0) - 1.5).abs() < 1e-9);
        // Up to three times the current at which it answered, until it answers again.
        assert!((quiet(&mut evidence, 51.0) - 1.5).abs() < 1e-9);
        assert!((quiet(&mut evidence, 51.0) - 1.5).abs() < 1e-9);
        assert!((quiet(&mut evidence, 51.0) - 1.0).abs() < 1e-9);
        evidence.saw_wiggle(proof * 1.2, true);
        assert!((quiet(&mut evidence, 51.0) - 1.5).abs() < 1e-9);
    }

    /// However much a camera would have permitted, an answer permits twice its current.
    #[test]
    fn a_person_lets_the_current_double_with_each_answer_and_no_more() {
        let mut evidence = Evidence::default();
        evidence.by_person();
        let limits = limits();
        assert_eq!(evidence.allowance(&limits), limits.first_touch);
        let long = Seconds::new(1000.0);
        evidence.nothing_moved(limits.first_touch, Volts::ZERO, long, &limits);
        assert_eq!(evidence.allowance(&limits), limits.first_touch);
        for current in [0.7, 0.9, 1.8, 0.2] {
            evidence.answered(limits.first_touch * current);
        }
        assert_eq!(evidence.allowance(&limits), limits.first_touch * 3.6);
    }

    #[test]
    fn without_current_near_the_allowance_it_does_not_grow() {
        let mut evidence = Evidence::default();
        evidence.nothing_moved(Amps::ZERO, Volts::ZERO, Seconds::new(100.0), &limits());
        assert_eq!(evidence.allowance(&limits()), limits().first_touch);
    }
}
