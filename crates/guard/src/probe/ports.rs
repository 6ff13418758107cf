//! Which ports this machine has, under which names, and who made them.

use drivers::usb_name;
use std::fs::{read_dir, read_to_string};
use std::path::{Path, PathBuf};

const NUMBERED: &str = "this name may belong to another one after a replug";

/// One port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Port {
    /// Its device.
    pub device: PathBuf,
    /// What to write in a rig file.
    pub resource: String,
    /// What to mind about that name.
    pub mind: Option<&'static str>,
    /// Vendor id of a USB device: four hex digits.
    pub vendor: Option<String>,
}

impl Port {
    /// A port that somebody has named.
    #[must_use]
    pub fn named(path: &Path) -> Self {
        Self {
            device: path.to_owned(),
            resource: resource(path),
            mind: None,
            vendor: vendor(path),
        }
    }
}

/// A resource by this path.
fn resource(path: &Path) -> String {
    match is_tmc(path) {
        true => path.display().to_string(),
        false => format!("ASRL{}::INSTR", path.display()),
    }
}

fn is_tmc(device: &Path) -> bool {
    let name = device.file_name().unwrap_or_default().to_string_lossy();
    name.starts_with("usbtmc")
}

/// USB serial ports and USB test instruments below `dev` (mostly `/dev`); `list` is the system's of
/// the latter (mostly `/sys/class/usbmisc`).
pub fn ports(dev: &Path, list: &Path) -> Vec<Port> {
    let by_id = links(&dev.join("serial/by-id"));
    let by_path = links(&dev.join("serial/by-path"));
    let mut devices: Vec<PathBuf> = listed(dev)
        .into_iter()
        .filter(|path| {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            ["ttyUSB", "ttyACM", "usbtmc"]
                .iter()
                .any(|start| name.starts_with(start))
        })
        .chain(
            by_id
                .iter()
                .chain(&by_path)
                .map(|(_, device)| device.clone()),
        )
        .collect();
    devices.sort();
    devices.dedup();
    let name = |names: &[(PathBuf, PathBuf)], device: &Path| {
        let own = names.iter().find(|(_, target)| target == device);
        own.map(|(name, _)| name.clone())
    };
    devices
        .into_iter()
        .map(|device| {
            let (id, path) = (name(&by_id, &device), name(&by_path, &device));
            // A maker that gives no serial numbers gives two adapters the same by-id name, which then
            // leads to one of them only.
            let (resource, mind) = match (id, path) {
                _ if is_tmc(&device) => match usb_name(list, &device) {
                    Some(name) => (name, None),
                    None => (resource(&device), Some(NUMBERED)),
                },
                (Some(id), _) => (resource(&id), None),
                (None, Some(path)) => (
                    resource(&path),
                    Some(
                        "it has no by-id name of its own, as two adapters without serial numbers \
                         have: this name stays with the socket it is plugged into",
                    ),
                ),
                (None, None) => (resource(&device), Some(NUMBERED)),
            };
            Port {
                vendor: vendor(&device),
                device,
                resource,
                mind,
            }
        })
        .collect()
}

fn listed(folder: &Path) -> Vec<PathBuf> {
    let entries = read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
    paths.sort();
    paths
}

/// Names and what they lead to.
fn links(folder: &Path) -> Vec<(PathBuf, PathBuf)> {
    let leads = |name: PathBuf| Some((name.clone(), name.canonicalize().ok()?));
    listed(folder).into_iter().filter_map(leads).collect()
}

/// The vendor id that the system knows of a device.
fn vendor(device: &Path) -> Option<String> {
    let name = device.file_name()?;
    let classes = ["/sys/class/tty", "/sys/class/usbmisc"];
    let place = classes.iter().find_map(|class| {
        Path::new(class)
            .join(name)
            .join("device")
            .canonicalize()
            .ok()
    })?;
    let id = place
        .ancestors()
        .find_map(|up| read_to_string(up.join("idVendor")).ok())?;
    Some(id.trim().to_owned())
}

/// A udev rule that lets a group use the devices of a vendor: its id is four hex digits, without the
/// 0x that would make the rule match nothing.
pub fn udev_rule(device: &Path, vendor: &str) -> String {
    let subsystem = match is_tmc(device) {
        true => "usbmisc",
        false => "tty",
    };
    let digits = vendor.trim().trim_start_matches("0x").to_ascii_lowercase();
    format!(
        "SUBSYSTEM==\"{subsystem}\", ATTRS{{idVendor}}==\"{digits:0>4}\", GROUP=\"dialout\", MODE=\"0660\""
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{create_dir_all, write};
    use std::os::unix::fs::symlink;

    #[test]
    fn a_rule_has_four_digits_and_no_prefix() {
        let rule = udev_rule(Path::new("/dev/usbtmc0"), "0x957");
        assert!(rule.contains("ATTRS{idVendor}==\"0957\""), "{rule}");
        assert!(rule.contains("usbmisc") && !rule.contains("0x"), "{rule}");
    }

    /// Two adapters without serial numbers share one by-id name, which leads to the second.
    #[test]
    fn two_ports_that_share_a_name_are_told_apart_by_their_sockets() {
        let dev = std::env::temp_dir().join(format!("needlerig-ports-{}", std::process::id()));
        let dev_path = |name: &str| dev.join(name);
        create_dir_all(dev_path("serial/by-id")).unwrap();
        create_dir_all(dev_path("serial/by-path")).unwrap();
        for name in ["ttyUSB0", "ttyUSB1", "usbtmc0", "null"] {
            write(dev_path(name), "").unwrap();
        }
        symlink("../../ttyUSB1", dev_path("serial/by-id/usb-adapter")).unwrap();
        symlink("../../ttyUSB0", dev_path("serial/by-path/socket-1")).unwrap();
        symlink("../../ttyUSB1", dev_path("serial/by-path/socket-2")).unwrap();
        let found = ports(&dev.canonicalize().unwrap(), &dev_path("none"));
        std::fs::remove_dir_all(&dev).unwrap();
        assert_eq!(found.len(), 3, "{found:?}");
        let ends = |index: usize, end: &str| found[index].resource.ends_with(end);
        assert!(ends(0, "by-path/socket-1::INSTR"), "{found:?}");
        assert!(found[0].mind.unwrap().contains("without serial numbers"));
        assert!(ends(1, "by-id/usb-adapter::INSTR"), "{found:?}");
        // Nothing is known of this one but its number.
        assert!(ends(2, "/usbtmc0") && found[2].mind.is_some(), "{found:?}");
    }
}
