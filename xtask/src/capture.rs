//! Capture from a V4L2 device: the kernel's own virtual camera, in an emulated machine.
//!
//! The kernel package must hold the module vivid; `machine.rs` has what else is needed.

use crate::machine::Guest;
use crate::run;
use std::path::Path;

/// Pictures of each size, and what the guest must then say.
const TRIES: [(&str, &str); 4] = [
    ("/dev/video0 1280 720 5", "5 pictures taken"),
    ("/dev/video0 640 360 8", "8 pictures taken"),
    ("/dev/video0 333 333 2", "state a size that it offers"),
    ("/dev/video9 640 360 2", "check that it is connected"),
];

/// Takes pictures in the guest and checks what came.
///
/// # Errors
/// When something needed is missing, or the guest's camera did not behave as it should.
pub fn capture(arguments: &[String]) -> Result<(), String> {
    let [kernel] = arguments else {
        return Err("name the folder into which the kernel package was unpacked".to_owned());
    };
    run::finish(run::cargo(&[
        "rustc",
        "--release",
        "--package",
        "needle",
        "--example",
        "capture",
        "--",
        "-C",
        "target-feature=+crt-static",
    ]))?;
    let built = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/examples/capture");
    let script: String = TRIES
        .iter()
        .map(|(words, _)| {
            format!("echo 'capture {words}'; /bin/program {words} 2>&1; echo \"ended: $?\"\n")
        })
        .collect();
    let said = Guest {
        kernel: Path::new(kernel),
        // One webcam and nothing else.
        modules: &[("vivid", "node_types=0x1 num_inputs=1 input_types=0")],
        programs: &[("program", &built)],
        script: &script,
        limit: 300,
    }
    .run()?;
    println!("{said}");
    for (words, expected) in TRIES {
        let part = said.split(&format!("capture {words}\n")).nth(1);
        let part = part.and_then(|rest| rest.split("\nended").next());
        if !part.is_some_and(|part| part.contains(expected)) {
            return Err(format!("\"{words}\" did not say \"{expected}\""));
        }
    }
    Ok(())
}
