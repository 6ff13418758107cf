//! `dial read`: where the needle stands in pictures.

use crate::dial::{Dial, picture};
use crate::exit::{Failure, REFUSED};
use crate::notebook::Sheet;
use crate::object;
use crate::output::{print, print_json};
use clap::Args;
use needle::reader::{Reader, Seen, TRUSTED};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `dial read`.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Dial file
    dial: PathBuf,
    /// Pictures, PNG or JPEG
    #[arg(required = true, value_name = "PICTURE")]
    pictures: Vec<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// What became of one picture.
type Answer<'a> = (&'a Path, Result<Seen, String>);

/// Runs the command.
///
/// # Errors
/// When the dial file can't be used, or a picture was refused.
pub fn run(arguments: &Arguments) -> Result<ExitCode, Failure> {
    let dial = Dial::load(&arguments.dial)?;
    let reader = dial.reader()?;
    let mut answers: Vec<Answer<'_>> = Vec::new();
    for path in &arguments.pictures {
        let whole = picture(path)?;
        let cut = match &dial.part {
            Some(part) => part.cut(&whole),
            None => Ok(whole),
        };
        let seen = cut.and_then(|part| reader.read(&part).map_err(|refusal| refusal.to_string()));
        answers.push((path, seen));
    }
    let refused = answers.iter().filter(|(_, seen)| seen.is_err()).count();
    let failure = (refused > 0).then(|| {
        let text = format!("{refused} of {} pictures could not be read", answers.len());
        Failure::new(REFUSED, text)
    });
    if !arguments.json {
        print(&page(arguments, &dial, &reader, &answers))?;
        return failure.map_or(Ok(ExitCode::SUCCESS), Err);
    }
    let mut object = serde_json::json!({
        "dial": arguments.dial,
        "full_scale_text": dial.setup.full_scale_text,
        "confirmed": dial.setup.confirmed,
        "reservations": reader.reservations(),
        "pictures": answers.iter().map(as_json).collect::<Vec<_>>(),
    });
    if let Some(failure) = &failure {
        object::failed(&mut object, failure);
    }
    print_json(&object)?;
    Ok(failure.map_or(ExitCode::SUCCESS, |failure| failure.exit()))
}

fn page(arguments: &Arguments, dial: &Dial, reader: &Reader, answers: &[Answer<'_>]) -> String {
    let mut sheet = Sheet::titled(&format!("dial file {}", arguments.dial.display()));
    if let Some(text) = &dial.setup.full_scale_text {
        sheet.row("full scale", text);
    }
    for reservation in reader.reservations() {
        sheet.row("in doubt", reservation);
    }
    sheet.gap();
    for (path, seen) in answers {
        let path = path.display();
        let (verdict, text) = match seen {
            Ok(seen) if seen.confidence < TRUSTED => ("doubtful", in_words(seen)),
            Ok(seen) => ("read", in_words(seen)),
            Err(refusal) => ("refused", refusal.clone()),
        };
        sheet.row(verdict, &format!("{path}: {text}"));
    }
    sheet.text()
}

fn in_words(seen: &Seen) -> String {
    format!(
        "{:.3} % of scale, standard uncertainty {:.3} %, confidence {:.2}",
        seen.deflection * 100.0,
        seen.u_total() * 100.0,
        seen.confidence
    )
}

fn as_json((path, seen): &Answer<'_>) -> serde_json::Value {
    match seen {
        Ok(seen) => serde_json::json!({
            "picture": path,
            "deflection": seen.deflection,
            "u": seen.u_total(),
            "confidence": seen.confidence,
            "trusted": seen.confidence >= TRUSTED,
        }),
        Err(refusal) => serde_json::json!({ "picture": path, "refused": refusal }),
    }
}
