//! What a plan keeps in mind about the needle: law, period, where it is.

use guard::{Dynamics, Report, Tick};
use movement::fit::response;
use quantity::{Amps, Seconds};

/// Distances from zero, as fractions of scale, at which a rest is near to it and far from it.
const NEAR: f64 = 0.01;
const FAR: f64 = 0.03;

/// The needle's law as seen so far, good enough to choose the next target by.
#[derive(Clone, Debug, Default)]
pub struct Law {
    zero: f64,
    points: Vec<(Amps, f64)>,
}

impl Law {
    /// With the needle's zero.
    pub fn with_zero(zero: f64) -> Self {
        Self {
            zero,
            points: Vec::new(),
        }
    }

    /// Where the needle stands so many times as far from its zero.
    pub fn times(&self, deflection: f64, factor: f64) -> f64 {
        self.zero + self.above_zero(deflection) * factor
    }

    /// Distance from the needle's zero.
    pub fn above_zero(&self, deflection: f64) -> f64 {
        deflection - self.zero
    }

    /// Adds a rest point; a newer one replaces those at nearly the same current. A rest near zero says
    /// nothing about the law once the needle has stood far from it.
    pub fn add(&mut self, current: Amps, deflection: f64) {
        let stood = |p: &(Amps, f64)| self.above_zero(p.1) > FAR;
        if self.above_zero(deflection) < NEAR && self.points.iter().any(stood) {
            return;
        }
        self.points
            .retain(|(i, _)| (*i / current - 1.0).abs() > 0.002);
        self.points.push((current, deflection));
    }

    /// The last rest point.
    pub fn last(&self) -> Option<(Amps, f64)> {
        self.points.last().copied()
    }

    /// Change of current per change of deflection near the last point, by the two points that
    /// are best suited; by proportion while there is only one.
    pub fn slope(&self) -> Option<Amps> {
        let (i, d) = self.last()?;
        let apart = |p: &&(Amps, f64)| (p.1 - d).abs() > 0.04;
        let other = self
            .points
            .iter()
            .filter(apart)
            .min_by(|a, b| (a.1 - d).abs().total_cmp(&(b.1 - d).abs()));
        Some(match other {
            Some((i2, d2)) => (i - *i2) / (d - d2),
            None => i / (d - self.zero),
        })
    }

    /// Current at which the needle should stand at `mark`, by the law between zero and the last
    /// point: a power law far away, a straight line nearby.
    pub fn current_for(&self, mark: f64) -> Option<Amps> {
        let (i, d) = self.last()?;
        if (mark - d).abs() < 0.12 {
            let near = self.slope().map(|slope| i + slope * (mark - d));
            return near.filter(|current| *current >= Amps::ZERO);
        }
        let exponent = self.exponent().unwrap_or(1.0).clamp(0.7, 6.0);
        let share = (mark - self.zero) / (d - self.zero);
        let current = i * share.max(0.0).powf(1.0 / exponent);
        current.is_finite().then_some(current)
    }

    /// Local exponent from the last point and the one nearest to half its deflection.
    pub fn exponent(&self) -> Option<f64> {
        let (i, d) = self.last()?;
        let low = self
            .points
            .iter()
            .filter(|p| i / p.0 > 1.15 || p.0 / i > 1.15)
            .min_by(|a, b| {
                let off = |p: &(Amps, f64)| (p.1 - d * 0.5).abs();
                off(a).total_cmp(&off(b))
            })?;
        Some(((d - self.zero) / (low.1 - self.zero)).ln() / (i / low.0).ln())
    }

    /// Full-scale current by what is known.
    pub fn full_scale(&self) -> Option<Amps> {
        self.current_for(1.0)
    }
}

/// Mean deflection over the last few ticks with the needle seen.
pub fn recent(ticks: &[Tick], most: usize) -> Option<f64> {
    let seen: Vec<f64> = ticks
        .iter()
        .rev()
        .filter_map(|t| t.needle)
        .map(|(d, _)| d)
        .take(most)
        .collect();
    (!seen.is_empty()).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
}

/// Period and damping from the swing after a step at `stepped` seconds.
pub fn identify(reports: &[&Report], stepped: f64) -> Option<Dynamics> {
    let ticks = reports.iter().flat_map(|report| &report.ticks);
    let trace: Vec<(Seconds, f64)> = ticks
        .filter_map(|t| Some((Seconds::new(t.seen_at - stepped), t.needle?.0)))
        .filter(|(at, _)| at.get() >= 0.0)
        .collect();
    let fit = response(&trace, None).ok()?;
    let (period, damping) = (fit.dynamics.period, fit.dynamics.damping);
    let sane = (0.05..20.0).contains(&period.get()) && damping.is_finite() && damping > 0.0;
    sane.then_some(Dynamics { period, damping })
}
