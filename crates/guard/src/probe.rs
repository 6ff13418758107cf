//! Finding instruments without touching them: only identity questions are asked. A USB test instrument
//! is cleared, put under remote control and given back to its front panel besides. Opening a serial port raises DTR, which starts some boards anew; the caller says so.

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
    /// Nothing answered any question. Boards without an identity question are like that. With what
    /// went wrong last beside silence, where something did.
    Silent(Option<String>),
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
    let usb = resource.is_usb();
    let mut last = None;
    for (question, wire) in questions(&all, usb) {
        match drivers::ask::identity(&resource, &wire, &question).await {
            Ok(identity) => {
                let fits = fitting(&all, usb, &question, &wire, &identity);
                return Answer::Identity(identity, fits);
            }
            Err(LinkError::Timeout { .. }) => {}
            Err(error @ (LinkError::Connect { .. } | LinkError::Port { .. })) => {
                return Answer::Closed(error.to_string());
            }
            // An answer in another form is none to this question, but somebody is there.
            Err(error) => last = Some(error.to_string()),
        }
    }
    Answer::Silent(last)
}

/// The questions of all dialects and how each is asked, none twice.
fn questions(all: &[Dialect], usb: bool) -> Vec<(String, Wire)> {
    let mut asked: Vec<(String, Wire)> = Vec::new();
    for dialect in all {
        let Some(common) = &dialect.common else {
            continue;
        };
        let wire = Wire {
            deadline: dialect.wire.deadline.min(PATIENCE),
            ..dialect.wire.clone()
        };
        let question = common.identify.text().to_owned();
        // On USB nothing else is answered, and what is unknown may halt the instrument.
        if usb && !question.contains('?') {
            continue;
        }
        // On USB a message ends with its transfer, and there is no speed.
        let alike = |(before, on): &(String, Wire)| {
            *before == question
                && match usb {
                    true => on.usb == wire.usb,
                    false => on.ending == wire.ending && on.serial == wire.serial,
                }
        };
        if !asked.iter().any(alike) {
            asked.push((question, wire));
        }
    }
    asked
}

/// The dialects that ask like this and take this answer.
fn fitting(all: &[Dialect], usb: bool, question: &str, wire: &Wire, identity: &str) -> Vec<Fit> {
    let asks = |dialect: &&Dialect| {
        let same = dialect.common.as_ref().map(|c| c.identify.text()) == Some(question);
        let alike = match usb {
            true => dialect.unfit_for_usb().is_none(),
            false => dialect.wire.ending == wire.ending,
        };
        same && alike && dialect.fits(identity)
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

#[cfg(test)]
mod tests {
    use super::*;

    /// One instrument on USB is asked the same once, however many dialects ask it with other endings;
    /// what is no question there is not asked at all.
    #[test]
    fn nothing_is_asked_twice() {
        let text = Dialect::built_in("scpi-meter").unwrap();
        let with = |change: fn(&mut Dialect)| {
            let mut other = text.clone();
            change(&mut other);
            other
        };
        let all = [
            text.clone(),
            with(|d| d.wire.ending = drivers::Ending::Cr),
            with(|d| d.wire.serial.baud = 19_200),
            with(|d| d.wire.usb.no_status = true),
            Dialect::built_in("scpi-supply").unwrap(),
            with(|d| d.common.as_mut().unwrap().identify = "ID".to_owned().try_into().unwrap()),
        ];
        let asked = |usb| {
            let asked = questions(&all, usb).into_iter();
            let on = |(question, wire): (String, Wire)| (question, wire.usb.no_status);
            asked.map(on).collect::<Vec<_>>()
        };
        let question = |no_status| ("*IDN?".to_owned(), no_status);
        assert_eq!(asked(true), [question(false), question(true)]);
        // On a port: as it is, with another ending, at another speed, and the unmarked one.
        assert_eq!(asked(false).len(), 4, "{:?}", asked(false));
    }

    #[test]
    fn on_usb_an_ending_tells_no_dialects_apart() {
        let text = Dialect::built_in("scpi-meter").unwrap();
        let mut other = text.clone();
        other.name = "with-cr".to_owned();
        other.wire.ending = drivers::Ending::Cr;
        let wire = text.wire.clone();
        let all = [text, other];
        let names = |usb| {
            let fits = fitting(&all, usb, "*IDN?", &wire, "A,B,1,1.0");
            let names = fits.into_iter().map(|fit| fit.dialect);
            names.collect::<Vec<_>>()
        };
        assert_eq!(names(false), ["scpi-meter"]);
        assert_eq!(names(true), ["scpi-meter", "with-cr"]);
    }
}
