//! Before a real rig is energised: the plan, the cautions, the question.

use crate::commands::rig::not_fitted;
use crate::exit::Failure;
use crate::notebook::Sheet;
use crate::output::tell;
use guard::Rig;
use std::io::{BufRead, IsTerminal, Write};

const CAUTIONS: &str = "\
Before you go on (SAFETY.md says more; local codes and licensed practice come
first):
  - the movement is out of its circuit: no mains, no stored energy left in it
  - it was not taken off a current transformer that is still in use: an open
    secondary kills, and is work for licensed people
  - the dial is not luminous and not ex-military, or a counter has cleared it of
    radium; a luminous one stays closed
  - the glass is not sealed, domed or cracked under strain; no case is opened
  - the frame may be bonded to a terminal: treat bezel and zero screw as live
  - path resistors get hot at their upper currents; nothing lies on them
";

/// Shows what will be done and asks.
///
/// # Errors
/// When the answer is no, or nobody can answer.
pub fn ask(rig: &Rig, yes: bool) -> Result<(), Failure> {
    tell(&plan(rig));
    tell(CAUTIONS);
    if yes {
        return Ok(());
    }
    if !std::io::stdin().is_terminal() {
        let text = "nobody can answer the question here; --yes answers it";
        return Err(Failure::usage(text));
    }
    let mut err = std::io::stderr().lock();
    write!(
        err,
        "Is all of this so, and may the rig be energised? [y/N] "
    )?;
    err.flush()?;
    drop(err);
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer)?;
    match answer.trim() {
        "y" | "Y" | "yes" => Ok(()),
        _ => Err(Failure::usage("not energised")),
    }
}

/// What will be done, and what a single fault could do meanwhile.
fn plan(rig: &Rig) -> String {
    let (review, limits) = (rig.review(), &rig.limits);
    let mut sheet = Sheet::titled(&format!("{}: one movement is characterised", rig.name));
    let growth = limits.growth * 100.0;
    sheet.row("zero", "needle and meters without current");
    let creep = format!(
        "from {} at most, {growth:.0} % more a second",
        limits.first_touch
    );
    sheet.row("creep", &(creep + ", until the needle moves"));
    sheet.row("aim", "exponent, period and damping, at a tenth of scale");
    let top = format!(
        "up and down, never above {:.0} % of scale",
        limits.ceiling * 100.0
    );
    sheet.row("scale", &top);
    sheet.row("full scale", "again from below and from above");
    sheet.row(
        "half-shunt",
        "the resistance once more, with the shunt bank",
    );
    sheet.row("zero again", "");
    sheet.gap();
    sheet.row("path", "worst single fault through the movement");
    for path in rig.paths.iter().take(review.heaviest + 1) {
        sheet.row(&format!("  {}", path.name), &path.fault_current.to_string());
    }
    let contact = format!(
        "{}, should its contact close by itself",
        review.contact_fault
    );
    sheet.row("  any of them", &contact);
    for missing in not_fitted(rig) {
        sheet.row("not fitted", missing);
    }
    sheet.text()
}
