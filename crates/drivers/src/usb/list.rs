//! Which USB test instruments the system has, under which names.

use crate::resource::Resource;
use std::fs::{read_dir, read_to_string};
use std::path::{Path, PathBuf};

/// One device of the system's list.
struct Listed {
    /// As in `/dev`.
    file: String,
    vendor: u16,
    product: u16,
    serial: String,
    interface: Option<u16>,
    /// The device that it belongs to, as the system has it.
    device: PathBuf,
}

impl Listed {
    fn resource(&self, interface: Option<u8>) -> Resource {
        Resource::Usb {
            board: 0,
            vendor: self.vendor,
            product: self.product,
            serial: self.serial.clone(),
            interface,
        }
    }
}

/// All in the system's list, mostly `/sys/class/usbmisc`.
fn listed(list: &Path) -> Vec<Listed> {
    let one = |entry: std::fs::DirEntry| {
        let file = entry.file_name().to_string_lossy().into_owned();
        if !file.starts_with("usbtmc") {
            return None;
        }
        let folder = entry.path().join("device").canonicalize().ok()?;
        let text = |path: PathBuf| read_to_string(path).unwrap_or_default();
        let hex = |path: PathBuf| u16::from_str_radix(text(path).trim(), 16).ok();
        let device = folder.parent().unwrap_or(&folder);
        Some(Listed {
            file,
            vendor: hex(device.join("idVendor"))?,
            product: hex(device.join("idProduct"))?,
            serial: text(device.join("serial")).trim().to_owned(),
            interface: hex(folder.join("bInterfaceNumber")),
            device: device.to_owned(),
        })
    };
    let entries = read_dir(list).into_iter().flatten().flatten();
    let mut all: Vec<Listed> = entries.filter_map(one).collect();
    all.sort_by(|one, other| one.file.cmp(&other.file));
    all
}

/// Finds the device of a resource name through the system's list.
///
/// # Errors
/// Why there is none, with what is there.
pub(crate) fn find(
    list: &Path,
    ids: (u16, u16),
    serial: &str,
    interface: Option<u8>,
) -> Result<PathBuf, String> {
    let (found, others): (Vec<_>, Vec<_>) = listed(list).into_iter().partition(|one| {
        (one.vendor, one.product) == ids
            && one.serial == serial
            && interface.is_none_or(|wanted| one.interface == Some(wanted.into()))
    });
    match (found.as_slice(), others.as_slice()) {
        ([one], _) => Ok(Path::new("/dev").join(&one.file)),
        ([], []) => Err(
            "there is no USB test instrument now; check the cable, and that the kernel's module \
             usbtmc is loaded (modprobe usbtmc)"
                .to_owned(),
        ),
        ([], others) => {
            let names: Vec<String> = others
                .iter()
                .map(|one| one.resource(None).to_string())
                .collect();
            Err(format!(
                "it is not there now; there are {}",
                names.join(", ")
            ))
        }
        (several @ [first, ..], _) if several.iter().any(|one| one.device != first.device) => {
            let files: Vec<String> = several
                .iter()
                .map(|one| format!("/dev/{}", one.file))
                .collect();
            Err(format!(
                "{} devices bear this name, with the same serial number: unplug all but one, or name \
                 one by its number, which may change with a replug: {}",
                several.len(),
                files.join(", ")
            ))
        }
        (several, _) => Err(format!(
            "{} interfaces bear this name; add the number of one: …::0::INSTR",
            several.len()
        )),
    }
}

/// The resource name by which a device of the list is found again under whatever number; none where
/// it has no serial number, or shares all of its name with another.
#[must_use]
pub fn usb_name(list: &Path, device: &Path) -> Option<String> {
    let all = listed(list);
    let file = device.file_name()?.to_str()?;
    let own = all.iter().find(|one| one.file == file)?;
    if own.serial.is_empty() {
        return None;
    }
    let ids = (own.vendor, own.product);
    let interface = own.interface.and_then(|number| u8::try_from(number).ok());
    [None, interface].into_iter().find_map(|interface| {
        let found = find(list, ids, &own.serial, interface);
        found.ok()?;
        Some(own.resource(interface).to_string())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{create_dir_all, remove_dir_all, write};
    use std::os::unix::fs::symlink;

    /// A list as the system has it: an entry leads to an interface, in the folder of its device.
    fn list(name: &str, devices: &[(&str, &str, &str, u8)]) -> PathBuf {
        let root = std::env::temp_dir().join(format!("needlerig-{name}-{}", std::process::id()));
        for (file, place, serial, interface) in devices {
            let device = root.join("devices").join(place);
            let own = device.join(format!("{place}:1.{interface}"));
            let entry = root.join("class").join(file);
            create_dir_all(&own).unwrap();
            create_dir_all(&entry).unwrap();
            write(device.join("idVendor"), "1209\n").unwrap();
            write(device.join("idProduct"), "0001\n").unwrap();
            write(device.join("serial"), format!("{serial}\n")).unwrap();
            write(own.join("bInterfaceNumber"), format!("{interface:02x}\n")).unwrap();
            symlink(own, entry.join("device")).unwrap();
        }
        root
    }

    #[test]
    fn usb_instruments_are_named_so_that_they_are_found_again() {
        let root = list(
            "named",
            &[
                ("usbtmc0", "1-1", "SN0001", 0),
                ("usbtmc1", "1-2", "SN0002", 0),
                ("usbtmc2", "1-2", "SN0002", 1),
                ("usbtmc3", "1-3", "", 0),
                ("usbtmc4", "1-4", "SAME", 0),
                ("usbtmc5", "1-5", "SAME", 0),
                ("hiddev0", "1-6", "SN0006", 0),
            ],
        );
        let class = root.join("class");
        let name = |device: &str| usb_name(&class, Path::new(device));
        let expected = [
            ("/dev/usbtmc0", Some("USB::0x1209::0x0001::SN0001::INSTR")),
            (
                "/dev/usbtmc2",
                Some("USB::0x1209::0x0001::SN0002::1::INSTR"),
            ),
            // Neither a name without a serial number nor one of two is a name.
            ("/dev/usbtmc3", None),
            ("/dev/usbtmc4", None),
            ("/dev/hiddev0", None),
            ("/dev/usbtmc9", None),
        ];
        for (device, expected) in expected {
            assert_eq!(name(device).as_deref(), expected, "{device}");
        }
        let ids = (0x1209, 1);
        let found = find(&class, ids, "SN0002", Some(1)).unwrap();
        assert_eq!(found, Path::new("/dev/usbtmc2"));
        let error = find(&class, ids, "SN0002", None).unwrap_err();
        assert!(error.contains("2 interfaces"), "{error}");
        let error = find(&class, ids, "SAME", None).unwrap_err();
        for part in ["2 devices", "unplug", "/dev/usbtmc4", "/dev/usbtmc5"] {
            assert!(error.contains(part), "{error}");
        }
        let error = find(&class, ids, "SN0009", None).unwrap_err();
        assert!(error.contains("::SN0001::INSTR"), "{error}");
        let error = find(&root.join("nothing"), ids, "SN0001", None).unwrap_err();
        assert!(error.contains("modprobe usbtmc"), "{error}");
        remove_dir_all(&root).unwrap();
    }
}
