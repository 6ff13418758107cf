//! The rig file's parser: it points at what is wrong, and nothing makes it panic.

use guard::{CameraSettings, CameraSource, CameraSpec, ReaderSpec, Rig, RigError};
use needlerig::session::SIMULATED_RIG;
use proptest::prelude::*;
use std::path::Path;

/// The simulated rig's reader.
const READER: &str = "kind = \"camera\"\nsource = \"INPROC::camera\"";

/// The simulated rig's file with one replacement, which must be wrong.
fn wrong(old: &str, new: &str) -> RigError {
    let text = SIMULATED_RIG.replacen(old, new, 1);
    assert_ne!(text, SIMULATED_RIG, "\"{old}\" is not in the file");
    let error = Rig::parse(&text, "rig.toml").unwrap_err();
    assert_points_into(&error, &text);
    error
}

/// Where `what` stands after the first `after`, line and column from 1.
fn place(text: &str, after: &str, what: &str) -> (usize, usize) {
    let from = text.find(after).unwrap();
    let at = from + text[from..].find(what).unwrap();
    let before = &text[..at];
    let line_start = before.rfind('\n').map_or(0, |end| end + 1);
    let line = before.matches('\n').count() + 1;
    (line, before[line_start..].chars().count() + 1)
}

fn assert_points_into(error: &RigError, text: &str) {
    let lines = text.split('\n').count();
    assert!((1..=lines).contains(&error.line), "{error}");
    assert!(error.column >= 1, "{error}");
    let width = text
        .split('\n')
        .nth(error.line - 1)
        .unwrap()
        .chars()
        .count();
    assert!(error.column <= width + 1, "{error}");
    assert!(!error.message.is_empty());
    assert!(
        error
            .to_string()
            .starts_with(&format!("{}:{}:{}: ", error.file, error.line, error.column))
    );
}

#[test]
fn the_file_itself_parses() {
    let rig = Rig::parse(SIMULATED_RIG, "rig.toml").unwrap();
    assert_eq!(rig.paths.len(), 6);
    assert!(rig.simulated);
}

#[test]
fn a_dialect_that_usb_can_not_carry_is_refused() {
    let rig = |dialect: &str| {
        let (place, own) = ("INPROC::supply", "dialect = \"simulated-supply\"");
        assert!(SIMULATED_RIG.contains(place) && SIMULATED_RIG.contains(own));
        SIMULATED_RIG
            .replacen(place, "USB::0x1209::0x0001::SN0001::INSTR", 1)
            .replacen(own, &format!("dialect = \"{dialect}\""), 1)
    };
    Rig::parse(&rig("scpi-supply"), "rig.toml").unwrap();
    let text = rig("fixed-digit-supply");
    let error = Rig::parse(&text, "rig.toml").unwrap_err();
    assert_points_into(&error, &text);
    assert!(error.message.contains("serial port"), "{error}");
    assert!(error.source_line.contains("fixed-digit-supply"), "{error}");
}

#[test]
fn a_trip_that_cannot_follow_is_told() {
    let level = "trip_level = { channel = 301, lowest = \"1 mV\", resolution = \"0.1 mV\", accuracy = \"1 %\" }";
    let fitted = format!("trip = \"0.5 V\"\n{level}");
    let with = |lines: &str| SIMULATED_RIG.replacen("# trip = \"0.5 V\"", lines, 1);
    Rig::parse(&with(&fitted), "rig.toml").unwrap();
    for (lines, says) in [
        (level.to_owned(), "give [protection] trip as well"),
        (
            fitted.replacen("1 mV", "0.6 V", 1),
            "must lie below the highest",
        ),
        (fitted.replacen("1 mV", "0.9 mV", 1), "steps"),
        (fitted.replacen("1 %", "30 %", 1), "between"),
        (fitted.replacen("0.1 mV", "0 mV", 1), "above zero"),
    ] {
        let error = wrong("# trip = \"0.5 V\"", &lines);
        assert!(error.message.contains(says), "{error}");
    }
    // Relay boards have no analog output.
    let text = with(&fitted).replacen(
        "dialect = \"scpi-switch\"",
        "dialect = \"modbus-switch\"",
        1,
    );
    let error = Rig::parse(&text, "rig.toml").unwrap_err();
    assert_points_into(&error, &text);
    assert!(error.message.contains("can't set a level"), "{error}");
    assert!(error.source_line.contains("trip_level"), "{error}");
}

#[test]
fn a_camera_is_told_by_its_source() {
    let folder = Path::new("rigs");
    let device = CameraSource::Device("/dev/video0".into());
    for (source, read) in [
        (
            "http://cam:80/still.jpg",
            CameraSource::Still("http://cam:80/still.jpg".into()),
        ),
        (
            "http://cam/a.MJPG?q=1",
            CameraSource::Stream("http://cam/a.MJPG?q=1".into()),
        ),
        (
            "http://cam/?f=a.mjpg",
            CameraSource::Still("http://cam/?f=a.mjpg".into()),
        ),
        ("/dev/video0", device),
        ("file:now.jpg", CameraSource::File(folder.join("now.jpg"))),
    ] {
        let reader = format!("kind = \"camera\"\nsource = \"{source}\"\ndial = \"my.toml\"");
        let text = SIMULATED_RIG.replace(READER, &reader);
        let rig = Rig::parse(&text, "rigs/rig.toml").unwrap();
        let dial = folder.join("my.toml");
        assert_eq!(
            rig.reader,
            ReaderSpec::Camera(CameraSpec {
                source: read,
                dial,
                settings: CameraSettings::default()
            })
        );
    }
}

#[test]
fn a_camera_of_this_machine_has_settings() {
    let reader = "kind = \"camera\"\nsource = \"/dev/video0\"\ndial = \"my.toml\"\n\
                  exposure = \"10 ms\"\nfocus = 40\nmains = \"20 ms\"";
    let text = SIMULATED_RIG.replace(READER, reader);
    let rig = Rig::parse(&text, "rig.toml").unwrap();
    let ReaderSpec::Camera(spec) = rig.reader else {
        panic!("{:?}", rig.reader);
    };
    let settings = spec.settings;
    assert_eq!(settings.exposure.unwrap().get(), 0.01);
    assert_eq!((settings.focus, settings.gain), (Some(40), None));
}

#[test]
fn a_reader_that_is_stated_wrongly_is_pointed_at() {
    for (reader, at) in [
        ("kind = \"camera\"\nsource = \"/dev/video0\"", "\"camera\""),
        ("kind = \"camera\"\ndial = \"my.toml\"", "\"camera\""),
        (
            "kind = \"camera\"\nsource = \"ftp://cam/\"\ndial = \"my.toml\"",
            "\"ftp",
        ),
        (
            "kind = \"camera\"\nsource = \"http://\"\ndial = \"my.toml\"",
            "\"http",
        ),
        (
            "kind = \"camera\"\nsource = \"file:\"\ndial = \"my.toml\"",
            "\"file",
        ),
        (
            "kind = \"camera\"\nsource = \"/dev/video0\"\ndial = \"\"",
            "\"\"",
        ),
        (
            "kind = \"camera\"\nresource = \"INPROC::reader\"",
            "\"INPROC",
        ),
        (
            "kind = \"wire\"\nresource = \"INPROC::reader\"\ndial = \"my.toml\"",
            "\"my",
        ),
        ("kind = \"wire\"\ndial = \"my.toml\"", "\"wire\""),
        (
            "kind = \"camera\"\nsource = \"/dev/video0\"\ndial = \"my.toml\"\nexposure = \"2 s\"",
            "\"2 s",
        ),
        (
            "kind = \"camera\"\nsource = \"INPROC::camera\"\nexposure = \"10 ms\"",
            "\"10 ms",
        ),
        (
            "kind = \"camera\"\nsource = \"http://cam/still.jpg\"\ndial = \"my.toml\"\nfocus = 5",
            "5",
        ),
        (
            "kind = \"wire\"\nresource = \"INPROC::reader\"\ndivision = \"1\"",
            "\"1\"",
        ),
        (
            "kind = \"person\"\nfull_scale = \"50\"\nshared = \"0.2 %\"",
            "\"person\"",
        ),
        (
            "kind = \"person\"\nfull_scale = \"-5\"\ndivision = \"1\"\nshared = \"0 %\"",
            "\"-5",
        ),
        (
            "kind = \"person\"\nfull_scale = \"50\"\ndivision = \"20\"\nshared = \"0 %\"",
            "\"20",
        ),
        (
            "kind = \"person\"\nfull_scale = \"50\"\ndivision = \"1\"\nshared = \"9 %\"",
            "\"9",
        ),
    ] {
        let error = wrong(READER, reader);
        let text = SIMULATED_RIG.replacen(READER, reader, 1);
        let right = place(&text, reader, at);
        assert_eq!((error.line, error.column), right, "{reader}: {error}");
    }
}

/// A hand goes with others: one meter for both places, an eye with the meter, the supply with the leads.
#[test]
fn hands_that_do_not_go_together_are_pointed_at() {
    for (old, new, told) in [
        ("\"INPROC::drop\"", "\"by hand\"", "both meters are by hand"),
        (
            "\"INPROC::switch\"",
            "\"by hand\"",
            "the supply is by hand as well",
        ),
    ] {
        let error = wrong(old, new);
        assert!(error.message.contains(told), "{error}");
    }
    let by_hand = include_str!("../../rigs/by-hand.toml");
    for (old, new, told) in [
        (
            "kind = \"person\"",
            "kind = \"wire\"",
            "read by a person as well",
        ),
        (
            "input = \"10 MΩ\"",
            "input = \"10 MΩ\"\nmains = \"20 ms\"",
            "leave dialect and mains",
        ),
        (
            "contact = \"0.1 Ω\"",
            "contact = \"0.1 Ω\"\noperate = \"1 ms\"",
            "leave operate",
        ),
        (
            "\"100 kΩ\", \"10 kΩ\"",
            "\"10 kΩ\", \"100 kΩ\"",
            "largest step to the smallest",
        ),
        ("knobs = [\"1 MΩ\", ", "knobs = [\"-1 MΩ\", ", "above zero"),
    ] {
        let text = by_hand.replacen(old, new, 1);
        assert_ne!(text, by_hand, "{old}");
        let error = Rig::parse(&text, "rig.toml").unwrap_err();
        assert!(error.message.contains(told), "{error}");
        assert_points_into(&error, &text);
    }
    let text = SIMULATED_RIG.replacen("\"INPROC::supply\"", "\"By Hand\"", 1);
    let rig = Rig::parse(&text, "rig.toml").unwrap();
    assert!(rig.supply.by_hand());
}

#[test]
fn any_one_line_left_out_is_accepted_or_pointed_at() {
    let lines: Vec<&str> = SIMULATED_RIG.lines().collect();
    let mut refused = 0;
    for left_out in 0..lines.len() {
        let mut kept = lines.clone();
        kept.remove(left_out);
        let text = kept.join("\n");
        if let Err(error) = Rig::parse(&text, "rig.toml") {
            refused += 1;
            assert_points_into(&error, &text);
        }
    }
    assert!(
        refused > 60,
        "only {refused} of {} lines matter",
        lines.len()
    );
}

/// A wrong value is pointed at where it stands: at its opening quotation mark.
#[test]
fn wrong_values_are_pointed_at() {
    for (old, new) in [
        ("max_current = \"12 A\"", "max_current = \"10 mV\""),
        ("first_touch = \"1 uA\"", "first_touch = \"10 mV\""),
        ("first_touch = \"1 uA\"", "first_touch = \"1\""),
        ("max_voltage = \"8 V\"", "max_voltage = \"8\""),
        ("max_voltage = \"8 V\"", "max_voltage = \"NaN V\""),
        ("max_voltage = \"8 V\"", "max_voltage = \"inf V\""),
        ("max_voltage = \"8 V\"", "max_voltage = \"\""),
        ("fixed = \"40 kΩ\"", "fixed = \"-40 kΩ\""),
        ("fixed = \"40 kΩ\"", "fixed = \"0 Ω\""),
        ("ohms = \"3 MΩ\"", "ohms = \"-3 MΩ\""),
        ("ohms = \"3 MΩ\"", "ohms = \"3 MV\""),
        ("ceiling = \"102 %\"", "ceiling = \"140 %\""),
        ("growth = \"50 %\"", "growth = \"-50 %\""),
        ("thermal_emf = \"3 uV\"", "thermal_emf = \"-3 uV\""),
        ("resource = \"INPROC::supply\"", "resource = \"somewhere\""),
        ("kind = \"camera\"", "kind = \"oracle\""),
    ] {
        let error = wrong(old, new);
        let text = SIMULATED_RIG.replacen(old, new, 1);
        let value = &new[new.find('"').unwrap()..];
        assert_eq!(
            (error.line, error.column),
            place(&text, new, value),
            "{new}: {error}"
        );
        let unquoted = value.trim_matches('"');
        assert!(
            error.source_line.contains(unquoted),
            "{new}: {}",
            error.source_line
        );
    }
}

#[test]
fn an_unknown_key_is_pointed_at() {
    let error = wrong(
        "settle = \"10 ms\"",
        "settle = \"10 ms\"\nsetle = \"10 ms\"",
    );
    let text = SIMULATED_RIG.replacen(
        "settle = \"10 ms\"",
        "settle = \"10 ms\"\nsetle = \"10 ms\"",
        1,
    );
    assert_eq!(
        (error.line, error.column),
        place(&text, "setle", "setle"),
        "{error}"
    );
    assert!(error.message.contains("setle"), "{error}");
}

#[test]
fn a_missing_power_rating_is_pointed_at() {
    let error = wrong(", power = \"0.25 W\", channel = 121", ", channel = 121");
    assert!(error.message.contains("power"), "{error}");
    let (line, _) = place(SIMULATED_RIG, "channel = 121", "channel");
    assert_eq!(error.line, line, "{error}");
    let error = wrong("power = \"0.25 W\"\nchannel = 111", "channel = 111");
    assert!(error.message.contains("power"), "{error}");
    let (line, _) = place(SIMULATED_RIG, "[[path]]", "[[path]]");
    assert_eq!(error.line, line, "{error}");
}

#[test]
fn two_instruments_on_one_address_are_pointed_at() {
    let error = wrong("INPROC::loop", "INPROC::drop");
    let text = SIMULATED_RIG.replacen("INPROC::loop", "INPROC::drop", 1);
    let expected = place(&text, "[meters.loop]", "\"INPROC::drop\"");
    assert_eq!((error.line, error.column), expected, "{error}");
    assert!(error.message.contains("drop meter") && error.message.contains("loop meter"));
}

#[test]
fn one_relay_channel_with_two_jobs_is_pointed_at() {
    for (old, after) in [
        ("channel = 122", "1 MΩ"),
        ("channel = 145", "1 Ω"),
        ("reverse = 105", "shunt = 104"),
    ] {
        let key = old.split(' ').next().unwrap();
        let new = format!("{key} = 101");
        let error = wrong(old, &new);
        let text = SIMULATED_RIG.replacen(old, &new, 1);
        let _ = after;
        let (line, column) = place(&text, &new, "101");
        assert_eq!((error.line, error.column), (line, column), "{error}");
        assert!(error.message.contains("101"), "{error}");
    }
}

#[test]
fn heavier_paths_come_later() {
    let error = wrong("fixed = \"400 Ω\"", "fixed = \"5 kΩ\"");
    assert!(error.message.contains("light to heavy"), "{error}");
}

#[test]
fn half_of_the_ambient_is_refused() {
    let error = wrong("ambient_u = \"1.2\"", "# ambient_u");
    assert!(error.message.contains("ambient"), "{error}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn arbitrary_text_never_panics(text in any::<String>()) {
        if let Err(error) = Rig::parse(&text, "rig.toml") {
            assert_points_into(&error, &text);
        }
    }

    /// Text in place of any value of the file.
    #[test]
    fn an_arbitrary_value_never_panics(which in 0usize..200, value in "[^\"\\\\\\p{Cc}]{0,12}") {
        let parts: Vec<&str> = SIMULATED_RIG.split('"').collect();
        let which = ((which * 2 + 1) % (parts.len() - 1)) | 1;
        let mut parts = parts;
        parts[which] = &value;
        let text = parts.join("\"");
        if let Err(error) = Rig::parse(&text, "rig.toml") {
            assert_points_into(&error, &text);
        }
    }

    /// The file cut off anywhere, or with a stretch left out.
    #[test]
    fn a_stretch_left_out_never_panics(from in 0usize..8000, length in 1usize..400) {
        let kept: String = SIMULATED_RIG
            .chars()
            .enumerate()
            .filter(|(at, _)| !(from..from + length).contains(at))
            .map(|(_, c)| c)
            .collect();
        if let Err(error) = Rig::parse(&kept, "rig.toml") {
            assert_points_into(&error, &kept);
        }
    }
}
