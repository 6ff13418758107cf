//! Before a real rig is energised: the plan, the cautions, the question.

use crate::commands::rig::not_fitted;
use crate::exit::Failure;
use guard::Rig;
use std::io::{BufRead, IsTerminal, Write};

const CAUTIONS: &str = "\
Before you go on (SAFETY.md says more; local codes and licensed practice come first):
  - the movement is out of its circuit: no mains, no stored energy, no current transformer on it
  - the dial is not luminous and not ex-military, or it was checked with a counter (radium)
  - the case is not sealed, domed or cracked; nothing will be opened while the rig is live
  - the frame may be bonded to a terminal: treat bezel and zero screw as live
  - path resistors get hot at their upper currents; nothing lies on them
";

/// Shows what will be done and asks.
///
/// # Errors
/// When the answer is no, or nobody can answer.
pub fn ask(rig: &Rig, yes: bool) -> Result<(), Failure> {
    let review = rig.review();
    eprintln!("{}: characterises one movement\n", rig.name);
    eprintln!(
        "  zero, creep from {}, aim, scale up and down, full scale",
        rig.limits.first_touch
    );
    eprintln!(
        "  again, half-shunt, zero; never above {:.0} % of scale\n",
        rig.limits.ceiling * 100.0
    );
    eprintln!("  worst single fault through the movement, path by path:");
    for path in rig.paths.iter().take(review.heaviest + 1) {
        eprintln!("    {:<10} {}", path.name, path.fault_current);
    }
    for missing in not_fitted(rig) {
        eprintln!("  not fitted: {missing}");
    }
    eprintln!("\n{CAUTIONS}");
    if yes {
        return Ok(());
    }
    if !std::io::stdin().is_terminal() {
        let text = "nobody can answer the question here; --yes answers it";
        return Err(Failure::usage(text));
    }
    eprint!("Is all of this so, and may the rig be energised? [y/N] ");
    std::io::stderr().flush()?;
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer)?;
    match answer.trim() {
        "y" | "Y" | "yes" => Ok(()),
        _ => Err(Failure::usage("not energised")),
    }
}
