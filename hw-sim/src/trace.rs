//! What a judge wants to know of a run: extremes of the current, and since when the rig is safe.

use crate::bench::Bench;
use crate::truth::Truth;
use crate::wiring::{MOVEMENT, SHORT, SOURCE, element_name};

/// What may flow in an open movement, A: the leakage that the bench's contacts are granted.
const LEAKAGE: f64 = 1e-9;

/// Kept up by the bench at every change. Times in ns, currents in A, absolute.
#[derive(Debug, Clone, Default)]
pub struct Trace {
    /// Largest terminal current.
    pub peak: f64,
    /// Largest terminal current since the first fault struck.
    pub peak_since_onset: f64,
    /// Largest current driven by the rig, without back-EMF, since it was last asked for.
    pub driven: f64,
    /// When the first fault struck.
    pub onset: Option<u64>,
    /// Since when nothing is or can be driven.
    pub safe_since: Option<u64>,
    /// Since when the supply is off and the short closed.
    pub shut_since: Option<u64>,
}

impl Trace {
    /// The terminals carried this.
    pub fn carried(&mut self, amps: f64) {
        self.peak = self.peak.max(amps);
        self.peak_since_onset = self.peak_since_onset.max(amps);
    }

    /// The rig drove this.
    pub fn drove(&mut self, amps: f64) {
        self.driven = self.driven.max(amps);
    }

    /// A fault strikes; only the first counts as the onset.
    pub fn strikes(&mut self, now: u64) {
        if self.onset.is_none() {
            self.onset = Some(now);
            self.peak_since_onset = 0.0;
        }
    }

    /// Whether the rig is safe now, and whether supply and short are as the safe state has them.
    pub fn is_safe(&mut self, now: u64, safe: bool, shut: bool) {
        self.safe_since = safe.then(|| self.safe_since.unwrap_or(now));
        self.shut_since = shut.then(|| self.shut_since.unwrap_or(now));
    }

    /// How long after the onset `since` was; 0 when before it.
    pub fn after(&self, since: Option<u64>) -> Option<u64> {
        Some(since?.saturating_sub(self.onset?))
    }
}

impl Bench {
    /// True values and extremes up to the last access.
    pub fn truth(&self) -> Truth {
        let spec = &self.spec;
        let ambient = self.heat.ambient;
        let resistance = spec.terminal_resistance(ambient);
        let constant = resistance.is_finite() && spec.diodes.is_none();
        let rest = spec.law.deflection(0.0) + spec.zero;
        let own_stop = rest <= spec.lower_stop;
        let hits = &self.swing.hits;
        let driven = || {
            hits.iter()
                .filter(|hit| hit.driven && (hit.upper || !own_stop))
        };
        let powers = self
            .peak_power
            .iter()
            .enumerate()
            .filter(|(_, watts)| **watts > 0.0);
        Truth {
            full_scale_current: spec.full_scale_current(ambient),
            resistance: constant.then_some(resistance),
            peak_current: self.trace.peak,
            peak_deflection: spec.indicated(self.swing.highest),
            lowest_deflection: spec.indicated(self.swing.lowest),
            stop_hits: hits.len() as u32,
            driven_stop_hits: driven().count() as u32,
            highest_before_driven: driven().next().map(|hit| spec.indicated(hit.highest)),
            hardest_hit: hits.iter().map(|hit| hit.speed).fold(0.0, f64::max),
            element_peak_power: powers.map(|(k, watts)| (element_name(k), *watts)).collect(),
            ambient,
            peak_coil_temperature: self.heat.peak,
            period: spec.period,
            damping_open: spec.damping_into(f64::INFINITY, ambient),
            damping_shorted: spec.damping_into(0.0, ambient),
            friction: spec.friction,
            zero: spec.indicated(rest.clamp(spec.lower_stop, spec.upper_stop)),
            deflection: self.shown(),
            current: self.drive.movement.at(self.point()),
            time: self.now as f64 * 1e-9,
            lines: self.lines,
            onset: self.trace.onset.map(seconds),
            peak_since_onset: self.trace.onset.map(|_| self.trace.peak_since_onset),
            safe: self.trace.safe_since.is_some(),
            safe_after: self.trace.after(self.trace.safe_since).map(seconds),
            shut_after: self.trace.after(self.trace.shut_since).map(seconds),
        }
    }

    /// Remembers the present terminal current if it is the largest.
    pub(crate) fn note_current(&mut self) {
        let volts = self.volts(self.now);
        let amps = self.drive.movement.at(self.drive.point(volts, self.emf()));
        self.trace.carried(amps.abs());
        let still = self.drive.point(volts, 0.0);
        self.trace.drove(self.drive.movement.at(still).abs());
        self.watch_trip();
    }

    /// Largest current that the rig drove through the movement since this was last asked, A: what
    /// flows without the needle's own back-EMF.
    pub fn take_driven(&mut self) -> f64 {
        let peak = std::mem::take(&mut self.trace.driven);
        self.note_current();
        peak
    }

    /// Remembers since when the rig is safe.
    pub(crate) fn note_safety(&mut self) {
        let still = self.drive.point(self.volts(self.now), 0.0);
        let driven = self.drive.movement.at(still).abs();
        let closed = |relay: usize| self.wiring.relays[relay].closed();
        let off = self.supply.idle(self.now);
        let apart = !closed(SOURCE) || !closed(MOVEMENT);
        let safe = driven <= LEAKAGE && (off || apart);
        let shut = off && closed(SHORT);
        self.trace.is_safe(self.now, safe, shut);
    }
}

fn seconds(nanos: u64) -> f64 {
    nanos as f64 * 1e-9
}
