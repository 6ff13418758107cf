//! `dial propose`: a set-up from pictures, with a person's corrections.

use crate::dial::{Dial, Part, check_picture, picture};
use crate::exit::{Failure, REFUSED};
use crate::notebook::Sheet;
use crate::output::{print, print_json};
use clap::Args;
use needle::reader::{Corrections, DialSetup, Geometry, SetupError, annotate};
use std::path::{Path, PathBuf};

/// Arguments of `dial propose`.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Three to nine pictures, PNG or JPEG: the needle at rest first, then farther and farther up
    #[arg(required = true, value_name = "PICTURE")]
    pictures: Vec<PathBuf>,
    /// Dial file to write; pictures go beside it
    #[arg(long, default_value = "dial.toml", value_name = "FILE")]
    out: PathBuf,
    /// Where this dial is, if there are several in the picture; all places are then counted from
    /// its own top left
    #[arg(long, value_name = "LEFT,TOP,WIDTH,HEIGHT", value_parser = rectangle)]
    region: Option<[usize; 4]>,
    /// Where the zero mark is, in pixels from the top left; the nearest mark is taken
    #[arg(long, value_name = "X,Y", value_parser = pair)]
    zero: Option<[f64; 2]>,
    /// Where the full-scale mark is, in pixels from the top left; the nearest mark is taken
    #[arg(long, value_name = "X,Y", value_parser = pair)]
    full_scale: Option<[f64; 2]>,
    /// What is printed at full scale, such as "100 µA"
    #[arg(long)]
    text: Option<String>,
    /// Eye check of a straight scale, given twice: what "dial read" said, and what a person saw
    /// square-on, in % of scale
    #[arg(long, value_name = "READ,SEEN", value_parser = pair, allow_hyphen_values = true)]
    eye: Vec<[f64; 2]>,
    /// Say that zero and full scale are right, as drawn in the picture
    #[arg(long)]
    confirm: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Two numbers with a comma between them.
fn pair(text: &str) -> Result<[f64; 2], String> {
    let number = |text: &str| text.trim().parse().ok().filter(|n: &f64| n.is_finite());
    text.split_once(',')
        .and_then(|(one, other)| Some([number(one)?, number(other)?]))
        .ok_or_else(|| "write two numbers with a comma between them, as in 412,305".to_owned())
}

/// Four whole numbers with commas between them.
fn rectangle(text: &str) -> Result<[usize; 4], String> {
    let numbers: Result<Vec<usize>, _> = text.split(',').map(|side| side.trim().parse()).collect();
    numbers
        .ok()
        .and_then(|numbers| numbers.try_into().ok())
        .ok_or_else(|| "write four whole numbers with commas, as in 640,0,640,720".to_owned())
}

/// Runs the command.
///
/// # Errors
/// When a file can't be read or written, or no dial is found in the pictures.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    keeps_pictures(arguments)?;
    let pictures = arguments.pictures.iter().map(|path| picture(path));
    let mut pictures = pictures.collect::<Result<Vec<_>, _>>()?;
    let part = arguments.region.map(|[left, top, width, height]| Part {
        left,
        top,
        width,
        height,
        of: [pictures[0].width(), pictures[0].height()],
    });
    if let Some(part) = &part {
        for (picture, path) in pictures.iter_mut().zip(&arguments.pictures) {
            let wrong = |why| Failure::usage(format!("{}: {why}", path.display()));
            *picture = part.cut(picture).map_err(wrong)?;
        }
    }
    let setup = set_up(arguments, &pictures)?;
    // The needle at rest hides the least of the scale.
    let drawn = annotate(&setup, &pictures[0]);
    let dial = Dial {
        setup,
        pictures,
        part,
    };
    let reader = dial.reader()?;
    let shown = dial.keep(&arguments.out, &drawn)?;
    if arguments.json {
        return print_json(&as_json(
            arguments,
            &dial.setup,
            &shown,
            reader.reservations(),
        ));
    }
    print(&page(arguments, &dial.setup, &shown, reader.reservations()))
}

/// None of the pictures may be written over by the one for checking.
fn keeps_pictures(arguments: &Arguments) -> Result<(), Failure> {
    let Ok(shown) = check_picture(&arguments.out)?.canonicalize() else {
        // There is none yet.
        return Ok(());
    };
    let same = |path: &&PathBuf| path.canonicalize().is_ok_and(|path| path == shown);
    match arguments.pictures.iter().find(same) {
        None => Ok(()),
        Some(path) => Err(Failure::usage(format!(
            "{} would be written over; give another name with --out",
            path.display()
        ))),
    }
}

fn set_up(
    arguments: &Arguments,
    pictures: &[needle::reader::Picture],
) -> Result<DialSetup, Failure> {
    let refused = |error: SetupError| match error {
        SetupError::Correction(_) | SetupError::Pictures(_) => Failure::usage(error.to_string()),
        SetupError::NoNeedle { picture, .. }
        | SetupError::Differs(picture)
        | SetupError::Light(picture) => {
            let file = arguments.pictures.get(picture);
            let file = file.map(|file| format!("{}: ", file.display()));
            Failure::new(REFUSED, file.unwrap_or_default() + &error.to_string())
        }
        _ => Failure::new(REFUSED, error.to_string()),
    };
    let corrections = Corrections {
        zero: arguments.zero,
        full_scale: arguments.full_scale,
        full_scale_text: arguments.text.clone(),
        confirm: arguments.confirm,
    };
    let setup = DialSetup::propose(pictures)
        .and_then(|proposed| proposed.corrected(&corrections))
        .map_err(refused)?;
    let share = |[read, seen]: [f64; 2]| (read / 100.0, seen / 100.0);
    match (arguments.eye.as_slice(), &setup.geometry) {
        ([], _) => Ok(setup),
        (_, Geometry::Radial(_)) => Err(Failure::usage(
            "an eye check is for straight scales; leave --eye out",
        )),
        ([one, other], _) => setup
            .eye_checked([share(*one), share(*other)])
            .map_err(refused),
        _ => Err(Failure::usage(
            "an eye check needs two places: give --eye twice",
        )),
    }
}

fn kind(setup: &DialSetup) -> String {
    match &setup.geometry {
        Geometry::Radial(radial) => {
            let arc = (setup.full_scale - setup.zero) * radial.step;
            format!(
                "about a pivot, {:.1}° from zero to full scale",
                arc.to_degrees()
            )
        }
        Geometry::Straight(straight) => match straight.eye {
            Some(_) => "straight, eye-checked".to_owned(),
            None => "straight; it needs an eye check (--eye)".to_owned(),
        },
    }
}

fn page(arguments: &Arguments, setup: &DialSetup, shown: &Path, reservations: &[String]) -> String {
    let mut sheet = Sheet::titled(&format!("dial file {}", arguments.out.display()));
    let place = |number: f64| {
        let [x, y] = setup.place(number);
        format!("at ({x:.0}, {y:.0})")
    };
    sheet.row("scale", &kind(setup));
    let long = setup.marks.iter().filter(|mark| mark.long).count();
    let marks = format!(
        "{} found, {long} of them long; they scatter by {:.2} pixels",
        setup.marks.len(),
        setup.mark_rms
    );
    sheet.row("marks", &marks);
    let rest = setup.fraction(setup.rest) * 100.0;
    let zero = format!("{}; the needle rests at {rest:.1} %", place(setup.zero));
    sheet.row("zero", &zero);
    let text = setup.full_scale_text.as_deref();
    let printed = text.map_or(
        "what is printed there is not stated (--text)".to_owned(),
        |text| format!("printed \"{text}\""),
    );
    let full_scale = format!("{}; {printed}", place(setup.full_scale));
    sheet.row("full scale", &full_scale);
    if setup.sure() {
        sheet.row("sure", "nothing is in doubt");
    }
    for doubt in &setup.doubts {
        sheet.row("in doubt", doubt);
    }
    sheet.gap();
    let look = format!(
        "{}: green ring at zero, magenta ring at full scale, blue and orange rings at long and short \
         marks, red cross at the pivot",
        shown.display()
    );
    sheet.row("look at", &look);
    let confirmed = match setup.confirmed {
        true => "by a person",
        false => {
            "not yet: look at the picture, then give the same command with --confirm, and with \
             --zero X,Y or --full-scale X,Y where a ring is wrong"
        }
    };
    sheet.row("confirmed", confirmed);
    match reservations {
        [] => sheet.row("unattended", "may be read while nobody watches"),
        all => sheet.row("unattended", &format!("not to be used: {}", all.join("; "))),
    }
    sheet.text()
}

fn as_json(
    arguments: &Arguments,
    setup: &DialSetup,
    shown: &Path,
    reservations: &[String],
) -> serde_json::Value {
    serde_json::json!({
        "dial": arguments.out,
        "picture": shown,
        "scale": match &setup.geometry {
            Geometry::Radial(_) => "radial",
            Geometry::Straight(_) => "straight",
        },
        "marks": setup.marks.len(),
        "mark_rms": setup.mark_rms,
        "zero": setup.place(setup.zero),
        "full_scale": setup.place(setup.full_scale),
        "full_scale_text": setup.full_scale_text,
        "rest": setup.fraction(setup.rest),
        "sure": setup.sure(),
        "doubts": setup.doubts,
        "confirmed": setup.confirmed,
        "unattended": reservations.is_empty(),
        "reservations": reservations,
    })
}
