//! Serial ports of the simulated bench: pseudo-terminals under names that a rig file can hold.

use crate::exit::{Failure, INSTRUMENT};
use hw_sim::{Language, Line, Outlet, Port, SharedBench};
use std::fs::{create_dir_all, read_link, remove_file};
use std::io;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The folder of `rigs/simulated-serial.toml`.
const USUAL: &str = "/tmp/needlerig";

/// How long the bridge to the potentiometers takes to start.
const BOOT: Duration = Duration::from_millis(800);

/// What is served, by the name of its port; the last one only with digital potentiometers.
const SERVED: [(&str, Language); 3] = [
    ("supply", Language::Plain),
    ("switch", Language::FourByte),
    ("pots", Language::Pots),
];

/// Ports being served; dropping it unplugs them and takes their names away.
pub struct Ports(Vec<(&'static str, PathBuf, Port)>);

impl Ports {
    /// Serves on the current runtime. The folder is made where there is none.
    ///
    /// # Errors
    /// When a port can't be had, or its name is taken by something else.
    pub fn serve(bench: &SharedBench, folder: &Path, digipots: bool) -> Result<Self, Failure> {
        let failed =
            |error: io::Error| Failure::new(INSTRUMENT, format!("{}: {error}", folder.display()));
        create_dir_all(folder).map_err(failed)?;
        let mut ports = Self(Vec::new());
        let absent = |language| language == Language::Pots && !digipots;
        for (name, language) in SERVED.into_iter().filter(|(_, one)| !absent(*one)) {
            let path = folder.join(name);
            let line = match language {
                // As most boards do, it starts anew when its port is opened.
                Language::Pots => Line {
                    starts: Some((BOOT, "READY 1")),
                    ..Line::of(language)
                },
                _ => Line::of(language),
            };
            let outlet = Outlet::new(bench, language, line);
            let port = Port::serve(outlet).map_err(failed)?;
            // A name left behind by a simulator that was killed points to a port of its own.
            if read_link(&path).is_ok() {
                remove_file(&path).map_err(failed)?;
            }
            symlink(&port.path, &path).map_err(failed)?;
            ports.0.push((name, path, port));
        }
        Ok(ports)
    }

    /// Names and paths.
    pub fn paths(&self) -> impl Iterator<Item = (&'static str, &Path)> {
        self.0.iter().map(|(name, path, _)| (*name, path.as_path()))
    }

    /// Whether the ports are where the rig file of the program names them.
    pub fn usual(&self) -> bool {
        self.0.iter().all(|(_, path, _)| path.starts_with(USUAL))
    }
}

impl Drop for Ports {
    fn drop(&mut self) {
        for (_, path, port) in &self.0 {
            if read_link(path).is_ok_and(|target| target == port.path) {
                // The names vanish with a restart of the machine at the latest.
                let _ = remove_file(path);
            }
        }
    }
}
