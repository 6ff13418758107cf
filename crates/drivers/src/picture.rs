//! Numbers of a fixed width, as a picture: `00.00` is two digits, a point and two digits, `00v0`
//! the same with the point left out (`1.5` is `015`), and a `-` stands for a character that belongs
//! to something else.

/// The picture of a number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    text: String,
    before: usize,
    after: usize,
}

/// Longest picture.
const LONGEST: usize = 64;

impl Picture {
    /// Reads a picture.
    ///
    /// # Errors
    /// What would be right.
    pub fn parse(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!("\"{text}\" is no picture of a number; write 00.00, or 00v0 without the point")
        };
        let digits = text.trim_matches('-');
        let (before, after) = digits.split_once(['.', 'v']).unwrap_or((digits, ""));
        let zeros = |part: &str| part.bytes().all(|byte| byte == b'0');
        if before.is_empty() || !zeros(before) || !zeros(after) || text.len() > LONGEST {
            return Err(wrong());
        }
        Ok(Self {
            before: before.len(),
            after: after.len(),
            text: text.to_owned(),
        })
    }

    /// The picture as it was written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// `number`, which is written plainly, in this form; none when it does not fit without a change
    /// of its value.
    pub fn write(&self, number: &str) -> Option<String> {
        let (whole, fraction) = number.split_once('.').unwrap_or((number, ""));
        let fraction = fraction.trim_end_matches('0');
        let plain = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
        let fits = !whole.is_empty() && whole.len() <= self.before && fraction.len() <= self.after;
        if !(fits && plain(whole) && plain(fraction)) {
            return None;
        }
        let mut digits = format!("{whole:0>0$}{fraction:0<1$}", self.before, self.after);
        if self.text.contains('.') {
            digits.insert(self.before, '.');
        }
        Some(digits)
    }

    /// The number that stands in `answer` where the picture has it; none when the answer is built
    /// otherwise. Characters beyond the picture are not looked at: some firmware adds stray ones.
    pub fn read(&self, answer: &str) -> Option<String> {
        let mut number = String::with_capacity(self.text.len() + 1);
        let mut given = answer.chars();
        for mark in self.text.chars() {
            // An implied point takes no place.
            if mark == 'v' {
                number.push('.');
                continue;
            }
            match (mark, given.next()?) {
                ('0', digit) if digit.is_ascii_digit() => number.push(digit),
                ('.', '.') => number.push('.'),
                ('-', _) => {}
                _ => return None,
            }
        }
        Some(number)
    }
}

#[cfg(test)]
mod tests {
    use super::Picture;

    #[test]
    fn written_as_pictured_or_not_at_all() {
        for (picture, number, text) in [
            ("00.00", "1.25", Some("01.25")),
            ("00.00", "1.2500", Some("01.25")),
            ("0.000", "0.01", Some("0.010")),
            ("00v0", "1.5", Some("015")),
            ("000", "7", Some("007")),
            ("00.00", "100", None),
            ("00.00", "1.255", None),
            ("00.00", "-1", None),
            ("00.00", "", None),
            ("00.00", "1e1", None),
        ] {
            let picture = Picture::parse(picture).unwrap();
            assert_eq!(picture.write(number).as_deref(), text, "{number}");
        }
    }

    #[test]
    fn read_as_pictured_or_not_at_all() {
        for (picture, answer, number) in [
            ("00.00", "12.34", Some("12.34")),
            ("0.000", "0.125K", Some("0.125")),
            ("00v0---", "150180", Some("15.0")),
            ("---0v00", "150180", Some("1.80")),
            ("00.00", "2.34", None),
            ("00.00", "12,34", None),
            ("00v0---", "1501", None),
            ("00.00", "", None),
            ("00.00", "1٢.34", None),
        ] {
            let picture = Picture::parse(picture).unwrap();
            assert_eq!(picture.read(answer).as_deref(), number, "{answer}");
        }
        for wrong in ["", "--", "0,0", ".00", "0.0.0", "1.0", "0-0"] {
            assert!(Picture::parse(wrong).is_err(), "{wrong}");
        }
    }
}
