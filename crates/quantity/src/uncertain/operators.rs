//! Arithmetic on uncertain values, to first order.

use super::Uncertain;
use std::ops::{Add, Div, Mul, Neg, Sub};

/// Value and the two partial derivatives of each operation.
fn add(a: f64, b: f64) -> (f64, f64, f64) {
    (a + b, 1.0, 1.0)
}
fn sub(a: f64, b: f64) -> (f64, f64, f64) {
    (a - b, 1.0, -1.0)
}
fn mul(a: f64, b: f64) -> (f64, f64, f64) {
    (a * b, b, a)
}
fn div(a: f64, b: f64) -> (f64, f64, f64) {
    (a / b, 1.0 / b, -a / (b * b))
}

macro_rules! operator {
    ($trait:ident, $method:ident) => {
        impl $trait<&Uncertain> for &Uncertain {
            type Output = Uncertain;
            fn $method(self, other: &Uncertain) -> Uncertain {
                let (value, left, right) = $method(self.value, other.value);
                Uncertain::combine(value, &[(left, self), (right, other)])
            }
        }
        impl $trait<f64> for &Uncertain {
            type Output = Uncertain;
            fn $method(self, other: f64) -> Uncertain {
                let (value, left, _) = $method(self.value, other);
                Uncertain::combine(value, &[(left, self)])
            }
        }
        impl $trait<&Uncertain> for f64 {
            type Output = Uncertain;
            fn $method(self, other: &Uncertain) -> Uncertain {
                let (value, _, right) = $method(self, other.value);
                Uncertain::combine(value, &[(right, other)])
            }
        }
        by_reference!($trait, $method, Uncertain, Uncertain, (&), (&));
        by_reference!($trait, $method, &Uncertain, Uncertain, (), (&));
        by_reference!($trait, $method, Uncertain, &Uncertain, (&), ());
        by_reference!($trait, $method, Uncertain, f64, (&), ());
        by_reference!($trait, $method, f64, Uncertain, (), (&));
    };
}

macro_rules! by_reference {
    ($trait:ident, $method:ident, $left:ty, $right:ty, ($($l:tt)?), ($($r:tt)?)) => {
        impl $trait<$right> for $left {
            type Output = Uncertain;
            fn $method(self, other: $right) -> Uncertain {
                $trait::$method($($l)? self, $($r)? other)
            }
        }
    };
}

operator!(Add, add);
operator!(Sub, sub);
operator!(Mul, mul);
operator!(Div, div);

impl Neg for &Uncertain {
    type Output = Uncertain;
    fn neg(self) -> Uncertain {
        Uncertain::combine(-self.value, &[(-1.0, self)])
    }
}
impl Neg for Uncertain {
    type Output = Uncertain;
    fn neg(self) -> Uncertain {
        -&self
    }
}
