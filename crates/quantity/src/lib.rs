//! Volts, amperes, ohms and seconds as types that cannot be mixed up, text with units read and
//! written, and uncertain values that carry their budget.
//!
//! ```
//! use quantity::{Amps, Ohms, Volts};
//! let drop: Volts = Amps::micro(50.0) * Ohms::kilo(2.0);
//! assert_eq!(drop.to_string(), "100.0 mV");
//! assert_eq!("50 uA".parse::<Amps>().unwrap(), Amps::micro(50.0));
//! ```

mod text;
mod uncertain;
mod units;

pub use text::{QuantityError, engineering, parse_percent};
pub use uncertain::{
    BudgetRow, CovarianceError, MonteCarlo, MonteCarloError, Shape, Source, Uncertain,
    coverage_factor, e_n, e_n_expanded, monte_carlo, student_t95,
};
pub use units::{Amps, Kelvins, Ohms, Seconds, Volts, Watts};
