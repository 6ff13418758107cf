//! What really happened, for comparison with what the rig found.

use serde::Serialize;

/// True values and extremes of one run. Currents in A, powers in W, deflections as fractions of the
/// printed scale.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Terminal current (absolute) at which the frictionless needle rests exactly on the full-scale
    /// mark at ambient temperature; `None` when no current does.
    pub full_scale_current: Option<f64>,
    /// Terminal resistance at ambient temperature without self-heating; `None` when open, and with
    /// diodes inside, which make it another one at every current.
    pub resistance: Option<f64>,
    /// Largest absolute terminal current so far.
    pub peak_current: f64,
    /// Largest indicated deflection so far.
    pub peak_deflection: f64,
    /// Smallest indicated deflection so far.
    pub lowest_deflection: f64,
    /// Contacts with a stop, after having been clear of it.
    pub stop_hits: u32,
    /// Those with the static pull beyond the stop, the currentless needle's own stop left out.
    pub driven_stop_hits: u32,
    /// Largest indicated deflection before the first of these.
    pub highest_before_driven: Option<f64>,
    /// Fastest contact with a stop, full scales per second.
    pub hardest_hit: f64,
    /// Largest power in each element that ever carried current.
    pub element_peak_power: Vec<(String, f64)>,
    /// Ambient temperature, °C.
    pub ambient: f64,
    /// Highest coil temperature so far, °C.
    pub peak_coil_temperature: f64,
    /// Free period, s.
    pub period: f64,
    /// Damping ratio with the terminals open (with diodes: of small swings about no current).
    pub damping_open: f64,
    /// Damping ratio with the terminals shorted (likewise).
    pub damping_shorted: f64,
    /// Coulomb friction half-width.
    pub friction: f64,
    /// Indicated deflection of the frictionless needle without current.
    pub zero: f64,
    /// Present indicated deflection.
    pub deflection: f64,
    /// Present terminal current, sign included.
    pub current: f64,
    /// Bench time up to which this holds, s.
    pub time: f64,
    /// Lines of text that the instruments and the reader have received so far.
    pub lines: u64,
    /// When the first fault of the plan struck, s; `None` when none has.
    pub onset: Option<f64>,
    /// Largest absolute terminal current since then.
    pub peak_since_onset: Option<f64>,
    /// Nothing is driven and nothing can be: supply off, or source contact or movement switch open,
    /// and the movement's current at leakage.
    pub safe: bool,
    /// Seconds from the onset until that held for good; `None` without an onset or when not safe.
    pub safe_after: Option<f64>,
    /// Seconds from the onset until the supply was off and the short closed, both for good.
    pub shut_after: Option<f64>,
}
