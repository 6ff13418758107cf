//! What a reader's line says.

use evidence::{Needle, Sighting};

/// Oldest picture that a reader may deliver, in seconds.
const OLDEST: f64 = 60.0;
/// Deflections that a needle can show.
const DEFLECTIONS: std::ops::RangeInclusive<f64> = -1.0..=2.0;

/// Reads one answer to `LOOK`. An answer that makes no sense becomes a refusal that says so; it
/// never becomes a value.
pub fn parse_report(line: &str) -> Sighting {
    let line = line.trim();
    if let Some(reason) = line.strip_prefix("UNSEEN") {
        let reason = match reason.trim() {
            "" => "the reader gives no reason".to_owned(),
            words => words.chars().take(200).collect(),
        };
        return refusal(reason);
    }
    let numbers = line.strip_prefix("SEEN ").and_then(|rest| {
        let mut fields = rest.split_ascii_whitespace().map(number);
        let four = [
            fields.next()??,
            fields.next()??,
            fields.next()??,
            fields.next()??,
        ];
        fields.next().is_none().then_some(four)
    });
    let Some([deflection, u, u_shared, age]) = numbers else {
        let shown = line.chars().take(80).collect::<String>();
        return refusal(format!("the reader's answer \"{shown}\" is no sighting"));
    };
    let wrong = if !DEFLECTIONS.contains(&deflection) {
        Some(format!(
            "a deflection of {deflection} of full scale, which no needle can show"
        ))
    } else if !(u > 0.0 && u <= 1.0) {
        Some(format!(
            "an uncertainty of {u}, which is not above 0 and up to 1"
        ))
    } else if !(0.0..=1.0).contains(&u_shared) {
        Some(format!(
            "a shared uncertainty of {u_shared}, which is not 0 to 1"
        ))
    } else if !(0.0..=OLDEST).contains(&age) {
        Some(format!(
            "a picture {age} s old, which is not 0 s to {OLDEST} s"
        ))
    } else {
        None
    };
    match wrong {
        Some(wrong) => refusal(format!("the reader states {wrong}")),
        None => Sighting {
            age,
            seen: Ok(Needle {
                deflection,
                u,
                u_shared,
            }),
        },
    }
}

/// The line that says this sighting; it reads back as the same. A refusal says no age.
pub(crate) fn report(sighting: &Sighting) -> String {
    match &sighting.seen {
        Ok(needle) => {
            let (age, at) = (sighting.age, needle.deflection);
            format!("SEEN {at:?} {:?} {:?} {age:?}", needle.u, needle.u_shared)
        }
        Err(reason) => format!("UNSEEN {}", reason.replace(['\r', '\n'], " ")),
    }
}

/// A finite number in digits: the words that float parsing takes besides are no sighting.
fn number(text: &str) -> Option<f64> {
    let plain = text
        .bytes()
        .all(|byte| matches!(byte, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E'));
    let value = plain.then(|| text.parse::<f64>().ok()).flatten();
    value.filter(|value| value.is_finite())
}

pub(crate) fn refusal(reason: String) -> Sighting {
    Sighting {
        age: 0.0,
        seen: Err(reason),
    }
}

#[cfg(test)]
mod tests {
    use super::parse_report;

    #[test]
    fn sightings_and_refusals() {
        let seen = parse_report("SEEN 0.2148 0.0021 0.004 0.031\r");
        assert_eq!(seen.age, 0.031);
        let needle = seen.seen.unwrap();
        assert_eq!(
            (needle.deflection, needle.u, needle.u_shared),
            (0.2148, 0.0021, 0.004)
        );
        assert_eq!(
            parse_report("UNSEEN glare over it").seen.unwrap_err(),
            "glare over it"
        );
    }

    #[test]
    fn nonsense_is_refused_with_its_reason() {
        for (line, part) in [
            ("", "is no sighting"),
            ("SEEN", "is no sighting"),
            ("SEEN 0.1 0.01 0.01", "is no sighting"),
            ("SEEN 0.1 0.01 0.01 0 0", "is no sighting"),
            ("SEEN NaN 0.01 0.01 0", "is no sighting"),
            ("SEEN inf 0.01 0.01 0", "is no sighting"),
            ("SEEN 1e999 0.01 0.01 0", "is no sighting"),
            ("SEEN 0,1 0.01 0.01 0", "is no sighting"),
            ("SEEN 2.1 0.01 0.01 0", "no needle can show"),
            ("SEEN -1.1 0.01 0.01 0", "no needle can show"),
            ("SEEN 0.1 0 0.01 0", "uncertainty of 0"),
            ("SEEN 0.1 -0.01 0.01 0", "uncertainty of -0.01"),
            ("SEEN 0.1 0.01 -0.01 0", "shared uncertainty"),
            ("SEEN 0.1 0.01 0.01 -1", "-1 s old"),
            ("SEEN 0.1 0.01 0.01 61", "61 s old"),
            ("READER x", "is no sighting"),
        ] {
            let reason = parse_report(line).seen.unwrap_err();
            assert!(reason.contains(part), "{line}: {reason}");
        }
    }
}
