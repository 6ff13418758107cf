//! Dials set up and read from picture files.

use super::json;
use crate::dial::{PLACES, pictures};
use needle::camera::encode_png;
use needle::reader::Picture;
use serde_json::Value;
use std::path::Path;

fn write(folder: &Path, name: &str, picture: &Picture) {
    std::fs::write(folder.join(name), encode_png(picture).unwrap()).unwrap();
}

/// Proposes a set-up from pictures of the needle in five places, with these options.
fn propose(folder: &Path, options: &[&str]) -> (i32, Value) {
    let names: Vec<String> = (1..=PLACES.len()).map(|n| format!("{n}.png")).collect();
    for (name, picture) in names.iter().zip(&pictures(&PLACES, 1000)) {
        write(folder, name, picture);
    }
    let names = names.iter().map(String::as_str);
    let arguments: Vec<&str> = ["dial", "propose"].into_iter().chain(names).collect();
    json(folder, &[&arguments, options].concat())
}

#[test]
fn a_dial_is_set_up_confirmed_and_read() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (code, object) = propose(folder, &[]);
    assert_eq!((code, &object["confirmed"]), (0, &false.into()), "{object}");
    assert_eq!(object["unattended"], false);
    write(folder, "later.png", &pictures(&[0.3], 2000)[0]);
    let (code, object) = json(folder, &["dial", "read", "dial.toml", "later.png"]);
    assert_eq!(code, 0, "{object}");
    assert_eq!(object["pictures"][0]["trusted"], false, "{object}");

    let (code, object) = propose(folder, &["--confirm", "--text", "100 µA"]);
    assert_eq!((code, &object["unattended"]), (0, &true.into()), "{object}");
    // The set-up stands by itself: its pictures are its own.
    for number in 1..=PLACES.len() {
        std::fs::remove_file(folder.join(format!("{number}.png"))).unwrap();
    }
    let (code, object) = json(folder, &["dial", "read", "dial.toml", "later.png"]);
    assert_eq!(code, 0, "{object}");
    assert_eq!(object["full_scale_text"], "100 µA");
    let seen = &object["pictures"][0];
    assert_eq!(seen["trusted"], true, "{seen}");
    let off = seen["deflection"].as_f64().unwrap() - 0.3;
    let u = seen["u"].as_f64().unwrap();
    assert!(off.abs() < 4.0 * u && u < 0.002, "off by {off}, u {u}");
}

/// Two pictures side by side.
fn beside(left: &Picture, right: &Picture) -> Picture {
    let row = 3 * left.width();
    let rows = left.samples().chunks(row).zip(right.samples().chunks(row));
    let samples = rows.flat_map(|(left, right)| [left, right].concat());
    Picture::rgb(2 * left.width(), left.height(), samples.collect()).unwrap()
}

#[test]
fn one_of_two_dials_in_a_picture_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let tray = |here: &[f64], there: &[f64], first: u64| -> Vec<Picture> {
        let (left, right) = (pictures(there, first + 500), pictures(here, first));
        left.iter().zip(&right).map(|(l, r)| beside(l, r)).collect()
    };
    let names: Vec<String> = (1..=PLACES.len()).map(|n| format!("{n}.png")).collect();
    let other = [0.5; PLACES.len()];
    for (name, picture) in names.iter().zip(&tray(&PLACES, &other, 1000)) {
        write(folder, name, picture);
    }
    let names = names.iter().map(String::as_str);
    let mut arguments: Vec<&str> = ["dial", "propose"].into_iter().chain(names).collect();
    arguments.extend(["--confirm", "--region"]);
    let (code, object) = json(folder, &[&arguments[..], &["640,0,640,480"]].concat());
    assert_eq!((code, &object["unattended"]), (0, &true.into()), "{object}");
    write(folder, "later.png", &tray(&[0.3], &[0.8], 3000)[0]);
    let (code, object) = json(folder, &["dial", "read", "dial.toml", "later.png"]);
    assert_eq!(code, 0, "{object}");
    let seen = object["pictures"][0]["deflection"].as_f64().unwrap();
    assert!((seen - 0.3).abs() < 0.002, "{object}");
    // A picture of one dial alone is another camera's.
    write(folder, "alone.png", &pictures(&[0.3], 2000)[0]);
    let (code, object) = json(folder, &["dial", "read", "dial.toml", "alone.png"]);
    assert_eq!(code, 3, "{object}");
    let (code, object) = json(folder, &[&arguments[..], &["900,0,640,480"]].concat());
    assert_eq!(code, 2, "{object}");
}

#[test]
fn a_wrong_mark_is_corrected_by_a_place_in_the_picture() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (_, object) = propose(folder, &[]);
    let place = |key: &str| {
        let [x, y] = [0, 1].map(|i| object[key][i].as_f64().unwrap());
        // As a person clicks: not quite.
        format!("{:.0},{:.0}", x + 1.0, y - 1.0)
    };
    let (zero, full_scale) = (place("zero"), place("full_scale"));
    let (code, turned) = propose(folder, &["--zero", &full_scale, "--full-scale", &zero]);
    assert_eq!(code, 0, "{turned}");
    assert_eq!(turned["zero"], object["full_scale"]);
    assert_eq!(turned["full_scale"], object["zero"]);
    let (code, object) = propose(folder, &["--zero", "1,1"]);
    assert_eq!(code, 2, "{object}");
    assert!(object["error"].as_str().unwrap().contains("from the scale"));
}

#[test]
fn what_cannot_be_read_is_refused_with_its_reason() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    propose(folder, &["--confirm"]);
    let dark = Picture::rgb(640, 480, vec![3; 640 * 480 * 3]).unwrap();
    write(folder, "dark.png", &dark);
    let (code, object) = json(folder, &["dial", "read", "dial.toml", "1.png", "dark.png"]);
    assert_eq!(code, 3, "{object}");
    assert!(object["pictures"][0]["deflection"].is_number());
    assert!(object["pictures"][1]["deflection"].is_null());
    assert!(object["pictures"][1]["refused"].is_string());
    let (code, object) = json(folder, &["dial", "propose", "1.png", "1.png", "1.png"]);
    assert_eq!(code, 3, "{object}");
}

#[test]
fn files_that_are_no_dial_are_wrong_usage() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    propose(folder, &["--confirm"]);
    let good = std::fs::read_to_string(folder.join("dial.toml")).unwrap();
    let half = &good[..good.len() / 2];
    let number = good.find("zero = ").unwrap();
    let infinite = format!("{}zero = inf\n{}", &good[..number], &good[number..]);
    let infinite = infinite.replacen("zero = inf\nzero", "zero = inf\n# zero", 1);
    for wrong in [
        "",
        half,
        &good.replace("format = 1", "format = 2"),
        &good.replace("picture-3.png", "none.png"),
        &infinite,
    ] {
        std::fs::write(folder.join("wrong.toml"), wrong).unwrap();
        let (code, object) = json(folder, &["dial", "read", "wrong.toml", "1.png"]);
        assert_eq!(code, 2, "{object}");
    }
    let (code, _) = propose(folder, &["--out", "dial.json"]);
    assert_eq!(code, 2);
    std::fs::write(
        folder.join("cut.png"),
        &std::fs::read(folder.join("1.png")).unwrap()[..900],
    )
    .unwrap();
    let (code, object) = json(folder, &["dial", "read", "dial.toml", "cut.png"]);
    assert_eq!(code, 2, "{object}");
}
