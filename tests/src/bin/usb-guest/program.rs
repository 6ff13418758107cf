//! The program on USB test instruments: it finds them, and its watcher makes the rig safe over them.

use crate::common::{IDENTITY, NAME, Outcome, plugged, seen, sure, there, wrong};
use guard::{Answer, ask_identity, ports};
use hw_sim::usb::{Quirks, plug_before};
use needlerig_tests::kills::{Bench, OFF_WITHIN, now};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

const PROGRAM: &str = "/bin/needlerig";
const DEVICE: &str = "/dev/usbtmc0";

/// Found under its lasting name, asked who it is and nothing else, and given back.
pub async fn probing_asks_and_gives_back() -> Outcome {
    let device = plugged(0, DEVICE, Quirks::default())?;
    let found = ports(Path::new("/dev"), Path::new("/sys/class/usbmisc"));
    let [port] = &found[..] else {
        return Err(wrong(found));
    };
    sure(port.resource == NAME.replace("USB0", "USB"), port)?;
    let answer = ask_identity(&port.resource, None).await;
    let Answer::Identity(identity, fits) = &answer else {
        return Err(wrong(answer));
    };
    sure(identity == IDENTITY, identity)?;
    let fits: Vec<&str> = fits.iter().map(|fit| fit.dialect.as_str()).collect();
    sure(fits.contains(&"scpi-supply"), &fits)?;
    let seen = seen(&device);
    sure(seen.messages == ["*IDN?"], &seen)?;
    sure(seen.locals == 1 && !seen.remote, &seen)?;
    Ok(fits.join(", "))
}

/// As nobody: which rule would help.
pub async fn probing_without_permission() -> Outcome {
    let _device = plugged(0, DEVICE, Quirks::default())?;
    for (mode, parts) in [
        (
            0o600,
            &["no permission", "ATTRS{idVendor}==\"1209\"", "usbmisc"][..],
        ),
        (0o666, &[IDENTITY][..]),
    ] {
        let mode = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(DEVICE, mode).map_err(wrong)?;
        let mut probe = Command::new(PROGRAM);
        probe.args(["rig", "probe"]).uid(65534).gid(65534);
        let done = probe.output().map_err(wrong)?;
        let said = String::from_utf8_lossy(&done.stdout);
        let words = said.split_whitespace().collect::<Vec<_>>().join(" ");
        sure(parts.iter().all(|part| words.contains(part)), &words)?;
    }
    Ok("the rule is named".to_owned())
}

/// A run whose supply is a USB test instrument is killed while the output is on: its watcher
/// switches it off over the handle that it was left.
pub async fn a_killed_run_is_made_safe_over_its_usb_handle() -> Outcome {
    let text = |error: needlerig_tests::kills::Error| error.to_string();
    let bench = Bench::start(Path::new(PROGRAM), 11).map_err(text)?;
    let rig = std::fs::read_to_string(bench.path("rig.toml")).map_err(wrong)?;
    let resource = rig
        .lines()
        .find_map(|line| line.strip_prefix("resource = "));
    let resource = resource.ok_or("no resource")?.trim_matches('"');
    let port = resource
        .split("::")
        .nth(2)
        .and_then(|port| port.parse().ok());
    let supply = TcpStream::connect(("127.0.0.1", port.ok_or("no port")?)).map_err(wrong)?;
    let device = plug_before(0, "SN0001", supply).map_err(wrong)?;
    there(DEVICE, true)?;
    let rig = rig.replacen(resource, NAME, 1);
    std::fs::write(bench.path("rig.toml"), rig).map_err(wrong)?;
    let mut run = bench.run().map_err(text)?;
    run.wait_for(" sent=:OUTP ON").map_err(text)?;
    run.wait_for("needlerig::kept").map_err(text)?;
    let states = bench.states().map_err(text)?;
    sure(
        states.last().is_some_and(|state| !state.safe()),
        states.last(),
    )?;
    // Nobody can open it anew.
    std::fs::remove_file(DEVICE).map_err(wrong)?;
    let before = seen(&device).messages.len();
    let died = now();
    run.child.kill().map_err(wrong)?;
    run.end().map_err(text)?;
    let took = bench.safe_since().map_err(text)? - died;
    sure((0.0..OFF_WITHIN).contains(&took), took)?;
    let told = run.told.join("\n");
    sure(told.contains("confirmed it by a reading"), &told)?;
    sure(bench.reports().map_err(text)?.len() == 1, "no report")?;
    let said = seen(&device).messages.split_off(before);
    let off = said.iter().position(|message| message.contains("OUTP OFF"));
    sure(off.is_some_and(|at| at < 4), &said)?;
    Ok(format!("safe {:.0} ms after the kill", took * 1e3))
}
