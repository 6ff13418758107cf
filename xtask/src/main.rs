//! What anyone can run on this repository: `cargo xtask check` is the gate that every change
//! passes, on a bench machine as in continuous integration.

mod capture;
mod check;
mod machine;
mod mutants;
mod peers;
mod run;
mod usb;

use std::process::ExitCode;

/// A subcommand: its name, what it does, and the function that does it with the arguments left.
type Task = (
    &'static str,
    &'static str,
    fn(&[String]) -> Result<(), String>,
);

/// Every subcommand. One that only starts a program of this workspace is one line:
/// `run::finish(run::cargo(&["run", "--release", "--package", "…", "--"]))` with its arguments.
const TASKS: [Task; 11] = [
    (
        "check",
        "format, lints, tests and documentation; stops at the first failure",
        check::check,
    ),
    (
        "campaign",
        "[COUNT] [NAME]: random movements judged against the truth; goes on where it stopped",
        |arguments| program("campaign", arguments),
    ),
    (
        "guard-campaign",
        "[COUNT] [NAME] [--energy]: random faults judged against the truth; --seed N for one run",
        |arguments| program("guard-campaign", arguments),
    ),
    (
        "kill-campaign",
        "[COUNT] [NAME]: runs killed at random moments; the rig must be off within 2 s each time",
        |arguments| {
            let build = ["build", "--quiet", "--release", "--package", "needlerig"];
            run::finish(run::cargo(&build))?;
            program("kill-campaign", arguments)
        },
    ),
    (
        "reader-campaign",
        "[COUNT] [NAME]: random dials before random cameras, read and judged; --seed N for one",
        |arguments| program("reader-campaign", arguments),
    ),
    (
        "bench",
        "[ROUNDS]: simulated seconds per wall second; \"wires [ROUNDS]\": questions per second on wires; \"reader\": milliseconds a picture",
        |arguments| match arguments {
            [first, rest @ ..] if first == "wires" => {
                peers::peers(&[])?;
                program("wire-rate", rest)
            }
            [only] if only == "reader" => {
                peers::pace()?;
                program("reader-pace", &[])
            }
            _ => program("bench", arguments),
        },
    ),
    (
        "fuzz",
        "[MILLIONS]: mutated bytes into every reader of replies (10 million runs) and files (1 million)",
        |arguments| program("fuzz", arguments),
    ),
    (
        "peers",
        "installs the independent clients and servers that the tests face, into target/peers",
        peers::peers,
    ),
    (
        "capture",
        "FOLDER: pictures from a virtual V4L2 camera in an emulated machine; FOLDER: its kernel",
        capture::capture,
    ),
    (
        "usb",
        "FOLDER: USB instruments through the kernel's drivers in an emulated machine; FOLDER: its kernel",
        usb::usb,
    ),
    (
        "mutants",
        "[--shard K/N]: the guard's pure parts changed piece by piece; no change may go unnoticed",
        mutants::mutants,
    ),
];

/// A program of the tests' package, built for speed.
fn program(name: &str, arguments: &[String]) -> Result<(), String> {
    let mut cargo = run::cargo(&[
        "run",
        "--quiet",
        "--release",
        "--package",
        "needlerig-tests",
    ]);
    run::finish({
        cargo.args(["--bin", name, "--"]).args(arguments);
        cargo
    })
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let wanted = arguments.first().map(String::as_str).unwrap_or_default();
    let Some((name, _, task)) = TASKS.iter().find(|(name, ..)| *name == wanted) else {
        eprintln!("Usage: cargo xtask <task>\n\nTasks:");
        for (name, what, _) in TASKS {
            eprintln!("  {name:<15} {what}");
        }
        // Asking for help is no mistake; a wrong name is.
        let asked = ["", "help", "-h", "--help"].contains(&wanted);
        return if asked {
            ExitCode::SUCCESS
        } else {
            ExitCode::FAILURE
        };
    };
    match task(arguments.get(1..).unwrap_or_default()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{name}: {why}");
            ExitCode::FAILURE
        }
    }
}
