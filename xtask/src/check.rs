//! The gate: what must pass before a change goes in.

use crate::run::{cargo, finish, program, quietly};
use std::time::Instant;

/// One step: its name and what it does.
type Step = (&'static str, fn() -> Result<(), String>);

const STEPS: [Step; 7] = [
    ("tools", tools),
    ("format", format),
    ("lints", lints),
    ("ngspice", ngspice),
    ("peers", || crate::peers::peers(&[])),
    ("tests", tests),
    ("documentation", documentation),
];

/// Runs all steps in order and stops at the first that fails.
///
/// # Errors
/// Which step failed, and why.
pub fn check(arguments: &[String]) -> Result<(), String> {
    if let Some(argument) = arguments.first() {
        return Err(format!(
            "there is no \"{argument}\" to choose; it always runs everything"
        ));
    }
    let start = Instant::now();
    for (name, step) in STEPS {
        println!("check: {name} ...");
        let began = Instant::now();
        let outcome = step();
        let word = if outcome.is_ok() { "ok" } else { "FAILED" };
        println!(
            "check: {name:<14} {word:<6} {:7.1} s",
            began.elapsed().as_secs_f64()
        );
        outcome.map_err(|why| format!("stopped at \"{name}\": {why}"))?;
    }
    println!(
        "check: all passed in {:.1} s",
        start.elapsed().as_secs_f64()
    );
    Ok(())
}

/// What the later steps need, so that a bare machine is told at once.
fn tools() -> Result<(), String> {
    for (subcommand, component) in [("fmt", "rustfmt"), ("clippy", "clippy")] {
        quietly(cargo(&[subcommand, "--version"])).map_err(|_| {
            format!("{component} is missing; install it with: rustup component add {component}")
        })?;
    }
    let mut compiler = program("cc");
    compiler.arg("--version");
    quietly(compiler).map(drop).map_err(|_| {
        "a C compiler (cc) is missing; SQLite is built with it. On Debian: apt-get install gcc"
            .to_owned()
    })
}

fn format() -> Result<(), String> {
    finish(cargo(&["fmt", "--all", "--check"]))
        .map_err(|why| format!("{why}; run: cargo fmt --all"))
}

fn lints() -> Result<(), String> {
    let arguments = [
        "clippy",
        "--workspace",
        "--all-targets",
        "--locked",
        "--",
        "-D",
        "warnings",
    ];
    finish(cargo(&arguments))
}

/// The circuit solution is compared with ngspice where it is at hand, else with stored values that
/// came from it. So this step never fails; it says which of the two it will be.
fn ngspice() -> Result<(), String> {
    let there = || {
        let mut ngspice = program("ngspice");
        ngspice.arg("--version");
        quietly(ngspice).is_ok()
    };
    if there() {
        println!("ngspice is installed");
        return Ok(());
    }
    let outcome = if !is_root() {
        Err("only root may install it".to_owned())
    } else if quietly(apt_get(&["--version"])).is_err() {
        Err("there is no apt-get".to_owned())
    } else {
        install_ngspice()
    };
    match outcome {
        Ok(()) if there() => println!("ngspice was missing and is now installed"),
        Ok(()) => println!("ngspice was installed but does not run: stored values decide"),
        Err(why) => println!("ngspice is missing ({why}): stored values decide"),
    }
    Ok(())
}

fn install_ngspice() -> Result<(), String> {
    let install = || {
        quietly(apt_get(&[
            "install",
            "-y",
            "--no-install-recommends",
            "ngspice",
        ]))
    };
    // A fresh machine often has no package lists yet.
    install()
        .or_else(|_| quietly(apt_get(&["update"])).and_then(|_| install()))
        .map(drop)
}

/// `apt-get` that asks no questions and does not wait for long.
fn apt_get(arguments: &[&str]) -> std::process::Command {
    let mut command = program("apt-get");
    command.env("DEBIAN_FRONTEND", "noninteractive");
    command.args([
        "-o",
        "DPkg::Lock::Timeout=30",
        "-o",
        "Acquire::http::Timeout=20",
    ]);
    command.args(arguments);
    command
}

fn is_root() -> bool {
    let mut id = program("id");
    id.arg("-u");
    quietly(id).is_ok_and(|user| user.trim() == "0")
}

fn tests() -> Result<(), String> {
    finish(cargo(&["test", "--workspace", "--locked"]))
}

fn documentation() -> Result<(), String> {
    let mut command = cargo(&["doc", "--workspace", "--no-deps", "--locked"]);
    command.env("RUSTDOCFLAGS", "-D warnings");
    finish(command)
}
