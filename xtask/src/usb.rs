//! USB instruments through the kernel's own drivers: simulated ones, plugged into the kernel's
//! virtual host controller, in an emulated machine.
//!
//! The kernel package must hold the modules vhci-hcd, usbtmc and cdc-acm; `machine.rs` has what else is
//! needed.

use crate::machine::Guest;
use crate::run;
use std::path::{Path, PathBuf};

/// Runs the checks in the guest.
///
/// # Errors
/// When something needed is missing, or a check failed.
pub fn usb(arguments: &[String]) -> Result<(), String> {
    let [kernel] = arguments else {
        return Err("name the folder into which the kernel package was unpacked".to_owned());
    };
    let checks = built("needlerig-tests", "usb-guest")?;
    let needlerig = built("needlerig", "needlerig")?;
    let said = Guest {
        kernel: Path::new(kernel),
        modules: &[("vhci-hcd", ""), ("usbtmc", ""), ("cdc-acm", "")],
        programs: &[("usb-guest", &checks), ("needlerig", &needlerig)],
        script: "/bin/busybox ifconfig lo 127.0.0.1 up\n/bin/usb-guest 2>&1\n",
        limit: 300,
    }
    .run()?;
    println!("{said}");
    match said.contains("usb: all passed\n") {
        true => Ok(()),
        false => Err("not all checks in the guest passed".to_owned()),
    }
}

/// Builds a program that needs no libraries.
fn built(package: &str, name: &str) -> Result<PathBuf, String> {
    run::finish(run::cargo(&[
        "rustc",
        "--quiet",
        "--package",
        package,
        "--bin",
        name,
        "--",
        "-C",
        "target-feature=+crt-static",
        "-C",
        "strip=symbols",
    ]))?;
    let target = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/debug");
    Ok(target.join(name))
}
