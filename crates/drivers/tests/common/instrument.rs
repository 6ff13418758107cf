//! What every instrument is asked when it is opened, and after a missed answer.

use super::{Step, answers, hears};
use drivers::Dialect;

pub const ME: &str = "ACME,MODEL,0,1.0";

/// What every instrument is asked when it is opened.
pub fn opening() -> Vec<Step> {
    let [asked, answered] = answers("*IDN?", ME);
    let [errors, none] = answers(":SYST:ERR?", "+0,\"No error\"");
    vec![asked, answered, hears("*CLS"), errors, none]
}

/// Back into step after a missed answer.
pub fn recovery() -> Vec<Step> {
    [
        answers("*IDN?", ME),
        answers(":SYST:ERR?", "0,\"No error\""),
    ]
    .concat()
}

pub fn script(parts: &[&[Step]]) -> Vec<Step> {
    let mut steps = opening();
    steps.extend(parts.concat());
    steps
}

pub fn dialect(name: &str) -> Dialect {
    Dialect::built_in(name).expect("built in")
}
