//! SAFETY.md against the tests: each row of its table names a test, and each test it names exists.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// What a row may name beside tests.
const COMMANDS: [&str; 2] = ["campaign", "guard-campaign"];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap()
}

/// Names of all test functions of the workspace.
pub fn tests() -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut folders: Vec<_> = ["crates", "hw-sim", "tests", "xtask"]
        .map(|name| root().join(name))
        .to_vec();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                found.extend(tests_in(&fs::read_to_string(&path).unwrap()));
            }
        }
    }
    found
}

/// Functions that follow a test attribute, other attributes and comments in between.
fn tests_in(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut marked = false;
    for line in text.lines().map(str::trim) {
        marked |= line.starts_with("#[test]") || line.starts_with("#[tokio::test");
        let name = ["fn ", "async fn "]
            .iter()
            .find_map(|start| line.strip_prefix(start));
        if let Some(name) = name.filter(|_| marked) {
            found.extend(name.split('(').next().map(str::to_owned));
            marked = false;
        }
    }
    found
}

#[test]
fn every_row_of_the_safety_page_names_a_test_that_exists() {
    let page = fs::read_to_string(root().join("SAFETY.md")).unwrap();
    let tests = tests();
    let mut wrong = Vec::new();
    let mut rows = 0;
    for row in page.lines().filter(|line| line.starts_with("| ")) {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let [accident, _, _, proof] = cells[..] else {
            continue;
        };
        if proof == "Test" {
            continue;
        }
        rows += 1;
        let named: Vec<&str> = proof.split('`').skip(1).step_by(2).collect();
        let missing = named
            .iter()
            .filter(|name| !name.contains('.') && !name.contains(' ') && !tests.contains(**name))
            .filter(|name| !COMMANDS.contains(name));
        wrong.extend(missing.map(|name| format!("{accident}: there is no test {name}")));
        if named.is_empty() {
            wrong.push(format!("{accident}: names no test"));
        }
    }
    assert!(rows > 10, "the table was not found");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
