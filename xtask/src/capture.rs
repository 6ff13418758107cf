//! Capture from a V4L2 device: the kernel's own virtual camera, in an emulated machine.
//!
//! Needs qemu-system-x86_64, cpio, a static busybox, and a kernel package with the module vivid,
//! unpacked into a folder (Debian's linux-image, by `dpkg-deb -x`). Nothing is installed and
//! nothing runs as root.

use crate::run;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

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
    let kernel = Path::new(kernel);
    let image = first(&kernel.join("boot"), |name| name.starts_with("vmlinuz"))?;
    let modules = with_needs(kernel)?;
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
    let work = std::env::temp_dir().join(format!("capture-{}", std::process::id()));
    let said = guest(&work, &image, &modules);
    let removed = fs::remove_dir_all(&work);
    let said = said?;
    removed.map_err(|error| failed(&work, &error))?;
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

/// Boots the guest and gives what it said.
fn guest(work: &Path, image: &Path, modules: &[PathBuf]) -> Result<String, String> {
    let root = work.join("root");
    for folder in ["bin", "dev", "proc", "sys", "modules"] {
        let folder = root.join(folder);
        fs::create_dir_all(&folder).map_err(|error| failed(&folder, &error))?;
    }
    let copy = |from: &Path, to: &str| {
        let copied = fs::copy(from, root.join(to));
        copied.map_err(|error| failed(from, &error))
    };
    copy(Path::new("/bin/busybox"), "bin/busybox")?;
    let built = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/examples/capture");
    copy(&built, "bin/capture")?;
    let mut start = String::from(
        "#!/bin/busybox sh\n/bin/busybox mount -t devtmpfs dev /dev\n\
         /bin/busybox mount -t proc proc /proc\n/bin/busybox mount -t sysfs sys /sys\n",
    );
    for (number, module) in modules.iter().enumerate() {
        copy(module, &format!("modules/{number}.ko"))?;
        let vivid = module.ends_with("vivid.ko");
        // One webcam and nothing else.
        let options = if vivid {
            "node_types=0x1 num_inputs=1 input_types=0"
        } else {
            ""
        };
        start += &format!("/bin/busybox insmod /modules/{number}.ko {options}\n");
    }
    for (words, _) in TRIES {
        start +=
            &format!("echo 'capture {words}'; /bin/capture {words} 2>&1; echo \"ended: $?\"\n");
    }
    start += "/bin/busybox poweroff -f\n";
    let init = root.join("init");
    fs::write(&init, start).map_err(|error| failed(&init, &error))?;
    let packed = work.join("initrd");
    let pack = "chmod +x root/init && cd root && find . | cpio -o -H newc --quiet > ../initrd";
    let mut shell = Command::new("sh");
    shell.args(["-c", pack]).current_dir(work);
    run::finish(shell)?;
    let mut emulator = run::program("timeout");
    emulator
        .args(["300", "qemu-system-x86_64", "-M", "q35", "-m", "768"])
        .args(["-cpu", "max", "-nographic", "-no-reboot", "-net", "none"])
        .args(["-append", "console=ttyS0 quiet panic=1", "-kernel"])
        .arg(image)
        .arg("-initrd")
        .arg(packed)
        .stdin(Stdio::null());
    Ok(run::quietly(emulator)?.replace('\r', ""))
}

/// The module vivid and those that it needs, these first.
fn with_needs(kernel: &Path) -> Result<Vec<PathBuf>, String> {
    let mut all = Vec::new();
    files(&kernel.join("lib/modules"), &mut all)?;
    let mut order = Vec::new();
    enter("vivid", &all, &mut order)?;
    Ok(order)
}

fn enter(name: &str, all: &[PathBuf], order: &mut Vec<PathBuf>) -> Result<(), String> {
    let plain = |path: &Path| {
        let stem = path.file_stem().unwrap_or_default();
        stem.to_string_lossy().replace('-', "_")
    };
    let wanted = name.replace('-', "_");
    let found = all.iter().find(|path| plain(path) == wanted);
    let path = found.ok_or_else(|| format!("the kernel package has no module {name}"))?;
    if order.contains(path) {
        return Ok(());
    }
    let bytes = fs::read(path).map_err(|error| failed(path, &error))?;
    let entries = bytes.split(|byte| *byte == 0);
    let needs = entries.filter_map(|entry| entry.strip_prefix(b"depends="));
    for need in needs.flat_map(|list| list.split(|byte| *byte == b',')) {
        if !need.is_empty() {
            enter(&String::from_utf8_lossy(need), all, order)?;
        }
    }
    order.push(path.clone());
    Ok(())
}

/// All modules below `folder`.
fn files(folder: &Path, all: &mut Vec<PathBuf>) -> Result<(), String> {
    for entry in fs::read_dir(folder).map_err(|error| failed(folder, &error))? {
        let path = entry.map_err(|error| failed(folder, &error))?.path();
        if path.is_dir() {
            files(&path, all)?;
        } else if path.extension().is_some_and(|end| end == "ko") {
            all.push(path);
        }
    }
    Ok(())
}

fn first(folder: &Path, fits: fn(&str) -> bool) -> Result<PathBuf, String> {
    let entries = fs::read_dir(folder).map_err(|error| failed(folder, &error))?;
    let found = entries
        .filter_map(Result::ok)
        .find(|entry| fits(&entry.file_name().to_string_lossy()));
    let path = found.map(|entry| entry.path());
    path.ok_or_else(|| format!("no kernel in {}", folder.display()))
}

fn failed(path: &Path, error: &std::io::Error) -> String {
    format!("{}: {error}", path.display())
}
