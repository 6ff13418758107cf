//! The quantities and the products between them.

use crate::text::{QuantityError, engineering, parse_quantity};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::iter::Sum;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};
use std::str::FromStr;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Zero of this quantity.
            pub const ZERO: Self = Self(0.0);
            /// The SI symbol of the unit.
            pub const SYMBOL: &'static str = $symbol;

            /// A value in the SI unit.
            pub const fn new(value: f64) -> Self {
                Self(value)
            }
            /// A value given in millionths of the unit.
            pub const fn micro(value: f64) -> Self {
                Self(value / 1e6)
            }
            /// A value given in thousandths of the unit.
            pub const fn milli(value: f64) -> Self {
                Self(value / 1e3)
            }
            /// A value given in thousands of the unit.
            pub const fn kilo(value: f64) -> Self {
                Self(value * 1e3)
            }
            /// A value given in millions of the unit.
            pub const fn mega(value: f64) -> Self {
                Self(value * 1e6)
            }
            /// The number in the SI unit.
            pub const fn get(self) -> f64 {
                self.0
            }
            /// The magnitude.
            pub const fn abs(self) -> Self {
                Self(self.0.abs())
            }
            /// The larger of two values.
            pub const fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
            /// The smaller of two values.
            pub const fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }
            /// Neither infinite nor not-a-number.
            pub const fn is_finite(self) -> bool {
                self.0.is_finite()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let text = engineering(self.0, $symbol, f.precision().unwrap_or(4));
                // `pad` would take the precision for a length and cut the unit off.
                match (f.width(), f.align()) {
                    (Some(width), Some(fmt::Alignment::Right)) => write!(f, "{text:>width$}"),
                    (Some(width), _) => write!(f, "{text:<width$}"),
                    (None, _) => f.write_str(&text),
                }
            }
        }
        impl FromStr for $name {
            type Err = QuantityError;
            fn from_str(text: &str) -> Result<Self, QuantityError> {
                parse_quantity(text, $symbol).map(Self)
            }
        }
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl SubAssign for $name {
            fn sub_assign(&mut self, other: Self) {
                self.0 -= other.0;
            }
        }
        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }
        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
        impl Mul<$name> for f64 {
            type Output = $name;
            fn mul(self, quantity: $name) -> $name {
                $name(self * quantity.0)
            }
        }
        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
        impl Sum for $name {
            fn sum<I: Iterator<Item = Self>>(values: I) -> Self {
                Self(values.map(|value| value.0).sum())
            }
        }
    };
}

quantity!(
    /// Electric potential difference.
    Volts, "V"
);
quantity!(
    /// Electric current.
    Amps, "A"
);
quantity!(
    /// Resistance.
    Ohms, "Ω"
);
quantity!(
    /// Power.
    Watts, "W"
);
quantity!(
    /// Time.
    Seconds, "s"
);
quantity!(
    /// Temperature difference.
    Kelvins, "K"
);

macro_rules! product {
    ($a:ident * $b:ident = $c:ident) => {
        impl Mul<$b> for $a {
            type Output = $c;
            fn mul(self, other: $b) -> $c {
                $c::new(self.get() * other.get())
            }
        }
        impl Mul<$a> for $b {
            type Output = $c;
            fn mul(self, other: $a) -> $c {
                $c::new(self.get() * other.get())
            }
        }
        impl Div<$a> for $c {
            type Output = $b;
            fn div(self, other: $a) -> $b {
                $b::new(self.get() / other.get())
            }
        }
        impl Div<$b> for $c {
            type Output = $a;
            fn div(self, other: $b) -> $a {
                $a::new(self.get() / other.get())
            }
        }
    };
}

product!(Amps * Ohms = Volts);
product!(Volts * Amps = Watts);

impl From<std::time::Duration> for Seconds {
    fn from(duration: std::time::Duration) -> Self {
        Self(duration.as_secs_f64())
    }
}
impl Seconds {
    /// As a duration; negative and non-finite times become zero length.
    pub fn duration(self) -> std::time::Duration {
        std::time::Duration::try_from_secs_f64(self.0.max(0.0)).unwrap_or_default()
    }
}
impl Ohms {
    /// Resistance of two resistors in parallel.
    pub fn parallel(self, other: Self) -> Self {
        Self(self.0 * other.0 / (self.0 + other.0))
    }
}
