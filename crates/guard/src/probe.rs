//! Finding instruments without touching them: only identity questions are asked, and nothing else is
//! sent. Opening a serial port raises DTR, which starts some boards anew; the caller says so.

mod ports;

use drivers::{Dialect, LinkError, Resource, Wire};
use std::path::Path;
use std::time::Duration;

pub use ports::{Port, ports, udev_rule};

/// A question gets no longer than this for its answer; many are asked of what never answers.
const PATIENCE: Duration = Duration::from_millis(1000);

/// What one place came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// It says who it is; these dialects fit, the ones that know it by name first.
    Identity(String, Vec<Fit>),
    /// Nothing answered any question. Boards without an identity question are like that.
    Silent,
    /// It can't be opened, and what to do about it.
    Closed(String),
}

/// A dialect that fits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fit {
    /// Name of the dialect.
    pub dialect: String,
    /// "supply", "meter", "switch" or "pots".
    pub role: String,
    /// Whether it names this model, rather than taking any answer.
    pub by_name: bool,
    /// Bits per second on a serial port.
    pub baud: u32,
}

/// Dialects without an identity question, which can't be asked who they are.
pub fn unasked() -> Vec<String> {
    let all = dialects(None).into_iter();
    all.filter(|dialect| dialect.common.is_none())
        .map(|dialect| dialect.name)
        .collect()
}

fn dialects(folder: Option<&Path>) -> Vec<Dialect> {
    let built_in = Dialect::built_in_names().filter_map(|name| Dialect::built_in(name).ok());
    let mut all: Vec<Dialect> = built_in
        .filter(|dialect| !dialect.name.starts_with("simulated"))
        .collect();
    let files = folder.and_then(|folder| std::fs::read_dir(folder).ok());
    let mut own: Vec<_> = files
        .into_iter()
        .flatten()
        .flatten()
        .map(|f| f.path())
        .collect();
    own.sort();
    let own = own
        .iter()
        .filter(|p| p.extension().is_some_and(|e| e == "toml"));
    all.extend(own.filter_map(|path| Dialect::load(path).ok()));
    all
}

/// Asks at `resource`, written as in a rig file, in every way that a dialect knows, until something
/// answers. `folder` holds dialects of the user's own.
pub async fn ask_identity(resource: &str, folder: Option<&Path>) -> Answer {
    let resource: Resource = match resource.parse() {
        Ok(resource) => resource,
        Err(error) => return Answer::Closed(format!("{error}")),
    };
    let all = dialects(folder);
    let usb = matches!(resource, Resource::Usb { .. } | Resource::UsbDevice { .. });
    let mut asked: Vec<(String, Wire)> = Vec::new();
    for dialect in &all {
        let Some(common) = &dialect.common else {
            continue;
        };
        let wire = Wire {
            deadline: dialect.wire.deadline.min(PATIENCE),
            ..dialect.wire.clone()
        };
        let question = common.identify.text().to_owned();
        let alike = |(before, on): &(String, Wire)| {
            // On USB a message ends with its transfer, and there is no speed.
            *before == question && (usb || on.ending == wire.ending && on.serial == wire.serial)
        };
        if asked.iter().any(alike) {
            continue;
        }
        match drivers::ask::identity(&resource, &wire, &question).await {
            Ok(identity) => {
                let fits = fitting(&all, &question, &wire, &identity);
                return Answer::Identity(identity, fits);
            }
            Err(LinkError::Timeout { .. }) => {}
            Err(error @ (LinkError::Connect { .. } | LinkError::Port { .. })) => {
                return Answer::Closed(error.to_string());
            }
            // An answer in another form is none to this question.
            Err(_) => {}
        }
        asked.push((question, wire));
    }
    Answer::Silent
}

/// The dialects that ask like this and take this answer.
fn fitting(all: &[Dialect], question: &str, wire: &Wire, identity: &str) -> Vec<Fit> {
    let asks = |dialect: &&Dialect| {
        let same = dialect.common.as_ref().map(|c| c.identify.text()) == Some(question);
        same && dialect.wire.ending == wire.ending && dialect.fits(identity)
    };
    let named = |dialect: &Dialect| dialect.models.iter().any(|model| !model.is_empty());
    let mut fits: Vec<Fit> = all
        .iter()
        .filter(asks)
        .map(|dialect| Fit {
            dialect: dialect.name.clone(),
            role: dialect.kind().to_string(),
            by_name: named(dialect),
            baud: wire.serial.baud,
        })
        .collect();
    fits.sort_by_key(|fit| !fit.by_name);
    fits
}
