//! An emulated machine with a kernel of its own, for what the kernel of this one lacks.
//!
//! Needs qemu-system-x86_64, cpio, a static busybox, and a kernel package unpacked into a folder
//! (Debian's linux-image, by `dpkg-deb -x`). Nothing is installed and nothing runs as root.

use crate::run;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// What runs in an emulated machine.
pub struct Guest<'a> {
    /// Folder into which the kernel package was unpacked.
    pub kernel: &'a Path,
    /// Modules to load beside those that they need, each with its options.
    pub modules: &'a [(&'a str, &'a str)],
    /// Programs without libraries, by their names in `/bin`.
    pub programs: &'a [(&'a str, &'a Path)],
    /// Lines of a shell script.
    pub script: &'a str,
    /// Longest time from start to end, in seconds.
    pub limit: u32,
}

impl Guest<'_> {
    /// Boots the machine and gives what it said.
    ///
    /// # Errors
    /// When something needed is missing, or the time is over.
    pub fn run(&self) -> Result<String, String> {
        let image = first(&self.kernel.join("boot"), |name| {
            name.starts_with("vmlinuz")
        })?;
        let modules = with_needs(self.kernel, self.modules)?;
        let work = std::env::temp_dir().join(format!("guest-{}", std::process::id()));
        let said = self.boot(&work, &image, &modules);
        let removed = fs::remove_dir_all(&work);
        let said = said?;
        removed.map_err(|error| failed(&work, &error))?;
        Ok(said)
    }

    fn boot(&self, work: &Path, image: &Path, modules: &[PathBuf]) -> Result<String, String> {
        let root = work.join("root");
        for folder in ["bin", "dev", "proc", "sys", "tmp", "modules"] {
            let folder = root.join(folder);
            fs::create_dir_all(&folder).map_err(|error| failed(&folder, &error))?;
        }
        let copy = |from: &Path, to: &str| {
            let copied = fs::copy(from, root.join(to));
            copied.map_err(|error| failed(from, &error))
        };
        copy(Path::new("/bin/busybox"), "bin/busybox")?;
        for (name, program) in self.programs {
            copy(program, &format!("bin/{name}"))?;
        }
        let mut start = String::from(
            "#!/bin/busybox sh\n/bin/busybox mount -t devtmpfs dev /dev\n\
         /bin/busybox mount -t proc proc /proc\n/bin/busybox mount -t sysfs sys /sys\n",
        );
        for (number, module) in modules.iter().enumerate() {
            copy(module, &format!("modules/{number}.ko"))?;
            let name = plain(module);
            let options = self.modules.iter().find(|(wanted, _)| same(wanted, &name));
            let options = options.map_or("", |(_, options)| options);
            start += &format!("/bin/busybox insmod /modules/{number}.ko {options}\n");
        }
        start += self.script;
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
            .args([
                &self.limit.to_string(),
                "qemu-system-x86_64",
                "-M",
                "q35",
                "-m",
                "768",
            ])
            .args(["-cpu", "max", "-nographic", "-no-reboot", "-net", "none"])
            .args(["-append", "console=ttyS0 quiet panic=1", "-kernel"])
            .arg(image)
            .arg("-initrd")
            .arg(packed)
            .stdin(Stdio::null());
        Ok(run::quietly(emulator)?.replace('\r', ""))
    }
}

/// These modules and those that they need, these first.
fn with_needs(kernel: &Path, wanted: &[(&str, &str)]) -> Result<Vec<PathBuf>, String> {
    let mut all = Vec::new();
    files(&kernel.join("lib/modules"), &mut all)?;
    let mut order = Vec::new();
    for (name, _) in wanted {
        enter(name, &all, &mut order)?;
    }
    Ok(order)
}

/// The name of a module's file.
fn plain(path: &Path) -> String {
    let stem = path.file_stem().unwrap_or_default();
    stem.to_string_lossy().into_owned()
}

/// Modules are written with either mark.
fn same(one: &str, other: &str) -> bool {
    one.replace('-', "_") == other.replace('-', "_")
}

fn enter(name: &str, all: &[PathBuf], order: &mut Vec<PathBuf>) -> Result<(), String> {
    let found = all.iter().find(|path| same(&plain(path), name));
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
