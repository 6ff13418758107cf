//! Reports of watchers, kept beside the store until a later run has told of them.

use crate::exit::{Failure, STORE};
use guard::Incident;
use std::ffi::OsString;
use std::io;
use std::path::{Path, PathBuf};

/// What follows the store's name in the name of a report.
const MARK: &str = ".watcher-";
const ENDING: &str = ".json";

/// Where the watcher of this process reports, beside `store`.
///
/// # Errors
/// When the store's place is not known, because the working directory is gone.
pub fn place(store: &str) -> Result<PathBuf, Failure> {
    let mut path = absolute(store)?.into_os_string();
    path.push(format!("{MARK}{}{ENDING}", std::process::id()));
    Ok(path.into())
}

fn absolute(store: &str) -> Result<PathBuf, Failure> {
    std::path::absolute(store)
        .map_err(|error| Failure::new(STORE, format!("store {store}: {error}")))
}

/// Reports that no run has told of yet, with what each says.
#[derive(Clone, Debug, Default)]
pub struct Untold(Vec<(PathBuf, String)>);

impl Untold {
    /// Those beside `store`, oldest first.
    ///
    /// # Errors
    /// When its folder can't be listed.
    pub fn beside(store: &str) -> Result<Self, Failure> {
        let path = absolute(store)?;
        let (Some(folder), Some(name)) = (path.parent(), path.file_name()) else {
            return Ok(Self::default());
        };
        let mut found = listed(folder, name)
            .map_err(|error| Failure::new(STORE, format!("{}: {error}", folder.display())))?;
        found.sort_by(|(a, ..), (b, ..)| a.total_cmp(b));
        Ok(Self(
            found
                .into_iter()
                .map(|(_, path, text)| (path, text))
                .collect(),
        ))
    }

    /// What they say.
    pub fn texts(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|(_, text)| text.as_str())
    }

    /// Removes the reports: a record has what they say.
    pub fn told(&self) {
        for (path, _) in &self.0 {
            // A report that can't be removed is told once more.
            if let Err(error) = std::fs::remove_file(path) {
                tracing::warn!(path = %path.display(), %error, "a watcher's report stays");
            }
        }
    }
}

/// Time, place and text of each report.
fn listed(folder: &Path, store: &std::ffi::OsStr) -> io::Result<Vec<(f64, PathBuf, String)>> {
    let mut start = OsString::from(store);
    start.push(MARK);
    let mut found = Vec::new();
    for entry in folder.read_dir()? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default().as_encoded_bytes();
        if name.starts_with(start.as_encoded_bytes()) && name.ends_with(ENDING.as_bytes()) {
            let (at, text) = read(&path);
            found.push((at, path, text));
        }
    }
    Ok(found)
}

fn read(path: &Path) -> (f64, String) {
    let incident = std::fs::read_to_string(path)
        .map_err(|error| error.to_string())
        .and_then(|text| {
            serde_json::from_str::<Incident>(&text).map_err(|error| error.to_string())
        });
    match incident {
        Ok(incident) => {
            let when = jiff::Timestamp::from_millisecond((incident.at * 1e3) as i64)
                .map_or(String::new(), |at| {
                    at.strftime("%Y-%m-%d %H:%M:%S UTC: ").to_string()
                });
            (incident.at, format!("{when}{incident}"))
        }
        Err(error) => {
            let place = path.display();
            let text = format!(
                "a watcher has acted, but its report {place} does not read ({error}); look after \
                 the rig"
            );
            (0.0, text)
        }
    }
}
