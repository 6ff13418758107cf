//! Random rigs: the simulated one with fewer paths and other limits.

use guard::Rig;
use hw_sim::Truth;
use needlerig::session::PICTURELESS_RIG;

/// Limits that vary: how the file has them, and what stands there instead.
const LIMITS: [(&str, &[&str]); 4] = [
    (
        "growth = \"50 %\"",
        &[
            "growth = \"20 %\"",
            "growth = \"35 %\"",
            "growth = \"50 %\"",
        ],
    ),
    (
        "first_touch = \"1 uA\"",
        &["first_touch = \"1 uA\"", "first_touch = \"0.7 uA\""],
    ),
    (
        "ceiling = \"102 %\"",
        &["ceiling = \"101 %\"", "ceiling = \"102 %\""],
    ),
    ("earn = \"5 %\"", &["earn = \"5 %\"", "earn = \"8 %\""]),
];

/// A trip whose level is set, as one line of a rig file; ranges use up to 0.26 V.
const TRIP: &str = "trip = \"0.27 V\"\ntrip_level = { channel = 301, lowest = \"1 mV\", \
     resolution = \"0.1 mV\", accuracy = \"1 %\" }";

/// The rig that belongs to `seed`, with a trip or without.
///
/// # Errors
/// When it is no rig.
pub fn random(seed: u64, trip: bool) -> Result<Rig, String> {
    let mut dice = seed >> 3;
    let mut roll = |sides: usize| {
        let side = dice as usize % sides;
        dice /= sides as u64;
        side
    };
    let mut text = with_paths(&PICTURELESS_RIG, 2 + roll(5));
    for (old, new) in LIMITS {
        text = text.replacen(old, new[roll(new.len())], 1);
    }
    let text = match trip {
        true => text.replacen("# trip = \"0.5 V\"", TRIP, 1),
        false => text,
    };
    let rig = Rig::parse(&text, "random.toml").map_err(|error| error.to_string())?;
    match rig.review().findings.iter().find(|finding| !finding.passed) {
        Some(bad) => Err(bad.text.clone()),
        None => Ok(rig),
    }
}

/// The file with so many paths, the lightest first.
fn with_paths(text: &str, count: usize) -> String {
    let mut parts = text.split("[[path]]");
    let before = parts.next().unwrap_or_default();
    let mut paths: Vec<&str> = parts.collect();
    let after = paths
        .last_mut()
        .and_then(|last| last.split_once("[series]"))
        .map(|(path, after)| (path, format!("[series]{after}")));
    let Some((last, after)) = after else {
        return text.to_owned();
    };
    paths.pop();
    paths.push(last);
    let kept = paths.iter().take(count);
    let kept: String = kept.map(|path| format!("[[path]]{path}")).collect();
    format!("{before}{kept}{after}")
}

/// Largest power of an element over its rating, and its name.
pub fn over_rating(rig: &Rig, truth: &Truth) -> (f64, String) {
    let fixed = rig.paths.iter().map(|path| &path.fixed);
    let elements = fixed.chain(&rig.series).chain(&rig.sense).chain(&rig.shunt);
    let mut worst = (0.0, String::new());
    for element in elements {
        let end = format!(" {}", element.channel);
        let peaks = truth.element_peak_power.iter();
        for (name, watts) in peaks.filter(|(name, _)| name.ends_with(&end)) {
            let ratio = watts / element.power.get();
            if ratio > worst.0 {
                worst = (ratio, name.clone());
            }
        }
    }
    worst
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn random_rigs_are_rigs_and_differ() {
        let mut counts = [0; 7];
        for seed in 0..400 {
            counts[random(seed * 77, false).unwrap().paths.len()] += 1;
        }
        assert!(random(1, true).unwrap().protection.trip.is_some());
        assert!(counts[2..].iter().all(|count| *count > 20), "{counts:?}");
    }
}
