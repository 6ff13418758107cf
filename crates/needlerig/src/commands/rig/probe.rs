//! `rig probe`: which instruments are here, and a rig file to begin with.

use super::skeleton::{Place, skeleton};
use crate::exit::{Failure, INSTRUMENT};
use crate::notebook::Sheet;
use crate::output::{print, print_json, tell};
use clap::Args;
use guard::{Answer, Fit, Port, ask_identity, ports, udev_rule, unasked};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Ports on which instruments listen for raw sockets, where none is stated.
const USUAL_PORTS: [u16; 4] = [5025, 5555, 2268, 7777];

/// Arguments of `rig probe`.
#[derive(Debug, Args)]
pub struct Probe {
    /// Serial ports to ask besides those of USB adapters, such as /dev/ttyS0; USB test instruments
    /// are asked anyway
    ports: Vec<PathBuf>,
    /// Instrument on the network; no others are looked for there
    #[arg(long, value_name = "ADDRESS[:PORT]")]
    host: Vec<String>,
    /// Folder with dialects of your own
    #[arg(long, value_name = "FOLDER")]
    dialects: Option<PathBuf>,
    /// Write the proposed rig file here; it must not exist yet
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// One place and what it came to.
struct Found {
    resource: String,
    answer: Answer,
    mind: Vec<String>,
}

/// Runs the command.
///
/// # Errors
/// When a place can't be opened or the rig file can't be written; what was found is printed first.
pub fn run(probe: &Probe) -> Result<ExitCode, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let mut found = Vec::new();
    let here = ports(Path::new("/dev"), Path::new("/sys/class/usbmisc"));
    let given = probe.ports.iter().map(|path| Port::named(path));
    for port in each_once(here.into_iter().chain(given)) {
        found.push(at_port(&runtime, &port, probe.dialects.as_deref()));
    }
    for host in &probe.host {
        found.extend(at_host(&runtime, host, probe.dialects.as_deref()));
    }
    mark_alike(&mut found);
    let text = skeleton(&places(&found));
    if let Some(path) = &probe.write {
        let unwritten =
            |error| Failure::usage(format!("{}: {error}; name a new file", path.display()));
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(path)
            .map_err(unwritten)?;
        file.write_all(text.as_bytes()).map_err(unwritten)?;
    }
    if probe.json {
        print_json(&object(&found, &text))?;
    } else {
        print(&page(&found))?;
        match &probe.write {
            Some(path) => print(&format!("rig file to complete: {}\n", path.display()))?,
            None => print(&text)?,
        }
    }
    let closed = |one: &&Found| matches!(one.answer, Answer::Closed(_));
    let closed: Vec<&str> = found
        .iter()
        .filter(closed)
        .map(|f| f.resource.as_str())
        .collect();
    if closed.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    let failure = Failure::new(INSTRUMENT, format!("not opened: {}", closed.join(", ")));
    if probe.json {
        return Ok(failure.exit());
    }
    Err(failure)
}

/// Each port once, under the name by which it came first.
fn each_once(ports: impl Iterator<Item = Port>) -> Vec<Port> {
    let mut devices = BTreeSet::new();
    // What is not there has no other name.
    let device = |port: &Port| port.device.canonicalize().ok();
    ports
        .filter(|port| device(port).is_none_or(|device| devices.insert(device)))
        .collect()
}

fn at_port(runtime: &tokio::runtime::Runtime, port: &Port, folder: Option<&Path>) -> Found {
    let mut mind: Vec<String> = port.mind.iter().map(|text| (*text).to_owned()).collect();
    let resource = port.resource.clone();
    tell(&format!("asking {resource}"));
    let answer = runtime.block_on(ask_identity(&resource, folder));
    mind.extend(rule(port, &answer));
    Found {
        resource,
        answer,
        mind,
    }
}

/// The udev rule that would help where permission is missing.
fn rule(port: &Port, answer: &Answer) -> Option<String> {
    match (answer, &port.vendor) {
        (Answer::Closed(text), Some(vendor)) if text.contains("no permission") => Some(format!(
            "or let a group use it: as root, write this line to /etc/udev/rules.d/60-needlerig.rules \
             and plug it in anew: {}",
            udev_rule(&port.device, vendor)
        )),
        _ => None,
    }
}

fn at_host(runtime: &tokio::runtime::Runtime, host: &str, folder: Option<&Path>) -> Vec<Found> {
    let stated = host
        .rsplit_once(':')
        .and_then(|(name, port)| Some((name, port.parse::<u16>().ok()?)))
        .filter(|(name, _)| !name.contains(':') || name.ends_with(']'));
    let (name, ports) = match stated {
        Some((name, port)) => (name, vec![port]),
        None => (host, USUAL_PORTS.to_vec()),
    };
    let mut found: Vec<Found> = ports
        .into_iter()
        .map(|port| {
            let resource = format!("TCPIP::{name}::{port}::SOCKET");
            tell(&format!("asking {resource}"));
            let answer = runtime.block_on(ask_identity(&resource, folder));
            let mind = Vec::new();
            Found {
                resource,
                answer,
                mind,
            }
        })
        .collect();
    // Of the usual ports most are closed on any instrument.
    if found.iter().any(|f| !matches!(f.answer, Answer::Closed(_))) {
        found.retain(|f| !matches!(f.answer, Answer::Closed(_)));
    }
    found
}

/// Two that say the same of themselves can't be told apart by it.
fn mark_alike(found: &mut [Found]) {
    let identities: Vec<Option<String>> = found
        .iter()
        .map(|one| match &one.answer {
            Answer::Identity(identity, _) => Some(identity.clone()),
            _ => None,
        })
        .collect();
    for (index, one) in found.iter_mut().enumerate() {
        let same = |(other, identity): (usize, &Option<String>)| {
            other != index && identity.is_some() && *identity == identities[index]
        };
        if identities.iter().enumerate().any(same) {
            let text = "another one here gives the same answer: they can't be told apart by it; \
                        unplug one to see which is which, and name both by the socket they are \
                        plugged into (by-path)";
            one.mind.push(text.to_owned());
        }
    }
}

fn places(found: &[Found]) -> Vec<Place<'_>> {
    found
        .iter()
        .filter_map(|one| match &one.answer {
            Answer::Identity(identity, fits) => Some(Place {
                resource: &one.resource,
                identity,
                fits,
            }),
            _ => None,
        })
        .collect()
}

fn page(found: &[Found]) -> String {
    let mut sheet = Sheet::titled("instruments found");
    if found.is_empty() {
        let text = "no USB serial port and no USB test instrument; name others, or --host ADDRESS";
        sheet.row("none", text);
    }
    for one in found {
        match &one.answer {
            Answer::Identity(identity, fits) => {
                sheet.row("found", &format!("{} says {identity}", one.resource));
                sheet.row("  fits", &listed(fits));
            }
            Answer::Silent(last) => {
                let text = format!("{}: nothing answers an identity question", one.resource);
                sheet.row("can't be asked", &text);
                if let Some(last) = last {
                    sheet.row("", &format!("but this went wrong: {last}"));
                }
                let boards = unasked().join(", ");
                let text = format!("boards without such a question: {boards}; state it yourself");
                sheet.row("", &text);
            }
            Answer::Closed(why) => sheet.row("not opened", &format!("{}: {why}", one.resource)),
        }
        for mind in &one.mind {
            sheet.row("  mind", mind);
        }
    }
    sheet.gap();
    let text = "only identity questions were sent; opening a serial port raises DTR, which starts \
                some boards anew; a USB test instrument is put under remote control, cleared, asked \
                (once more after another clear, where it does not answer) and given back to its front \
                panel, as far as its bus can";
    sheet.row("sent", text);
    sheet.gap();
    sheet.text()
}

fn listed(fits: &[Fit]) -> String {
    if fits.is_empty() {
        return "no dialect; write one, or name one with --dialects".to_owned();
    }
    let name = |fit: &Fit| format!("{} ({})", fit.dialect, fit.role);
    fits.iter().map(name).collect::<Vec<_>>().join(", ")
}

fn object(found: &[Found], skeleton: &str) -> Value {
    let one = |one: &Found| {
        let (state, identity, fits, why) = match &one.answer {
            Answer::Identity(identity, fits) => ("found", Some(identity), &fits[..], None),
            Answer::Silent(last) => ("silent", None, &[][..], last.as_ref()),
            Answer::Closed(why) => ("closed", None, &[][..], Some(why)),
        };
        let fit =
            |fit: &Fit| json!({ "dialect": fit.dialect, "role": fit.role, "by_name": fit.by_name });
        json!({
            "resource": one.resource, "state": state, "identity": identity, "why": why,
            "fits": fits.iter().map(fit).collect::<Vec<_>>(), "mind": one.mind,
        })
    };
    json!({ "found": found.iter().map(one).collect::<Vec<_>>(), "rig_file": skeleton })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_that_is_found_and_named_is_asked_once() {
        let paths = [
            "/dev/null",
            "/dev/zero",
            "/dev/../dev/null",
            "/no/such",
            "/no/such",
        ];
        let ports = paths.map(|path| Port::named(Path::new(path)));
        let once = each_once(ports.into_iter()).into_iter();
        let once: Vec<PathBuf> = once.map(|port| port.device).collect();
        let expected = ["/dev/null", "/dev/zero", "/no/such", "/no/such"];
        assert_eq!(once, expected.map(PathBuf::from));
    }
}
