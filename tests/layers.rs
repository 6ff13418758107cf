//! The layers of the workspace: who may depend on whom, and what pure crates may not name.
//!
//! A message of these tests says what to change. The tables below change only together with the
//! design.

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Every crate, and the crates of this workspace that it may be built on.
const LAYERS: [(&str, &[&str]); 15] = [
    ("quantity", &[]),
    ("evidence", &["quantity"]),
    ("movement", &["quantity", "evidence"]),
    ("needle", &["quantity", "evidence"]),
    ("records", &["quantity", "evidence"]),
    // Numbers and types of system calls, and nothing else.
    ("usbtmc-calls", &[]),
    ("drivers", &["quantity", "usbtmc-calls"]),
    ("guard", &["quantity", "evidence", "movement", "drivers"]),
    ("procedure", &["quantity", "evidence", "movement", "guard"]),
    // It may use quantities, but no model code: an error must not confirm itself.
    ("hw-sim", &["quantity", "dial-pictures"]),
    ("dial-pictures", &[]),
    (
        "needlerig",
        &[
            "quantity",
            "evidence",
            "movement",
            "needle",
            "records",
            "guard",
            "procedure",
            "hw-sim",
        ],
    ),
    // Checks and campaigns look at everything, and nothing is built on them.
    (
        "needlerig-tests",
        &[
            "quantity",
            "evidence",
            "movement",
            "needle",
            "records",
            "drivers",
            "guard",
            "procedure",
            "hw-sim",
            "dial-pictures",
            "needlerig",
        ],
    ),
    ("xtask", &[]),
    ("reuse", &["quantity", "movement"]),
];

/// The one crate that writes its lints out, since `unsafe_code` can't be allowed under the
/// workspace's `forbid`: a system call by number can't be had without. It holds nothing but such calls.
const OWN_LINTS: [(&str, usize); 1] = [("usbtmc-calls", 9)];

/// Crates of the design that are still to be written; struck off when they come.
const TO_COME: [&str; 1] = ["reuse"];

/// Crates that do no input or output and read no clock.
const PURE: [&str; 3] = ["quantity", "evidence", "movement"];

/// Parts of the simulator, and who may see each, be it only in tests. What reads a dial shares no
/// geometry with what draws it.
const SEEN_BY: [(&str, &[&str]); 2] = [
    ("hw-sim", &["needlerig", "needlerig-tests"]),
    ("dial-pictures", &["hw-sim", "needlerig-tests"]),
];

/// Libraries that reach outside the process or know the time.
const IMPURE_LIBRARIES: [&str; 6] = [
    "tokio",
    "rusqlite",
    "rustix",
    "jiff",
    "signal-hook",
    "tracing",
];

/// Modules of the standard library that reach outside the process.
const IMPURE_MODULES: [&str; 7] = ["fs", "net", "process", "env", "io", "os", "thread"];

/// The clocks of the standard library.
const CLOCKS: [&str; 2] = ["Instant", "SystemTime"];

struct Package {
    name: String,
    folder: PathBuf,
    /// Name and kind ("normal", "dev", "build") of each dependency.
    needs: Vec<(String, String)>,
}

/// The crates of the workspace as cargo sees them.
fn packages() -> Vec<Package> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args(["metadata", "--format-version", "1", "--no-deps"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let metadata: Value = serde_json::from_slice(&output.stdout).expect("cargo writes JSON");
    let text = |value: &Value| value.as_str().expect("a text").to_owned();
    let package = |package: &Value| Package {
        name: text(&package["name"]),
        folder: Path::new(&text(&package["manifest_path"]))
            .parent()
            .expect("a folder")
            .into(),
        needs: package["dependencies"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|need| {
                (
                    text(&need["name"]),
                    need["kind"].as_str().unwrap_or("normal").into(),
                )
            })
            .collect(),
    };
    metadata["packages"]
        .as_array()
        .expect("a list")
        .iter()
        .map(package)
        .collect()
}

/// All Rust sources below `folder`, without line comments.
fn sources(folder: &Path) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("a folder that can be listed") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                let text = fs::read_to_string(&path).expect("a text");
                let code = text
                    .lines()
                    .map(|line| line.split("//").next().unwrap_or(line));
                found.push((path, code.collect::<Vec<_>>().join("\n")));
            }
        }
    }
    assert!(!found.is_empty(), "no source in {}", folder.display());
    found.sort();
    found
}

fn words(code: &str) -> impl Iterator<Item = &str> {
    code.split(|c: char| !c.is_alphanumeric() && c != '_')
        .filter(|word| !word.is_empty())
}

/// First segments of what `code` names below `std::`, also in `use std::{…}`.
fn std_modules(code: &str) -> Vec<&str> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices("std::") {
        let rest = &code[at + "std::".len()..];
        let Some(group) = rest.strip_prefix('{') else {
            found.extend(words(rest).next());
            continue;
        };
        let mut depth = 1;
        let mut start = 0;
        for (at, c) in group.char_indices() {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                _ => {}
            }
            if depth == 0 || (depth == 1 && c == ',') {
                found.extend(words(&group[start..at]).next());
                start = at + 1;
            }
            if depth == 0 {
                break;
            }
        }
    }
    found
}

fn none(violations: Vec<String>) {
    assert!(violations.is_empty(), "\n{}\n", violations.join("\n"));
}

#[test]
fn every_crate_has_its_row_and_every_row_its_crate() {
    let packages = packages();
    let mut violations = Vec::new();
    for package in &packages {
        if !LAYERS.iter().any(|(name, _)| *name == package.name) {
            violations.push(format!(
                "{}: give the new crate a row in LAYERS that says what it may be built on",
                package.name
            ));
        }
    }
    for (name, _) in LAYERS {
        let there = packages.iter().any(|package| package.name == name);
        if there == TO_COME.contains(&name) {
            violations.push(format!(
                "{name}: bring LAYERS and TO_COME in line with the crates that exist"
            ));
        }
    }
    none(violations);
}

#[test]
fn dependencies_follow_the_arrows() {
    let mut violations = Vec::new();
    for package in packages() {
        let Some((_, allowed)) = LAYERS.iter().find(|(name, _)| *name == package.name) else {
            continue;
        };
        for (need, kind) in &package.needs {
            let ours = LAYERS.iter().any(|(name, _)| name == need);
            if ours && kind != "dev" && !allowed.contains(&need.as_str()) {
                let way_out = match need.as_str() {
                    "drivers" => "only guard may reach instruments; ask guard for what is needed",
                    "hw-sim" => "only the program and the tests may see the simulator",
                    "records" => "only the program joins records to a run; take a Journal instead",
                    _ => "move the shared part into a lower crate",
                };
                violations.push(format!(
                    "{} may not be built on {need}: {way_out}",
                    package.name
                ));
            }
        }
    }
    none(violations);
}

#[test]
fn only_the_program_and_the_tests_see_the_simulator() {
    let mut violations = Vec::new();
    for package in packages() {
        for (part, may) in SEEN_BY {
            let sees = package.needs.iter().any(|(need, _)| need == part);
            if sees && !may.contains(&package.name.as_str()) {
                violations.push(format!(
                    "{} may not use {part}, in its tests neither: move that test to tests/",
                    package.name
                ));
            }
        }
    }
    none(violations);
}

#[test]
fn the_simulator_shares_no_model_code_in_its_tests_either() {
    let packages = packages();
    let simulator = packages
        .iter()
        .find(|package| package.name == "hw-sim")
        .expect("hw-sim");
    let mut violations = Vec::new();
    for (need, _) in &simulator.needs {
        let own = ["quantity", "dial-pictures"].contains(&need.as_str());
        if !own && LAYERS.iter().any(|(name, _)| name == need) {
            violations.push(format!(
                "hw-sim may not use {need}: compare the two from tests/, or write it anew here"
            ));
        }
    }
    none(violations);
}

#[test]
fn pure_crates_use_no_library_that_reaches_outside() {
    let mut violations = Vec::new();
    for package in packages()
        .iter()
        .filter(|package| PURE.contains(&package.name.as_str()))
    {
        for (need, _) in &package.needs {
            if IMPURE_LIBRARIES.contains(&need.as_str()) {
                violations.push(format!(
                    "{} is pure and may not use {need}: hand the value in as an argument",
                    package.name
                ));
            }
        }
    }
    none(violations);
}

#[test]
fn pure_crates_name_no_file_no_network_and_no_clock() {
    let mut violations = Vec::new();
    for package in packages()
        .iter()
        .filter(|package| PURE.contains(&package.name.as_str()))
    {
        for (path, code) in sources(&package.folder.join("src")) {
            let modules = std_modules(&code)
                .into_iter()
                .filter(|m| IMPURE_MODULES.contains(m));
            for found in modules.chain(words(&code).filter(|word| CLOCKS.contains(word))) {
                violations.push(format!(
                    "{}: a pure crate may not name {found}: take time, text or bytes as arguments",
                    path.display()
                ));
            }
        }
    }
    none(violations);
}

#[test]
fn the_guard_hands_out_nothing_of_the_drivers() {
    let packages = packages();
    let guard = packages
        .iter()
        .find(|package| package.name == "guard")
        .expect("guard");
    let mut violations = Vec::new();
    for (path, code) in sources(&guard.folder.join("src")) {
        let words: Vec<&str> = words(&code).collect();
        for at in 0..words.len() {
            let advice = match words[at..] {
                ["pub", "use", "drivers", ..]
                | ["pub", "extern", "crate", "drivers", ..]
                | ["pub", "type", _, "drivers", ..] => {
                    "others could change an output through this: wrap it in a type of guard"
                }
                ["pub", "mod", ..] => {
                    "keep the modules of guard private and name what is public in lib.rs"
                }
                _ => continue,
            };
            let end = words.len().min(at + 4);
            violations.push(format!(
                "{}: {:?}: {advice}",
                path.display(),
                &words[at..end]
            ));
        }
    }
    none(violations);
}

#[test]
fn every_crate_takes_the_lints_of_the_workspace() {
    let mut violations = Vec::new();
    for package in packages() {
        if OWN_LINTS.iter().any(|(name, _)| *name == package.name) {
            continue;
        }
        let path = package.folder.join("Cargo.toml");
        let text = fs::read_to_string(&path).expect("a manifest");
        let mut lines = text
            .lines()
            .map(str::trim)
            .skip_while(|line| *line != "[lints]")
            .skip(1);
        if lines.find(|line| !line.is_empty()) != Some("workspace = true") {
            violations.push(format!(
                "{}: add the two lines \"[lints]\" and \"workspace = true\"",
                path.display()
            ));
        }
    }
    none(violations);
}

#[test]
fn the_crate_with_unsafe_code_holds_system_calls_only() {
    let packages = packages();
    for (name, calls) in OWN_LINTS {
        let package = packages.iter().find(|package| package.name == name);
        let package = package.expect("the crate");
        let needs: Vec<&str> = package
            .needs
            .iter()
            .map(|(need, _)| need.as_str())
            .collect();
        assert_eq!(
            needs,
            ["rustix"],
            "{name} wraps system calls and needs no more"
        );
        let sources = sources(&package.folder.join("src"));
        assert_eq!(sources.len(), 1, "{name} is one file");
        let code = &sources[0].1;
        let unsafes = words(code).filter(|word| *word == "unsafe").count();
        assert_eq!(
            unsafes, calls,
            "{name}: unsafe code is for system calls alone"
        );
        assert_eq!(code.matches("unsafe { ioctl(").count(), calls);
        let manifest = fs::read_to_string(package.folder.join("Cargo.toml")).expect("a manifest");
        for lint in [
            "undocumented_unsafe_blocks = \"deny\"",
            "unwrap_used = \"warn\"",
            "expect_used = \"warn\"",
            "panic = \"warn\"",
        ] {
            assert!(manifest.contains(lint), "{name}: {lint}");
        }
    }
}

#[test]
fn names_below_std_are_found_in_every_form() {
    let code = "use std::{fmt, fs::{self, File}, sync::Mutex};\nfn f() { std::net::TcpStream; }";
    assert_eq!(std_modules(code), ["fmt", "fs", "sync", "net"]);
}
