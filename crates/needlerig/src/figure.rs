//! Values as a notebook has them: one prefix for value, uncertainty and interval, and no digit
//! below the second one of the uncertainty.

use quantity::Uncertain;

/// SI prefixes with their powers of ten.
const PREFIXES: [(&str, i32); 9] = [
    ("p", -12),
    ("n", -9),
    ("µ", -6),
    ("m", -3),
    ("", 0),
    ("k", 3),
    ("M", 6),
    ("G", 9),
    ("T", 12),
];

/// Power of ten of the leading digit, after rounding to two digits; none for zero and infinity.
fn exponent(value: f64) -> Option<i32> {
    let text = format!("{:.1e}", value.abs());
    let power = text.split_once('e')?.1.parse().ok()?;
    (value != 0.0 && value.is_finite()).then_some(power)
}

/// How values of one figure are written: their common prefix, and how far down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Style {
    prefix: &'static str,
    power: i32,
    /// Power of ten of the last digit shown.
    last: i32,
}

impl Style {
    /// For a value with its standard uncertainty. Without a usable one, six digits are shown.
    pub fn of(value: f64, u: f64) -> Self {
        let top = [value, u].into_iter().filter_map(exponent).max();
        let top = top.unwrap_or(0);
        let group = top.div_euclid(3).clamp(-4, 4) * 3;
        let prefix = PREFIXES.iter().find(|(_, power)| *power == group);
        Self {
            prefix: prefix.map_or("", |(name, _)| name),
            power: group,
            last: exponent(u).map_or(top - 5, |power| power - 1),
        }
    }

    /// The number alone, in the figure's prefix.
    pub fn number(self, value: f64) -> String {
        if !value.is_finite() {
            return "∞".to_owned();
        }
        let step = 10f64.powi(self.last);
        // Rounding is done here where the last digit stands left of the point.
        let value = if self.last > self.power {
            (value / step).round() * step
        } else {
            value
        };
        let places = usize::try_from(self.power - self.last).unwrap_or(0);
        format!("{:.places$}", value / 10f64.powi(self.power))
    }

    /// The number with prefix and unit.
    pub fn with_unit(self, value: f64, unit: &str) -> String {
        format!("{} {}{unit}", self.number(value), self.prefix)
    }
}

/// The style of a figure.
pub fn style(figure: &Uncertain) -> Style {
    Style::of(figure.value(), figure.u())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(value: f64, u: f64) -> (String, String) {
        let style = Style::of(value, u);
        (style.with_unit(value, "A"), style.number(u))
    }

    #[test]
    fn the_second_digit_of_u_is_the_last() {
        let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        assert_eq!(shown(49.9752e-6, 0.0083e-6), pair("49.9752 µA", "0.0083"));
        assert_eq!(shown(99.0, 0.99), pair("99.00 A", "0.99"));
        assert_eq!(shown(99.0, 0.996), pair("99.0 A", "1.0"));
        assert_eq!(shown(20e-3, 90e-6), pair("20.000 mA", "0.090"));
        assert_eq!(shown(-2008.68, 0.29), pair("-2.00868 kA", "0.00029"));
        assert_eq!(shown(907.0, 123.0), pair("910 A", "120"));
        assert_eq!(shown(1e-6, 3e-3), pair("0.0 mA", "3.0"));
    }

    #[test]
    fn odd_numbers_are_shown_too() {
        assert_eq!(Style::of(0.0, 0.0).with_unit(0.0, "A"), "0.00000 A");
        assert_eq!(Style::of(1.5, 0.0).with_unit(1.5, "A"), "1.50000 A");
        assert_eq!(Style::of(1.5, f64::INFINITY).number(f64::INFINITY), "∞");
        assert_eq!(Style::of(f64::NAN, f64::NAN).number(f64::NAN), "∞");
        assert_eq!(
            Style::of(3e20, 1e5).with_unit(3e20, "A"),
            "300000000.00000000 TA"
        );
    }
}
