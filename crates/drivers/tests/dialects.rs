//! Every dialect file loads, and what is wrong in one is shown where it is.

#![allow(clippy::unwrap_used)]

use drivers::{Dialect, Kind, Words};
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../rigs/dialects")
}

#[test]
fn every_file_loads_and_is_built_in() {
    let mut names: Vec<String> = std::fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .inspect(|path| assert_eq!(path.extension().unwrap(), "toml", "{}", path.display()))
        .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    names.sort();
    let mut built_in: Vec<&str> = Dialect::built_in_names().collect();
    built_in.sort_unstable();
    assert_eq!(names, built_in);
    for name in &names {
        let loaded = Dialect::load(&folder().join(format!("{name}.toml"))).unwrap();
        assert_eq!(loaded, Dialect::built_in(name).unwrap());
        assert_eq!(loaded, Dialect::find(name, Some(&folder())).unwrap());
        assert_eq!(
            Dialect::find(name, Some(Path::new("/nowhere"))).unwrap(),
            loaded
        );
        let kind = loaded.kind().to_string();
        assert!(name.ends_with(&kind), "{name} is a {kind}");
    }
}

#[test]
fn the_simulated_bench_states_its_limits() {
    let Words::Supply(supply) = Dialect::built_in("simulated-supply").unwrap().words else {
        panic!("no supply");
    };
    let limits = supply.limits.unwrap();
    assert_eq!(limits.max_voltage.get(), 8.0);
    assert_eq!(limits.voltage_step.get(), 1e-4);
    let Words::Switch(switch) = Dialect::built_in("simulated-switch").unwrap().words else {
        panic!("no switch");
    };
    assert_eq!(switch.channels.len(), 5 + 6 + 10 + 7 + 12);
}

#[test]
fn an_instrument_in_twenty_lines() {
    let text = "
models = [\"ACME,RELAYS\"]
[wire]
ending = \"CR\"
reply = \"line\"
deadline = \"500 ms\"
pace = \"20 ms\"
[common]
identify = \"*IDN?\"
[switch]
energise = \"ON {}\"
release = \"OFF {}\"
energised = \"STATE? {}\"
";
    let dialect = Dialect::parse("my/relays.toml", text).unwrap();
    assert_eq!(
        (dialect.name.as_str(), dialect.kind()),
        ("relays", Kind::Switch)
    );
    assert!(dialect.fits("ACME,RELAYS 8,0,1.0") && !dialect.fits("OTHER,RELAYS,0,1"));
    assert!(Dialect::built_in("scpi-meter").unwrap().fits("A,B,C,D"));
    assert!(!Dialect::built_in("scpi-meter").unwrap().fits("1.234"));
}

/// The built-in meter with one text replaced.
fn meter_with(right: &str, wrong: &str) -> String {
    let text = std::fs::read_to_string(folder().join("scpi-meter.toml")).unwrap();
    assert!(text.contains(right));
    text.replace(right, wrong)
}

#[test]
fn faults_are_shown_where_they_are() {
    for (right, wrong, part) in [
        ("high_impedance_on", "high_impedence_on", "unknown field"),
        ("ending = \"LF\"", "ending = \"NL\"", "NL"),
        ("deadline = \"1 s\"", "deadline = \"1\"", "no unit"),
        ("deadline = \"1 s\"", "deadline = \"10 ms\"", "below 50 ms"),
        (
            "nplc = \":VOLT:DC:NPLC?\"",
            "nplc = \":VOLT:DC:NPLC?;*OPC?\"",
            "one command per line",
        ),
        (
            "set_nplc = \":VOLT:DC:NPLC {}\"",
            "set_nplc = \":VOLT:DC:NPLC\"",
            "must stand once",
        ),
        (
            "read = \":READ?\"",
            "read = { ask = \":READ?\", fields = 2, field = 2 }",
            "counts from 0",
        ),
        (
            "configure = \":CONF:VOLT:DC {}\"",
            "configure = \":CONF:RES {}\"",
            "ohms ranges",
        ),
        (
            "read = \":READ?\"",
            "read = \":MEAS:RESISTANCE?\"",
            "ohms ranges",
        ),
        ("ranges = [0.1,", "ranges = [0.1 ", "expected"),
    ] {
        let text = meter_with(right, wrong);
        let error = Dialect::parse("meter.toml", &text).unwrap_err();
        let message = error.to_string();
        assert!(message.contains(part), "{message}");
        let at = text.lines().position(|line| line.contains(wrong)).unwrap() + 1;
        assert_eq!(error.line, at, "{message}");
        assert!(error.column >= 1);
    }
}

#[test]
fn a_file_is_for_one_kind() {
    let text = std::fs::read_to_string(folder().join("scpi-switch.toml")).unwrap();
    let none = text.split("\n[switch]").next().unwrap();
    let error = Dialect::parse("none", none).unwrap_err().to_string();
    assert!(error.contains("exactly one"), "{error}");
    let error = Dialect::built_in("scpi-lamp").unwrap_err().to_string();
    assert!(error.contains("scpi-supply, scpi-meter"), "{error}");
    let error = Dialect::load(Path::new("/nowhere/x.toml"))
        .unwrap_err()
        .to_string();
    assert!(error.contains("/nowhere/x.toml"), "{error}");
}

#[test]
fn lengths_on_usb_are_what_can_be_had() {
    for (entry, part) in [
        ("usb.piece = 3", "from 4 to 16384"),
        ("usb.piece = 20000", "from 4 to 16384"),
        ("usb.longest = 0", "from 16 to 1024"),
        ("usb.longest = 2000", "from 16 to 1024"),
    ] {
        let text = meter_with("\n[common]\n", &format!("\n{entry}\n[common]\n"));
        let error = Dialect::parse("meter.toml", &text).unwrap_err();
        assert!(error.to_string().contains(part), "{error}");
        let line = text.lines().position(|line| line == entry).unwrap() + 1;
        assert_eq!(error.line, line, "{error}");
    }
    let text = meter_with(
        "\n[common]\n",
        "\nusb = { piece = 496, longest = 52 }\n[common]\n",
    );
    let usb = Dialect::parse("meter.toml", &text).unwrap().wire.usb;
    assert_eq!((usb.piece, usb.longest), (Some(496), Some(52)));
}
