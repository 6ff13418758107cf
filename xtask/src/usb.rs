//! USB instruments through the kernel's own drivers: simulated ones, plugged into the kernel's
//! virtual host controller, in an emulated machine.
//!
//! The kernel package must hold the modules vhci-hcd, usbtmc and cdc-acm; `machine.rs` has what else is
//! needed.

use crate::machine::Guest;
use crate::run;
use std::path::Path;

/// Runs the checks in the guest.
///
/// # Errors
/// When something needed is missing, or a check failed.
pub fn usb(arguments: &[String]) -> Result<(), String> {
    let [kernel] = arguments else {
        return Err("name the folder into which the kernel package was unpacked".to_owned());
    };
    run::finish(run::cargo(&[
        "rustc",
        "--quiet",
        "--package",
        "needlerig-tests",
        "--bin",
        "usb-guest",
        "--",
        "-C",
        "target-feature=+crt-static",
    ]))?;
    let built = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/debug/usb-guest");
    let said = Guest {
        kernel: Path::new(kernel),
        modules: &[("vhci-hcd", ""), ("usbtmc", ""), ("cdc-acm", "")],
        program: &built,
        script: "/bin/program 2>&1\n",
        limit: 240,
    }
    .run()?;
    println!("{said}");
    match said.contains("usb: all passed\n") {
        true => Ok(()),
        false => Err("not all checks in the guest passed".to_owned()),
    }
}
