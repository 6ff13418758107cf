//! How the instruments write numbers.

use std::fmt::Write;

/// Scientific notation with a signed two-digit exponent, as bench meters write it.
pub fn scientific(out: &mut String, value: f64) {
    let start = out.len();
    // Writing to a String cannot fail.
    let _ = write!(out, "{value:+.8E}");
    let Some(exponent) = out[start..].find('E').map(|at| start + at + 1) else {
        return;
    };
    let negative = out[exponent..].starts_with('-');
    if negative {
        out.remove(exponent);
    }
    if out.len() - exponent < 2 {
        out.insert(exponent, '0');
    }
    out.insert(exponent, if negative { '-' } else { '+' });
}

#[cfg(test)]
mod tests {
    use super::scientific;

    #[test]
    fn as_meters_write() {
        for (value, text) in [
            (0.123456789, "+1.23456789E-01"),
            (9.9e37, "+9.90000000E+37"),
            (-2.5, "-2.50000000E+00"),
            (0.0, "+0.00000000E+00"),
        ] {
            let mut out = String::new();
            scientific(&mut out, value);
            assert_eq!(out, text);
        }
    }
}
