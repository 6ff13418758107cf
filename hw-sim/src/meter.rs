//! A digital multimeter's measuring side: range, integration window, errors, test current.

use crate::draw::Draw;

/// Voltage ranges, V.
pub const RANGES: [f64; 3] = [0.1, 1.0, 10.0];
const OFFSETS: [f64; 3] = [3.5e-6, 7e-6, 50e-6];
const NOISE: [f64; 3] = [0.2e-6, 1e-6, 10e-6];
const GAIN: f64 = 40e-6;
/// What an overload reads.
pub const OVERLOAD: f64 = 9.9e37;
/// Open-circuit voltage of the ohms function, V.
pub const COMPLIANCE: f64 = 9.0;
/// Ohms ranges and their test currents, Ω and A.
pub const OHMS: [(f64, f64); 6] = [
    (100.0, 1e-3),
    (1e3, 1e-3),
    (1e4, 1e-4),
    (1e5, 1e-5),
    (1e6, 5e-6),
    (1e7, 5e-7),
];
/// Mains period, ns.
const CYCLE: f64 = 20e6;
/// Integration times on offer, in mains cycles.
pub const APERTURES: [f64; 6] = [0.02, 0.2, 1.0, 10.0, 50.0, 100.0];

/// What is being measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Function {
    /// DC voltage.
    Volts,
    /// Resistance over two wires.
    Ohms,
    /// Resistance over four wires.
    FourWire,
}

/// A running series of readings.
#[derive(Debug, Clone)]
struct Series {
    id: u64,
    begun: f64,
    function: Function,
    range: f64,
    index: usize,
    test: f64,
}

/// A meter's settings, errors of this specimen, and memory.
#[derive(Debug, Clone)]
pub struct Meter {
    /// Function in use.
    pub function: Function,
    /// Range of the function, V or Ω.
    pub range: f64,
    /// Integration time in mains cycles.
    pub cycles: f64,
    /// An internal zero follows every reading.
    pub auto_zero: bool,
    /// Input above 10 GΩ instead of 10 MΩ.
    pub high_impedance: bool,
    /// Readings per trigger.
    pub samples: u32,
    /// Readings of the last completed or running series.
    pub memory: Vec<f64>,
    /// When the running series is complete, ns of bench time.
    pub ready: u64,
    series: Option<Series>,
    count: u64,
    gains: [f64; 3],
    offsets: [f64; 3],
    stray: f64,
    /// A fault: share and volts by which readings are off.
    pub drift: (f64, f64),
    noise: Draw,
}

impl Meter {
    /// Draws the specimen's errors. `stray` is the half-width of the thermal EMF of its
    /// connection, V.
    pub fn new(draw: &mut Draw, stray: f64, noise: Draw) -> Self {
        Meter {
            function: Function::Volts,
            range: 10.0,
            cycles: 10.0,
            auto_zero: true,
            high_impedance: false,
            samples: 1,
            memory: Vec::new(),
            ready: 0,
            series: None,
            count: 0,
            gains: std::array::from_fn(|_| 1.0 + draw.within(GAIN)),
            offsets: std::array::from_fn(|k| draw.within(OFFSETS[k])),
            stray: draw.within(stray),
            drift: (0.0, 0.0),
            noise,
        }
    }

    /// Smallest voltage range that holds `volts`.
    pub fn volt_range(volts: f64) -> Option<f64> {
        RANGES
            .iter()
            .copied()
            .find(|range| volts <= *range * (1.0 + 1e-9))
    }

    /// Smallest ohms range that holds `ohms`.
    pub fn ohm_range(ohms: f64) -> Option<f64> {
        OHMS.iter()
            .map(|&(range, _)| range)
            .find(|range| ohms <= *range * (1.0 + 1e-9))
    }

    /// Input resistance as it loads the circuit, Ω.
    pub fn input(&self) -> f64 {
        if self.high_impedance || self.function != Function::Volts {
            10e9
        } else {
            10e6
        }
    }

    /// Test current that the present function pushes, A.
    pub fn test_current(&self) -> f64 {
        let ohms = OHMS.iter().find(|&&(range, _)| range == self.range);
        match self.function {
            Function::Volts => 0.0,
            Function::Ohms | Function::FourWire => ohms.map_or(0.0, |&(_, amps)| amps),
        }
    }

    /// Integration window, ns.
    pub fn window(&self) -> u64 {
        (self.cycles * CYCLE) as u64
    }

    /// Time from one reading to the next, ns.
    pub fn pace(&self) -> u64 {
        self.window() * if self.auto_zero { 2 } else { 1 }
    }

    /// Triggers a series at `now`, dropping one that runs; gives its number.
    pub fn trigger(&mut self, now: u64) -> u64 {
        self.count += 1;
        self.memory.clear();
        self.ready = now + u64::from(self.samples) * self.pace();
        let index = match self.function {
            Function::Volts => RANGES.iter().position(|range| *range == self.range),
            _ => None,
        };
        self.series = Some(Series {
            id: self.count,
            begun: 0.0,
            function: self.function,
            range: self.range,
            index: index.unwrap_or(0),
            test: self.test_current(),
        });
        self.count
    }

    /// A change of settings drops the running series and forgets the readings.
    pub fn abort(&mut self) {
        self.series = None;
        self.memory.clear();
    }

    /// A series was triggered and not dropped since.
    pub fn running(&self) -> bool {
        self.series.is_some()
    }

    /// A window of series `id` opens: `integral` is the running time integral of the true voltage.
    pub fn open(&mut self, id: u64, integral: f64) {
        if let Some(series) = self.series.as_mut().filter(|series| series.id == id) {
            series.begun = integral;
        }
    }

    /// A window of series `id` closes after `seconds`.
    /// True when it belongs to the running series, and the memory has a new reading.
    pub fn close(&mut self, id: u64, integral: f64, seconds: f64) -> bool {
        let Some(series) = self.series.as_ref().filter(|series| series.id == id) else {
            return false;
        };
        let mean = (integral - series.begun) / seconds + self.stray;
        let scatter = self.noise.normal() / self.cycles.sqrt();
        let value = match series.function {
            Function::Volts => {
                let k = series.index;
                mean * self.gains[k] + self.offsets[k] + NOISE[k] * scatter
            }
            _ => mean / series.test * self.gains[1] + series.range * 1e-6 * scatter,
        };
        let value = value * (1.0 + self.drift.0) + self.drift.1;
        let over = value.abs() > 1.2 * series.range;
        self.memory.push(if over {
            OVERLOAD.copysign(value)
        } else {
            value
        });
        true
    }
}
