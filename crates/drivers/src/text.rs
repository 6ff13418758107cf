//! Small texts of the instruments' language: error queue entries, truth values, lists.

/// One entry of an error queue, such as `-113,"Undefined header;X,Y"`: number and text.
///
/// The text may hold commas and semicolons inside its quotes, and doubled quotes for one quote
/// (IEEE 488.2 string response data). A text without quotes and a bare number are accepted.
pub fn parse_error_entry(entry: &str) -> Option<(i32, String)> {
    let entry = entry.trim();
    let (code, text) = entry.split_once(',').unwrap_or((entry, ""));
    let code = code.trim();
    let digits = code.strip_prefix(['+', '-']).unwrap_or(code);
    if digits.is_empty() || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let code = code.parse().ok()?;
    let text = text.trim();
    match text.strip_prefix('"') {
        Some(rest) => Some((code, quoted(rest)?)),
        None => Some((code, text.to_owned())),
    }
}

/// The inside of a quoted string whose opening quote is gone. Nothing but the closing quote may
/// end it, and nothing may follow that.
fn quoted(text: &str) -> Option<String> {
    let mut inside = String::with_capacity(text.len());
    let mut rest = text;
    loop {
        let at = rest.find('"')?;
        inside.push_str(&rest[..at]);
        rest = &rest[at + 1..];
        match rest.strip_prefix('"') {
            Some(more) => {
                inside.push('"');
                rest = more;
            }
            None => return rest.trim().is_empty().then_some(inside),
        }
    }
}

/// A truth value: `1`, `0`, `ON`, `OFF`.
pub(crate) fn parse_bool(text: &str) -> Option<bool> {
    match text.trim() {
        "1" | "+1" => Some(true),
        "0" | "+0" => Some(false),
        word if word.eq_ignore_ascii_case("on") => Some(true),
        word if word.eq_ignore_ascii_case("off") => Some(false),
        _ => None,
    }
}

/// A list of exactly `count` truth values.
pub(crate) fn parse_bools(text: &str, count: usize) -> Option<Vec<bool>> {
    let states: Option<Vec<bool>> = text.split(',').map(parse_bool).collect();
    states.filter(|states| states.len() == count)
}

#[cfg(test)]
mod tests {
    use super::{parse_bools, parse_error_entry};

    #[test]
    fn error_entries() {
        let entry = |code, text: &str| Some((code, text.to_owned()));
        assert_eq!(parse_error_entry("+0,\"No error\""), entry(0, "No error"));
        assert_eq!(parse_error_entry("0"), entry(0, ""));
        assert_eq!(parse_error_entry("0,No error"), entry(0, "No error"));
        assert_eq!(
            parse_error_entry("-113,\"Undefined header;X,Y\""),
            entry(-113, "Undefined header;X,Y")
        );
        assert_eq!(
            parse_error_entry("-1,\"say \"\"no\"\"\""),
            entry(-1, "say \"no\"")
        );
        for wrong in [
            "",
            "1.5",
            "-,\"x\"",
            "-113,\"open",
            "-113,\"a\" b",
            "99999999999,\"x\"",
        ] {
            assert_eq!(parse_error_entry(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn lists_have_the_length_asked_for() {
        assert_eq!(parse_bools("1,0,ON", 3), Some(vec![true, false, true]));
        assert_eq!(parse_bools("1,0", 3), None);
        assert_eq!(parse_bools("1,2,0", 3), None);
    }
}
