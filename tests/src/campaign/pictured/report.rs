//! What a campaign of pictures shows.

use super::{Pictured, Proposed, Reading, Sight};
use dial_pictures::{Category, Layout, Trouble};
use needle::reader::TRUSTED;
use statrs::distribution::{Beta, ContinuousCDF};
use std::collections::BTreeMap;
use std::fmt;

/// An error that must not be stated with confidence, of full scale.
const GROSS: f64 = 0.005;

/// A campaign summed up.
pub struct Report<'a>(pub &'a [Pictured]);

/// One of the two proposals of a scene.
type Of = fn(&Pictured) -> Option<&Proposed>;

/// One line of a table: its name and which scenes belong to it.
type Group<'a> = (String, Box<dyn Fn(&Pictured) -> bool + 'a>);

impl fmt::Display for Report<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{} scenes. Errors of confident readings in % of full scale.",
            self.0.len()
        )?;
        writeln!(f, "\n{HEAD}")?;
        for (name, belongs) in groups() {
            let readings = self.readings(&belongs, |reading| reading.trouble.is_none());
            line(f, &name, &readings)?;
        }
        writeln!(f, "\nDisturbed, scales about a pivot\n{HEAD}")?;
        for trouble in Trouble::ALL {
            let turning = |scene: &Pictured| scene.layout != Layout::Edgewise;
            let readings = self.readings(&turning, |reading| reading.trouble == Some(trouble));
            line(f, &format!("{trouble:?}"), &readings)?;
        }
        self.plain(f)?;
        self.set_up(f)?;
        self.unusable(f)
    }
}

const HEAD: &str = "                                 n  refused  low conf.     P50     P95     P99     max  within 2u  above 0.5 %: rate, upper 95 % limit";

/// The lines of the main table.
fn groups<'a>() -> Vec<Group<'a>> {
    let turning = |scene: &Pictured| scene.layout != Layout::Edgewise;
    let mut groups: Vec<Group> = Vec::new();
    for category in [Category::Good, Category::Typical, Category::Hard] {
        groups.push((
            format!("{category:?}"),
            Box::new(move |s| turning(s) && s.category == category),
        ));
        groups.push((
            format!("{category:?}, 1280 × 720"),
            Box::new(move |s| turning(s) && s.category == category && s.size.0 == 1280),
        ));
        groups.push((
            format!("{category:?}, straight, eye check"),
            Box::new(move |s| s.layout == Layout::Edgewise && s.category == category),
        ));
    }
    for layout in [Layout::Narrow, Layout::Arc, Layout::Corner, Layout::Long] {
        groups.push((format!("{layout:?}"), Box::new(move |s| s.layout == layout)));
    }
    for shape in ["Bar", "Lance", "Knife"] {
        groups.push((
            format!("needle {shape}"),
            Box::new(move |s| turning(s) && format!("{:?}", s.shape) == shape),
        ));
    }
    for width in [640, 1280, 1920] {
        groups.push((
            format!("{width} pixels wide"),
            Box::new(move |s| turning(s) && s.size.0 == width),
        ));
    }
    groups.push((
        "mirror".to_owned(),
        Box::new(move |s| turning(s) && s.mirror),
    ));
    groups
}

fn line(f: &mut fmt::Formatter<'_>, name: &str, readings: &[&Reading]) -> fmt::Result {
    let seen: Vec<&Sight> = readings
        .iter()
        .filter_map(|r| r.seen.as_ref().ok())
        .collect();
    let confident: Vec<&&Sight> = seen.iter().filter(|s| s.confidence >= TRUSTED).collect();
    let errors = sorted(confident.iter().map(|s| s.error.abs()));
    let within = confident
        .iter()
        .filter(|s| s.error.abs() <= 2.0 * s.u())
        .count();
    let gross = errors.iter().filter(|error| **error > GROSS).count();
    let share = |part: usize, whole: usize| 100.0 * part as f64 / whole.max(1) as f64;
    let at = |p: f64| 100.0 * percentile(&errors, p);
    writeln!(
        f,
        "{name:27} {:6} {:7.1}% {:9.1}% {:7.3} {:7.3} {:7.3} {:7.3} {:9.1}%  {gross} ({:.3} %)",
        readings.len(),
        share(readings.len() - seen.len(), readings.len()),
        share(seen.len() - confident.len(), readings.len()),
        at(0.5),
        at(0.95),
        at(0.99),
        at(1.0),
        share(within, confident.len()),
        100.0 * upper(gross, confident.len()),
    )
}

/// Upper 95 % confidence limit of a rate (Clopper–Pearson, one-sided).
fn upper(hits: usize, of: usize) -> f64 {
    if hits >= of {
        return 1.0;
    }
    let beta = Beta::new(hits as f64 + 1.0, (of - hits) as f64);
    beta.map_or(f64::NAN, |beta| beta.inverse_cdf(0.95))
}

fn sorted(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values
}

fn percentile(sorted: &[f64], p: f64) -> f64 {
    let index = (p * (sorted.len() as f64 - 1.0)).round() as usize;
    sorted.get(index).copied().unwrap_or(f64::NAN)
}

impl Report<'_> {
    /// What must never happen, and did: a gross error stated with confidence under good or typical
    /// conditions, a needle read where there is none, a wrong set-up proposed without doubt.
    pub fn broken(&self) -> Vec<String> {
        let mut broken = Vec::new();
        for scene in self.0 {
            let mut say = |what: String| broken.push(format!("{what}: --seed {}", scene.seed));
            let fair = scene.category != Category::Hard;
            for reading in &scene.readings {
                let Ok(seen) = &reading.seen else { continue };
                if reading.trouble == Some(Trouble::NoNeedle) {
                    say("read a needle where there is none".to_owned());
                } else if fair && seen.confidence >= TRUSTED && seen.error.abs() > GROSS {
                    say(format!("{:.2} % off with confidence", seen.error * 100.0));
                }
            }
            for proposed in scene.short.iter().chain([&scene.long]) {
                if proposed.sure && !proposed.right {
                    say("a wrong set-up without doubt".to_owned());
                }
            }
        }
        broken
    }

    fn readings(
        &self,
        scenes: &dyn Fn(&Pictured) -> bool,
        wanted: impl Fn(&Reading) -> bool,
    ) -> Vec<&Reading> {
        let scenes = self.0.iter().filter(|scene| scenes(scene));
        scenes
            .flat_map(|scene| &scene.readings)
            .filter(|r| wanted(r))
            .collect()
    }

    /// The plain methods on the same pictures: those that the reader read with confidence.
    fn plain(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "\nPlain methods on the same pictures, true pivot given (P50 / P95 / max in %; ratio of P95 to the reader's)"
        )?;
        for category in [Category::Good, Category::Typical, Category::Hard] {
            let here = |scene: &Pictured| scene.category == category;
            let readings = self.readings(&here, |reading| reading.plain.is_some());
            let pairs: Vec<(f64, [f64; 2])> = readings
                .iter()
                .filter_map(|r| {
                    Some((
                        r.seen
                            .as_ref()
                            .ok()
                            .filter(|s| s.confidence >= TRUSTED)?
                            .error,
                        r.plain?,
                    ))
                })
                .collect();
            let own = percentile(&sorted(pairs.iter().map(|p| p.0.abs())), 0.95);
            for (method, name) in ["brightest radial line", "difference and Hough"]
                .iter()
                .enumerate()
            {
                let errors = sorted(pairs.iter().map(|p| p.1[method].abs()));
                let at = |p: f64| percentile(&errors, p);
                writeln!(
                    f,
                    "{:10} {name:24} {:6.2} {:6.2} {:7.1}   {:6.0} times",
                    format!("{category:?}"),
                    100.0 * at(0.5),
                    100.0 * at(0.95),
                    100.0 * at(1.0),
                    at(0.95) / own
                )?;
            }
        }
        Ok(())
    }

    fn set_up(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "\nSet-up, nobody helping              n  refused  both right   sure  sure but wrong  pivot P95 / px"
        )?;
        let of: [(&str, Of); 2] = [
            ("3 pictures", |s| s.short.as_ref()),
            ("5 pictures", |s| Some(&s.long)),
        ];
        for (pictures, of) in of {
            for category in [Category::Good, Category::Typical, Category::Hard] {
                for layout in [
                    Layout::Narrow,
                    Layout::Arc,
                    Layout::Corner,
                    Layout::Long,
                    Layout::Edgewise,
                ] {
                    let scenes = self
                        .0
                        .iter()
                        .filter(|s| s.category == category && s.layout == layout);
                    let all: Vec<&Proposed> = scenes.filter_map(of).collect();
                    if all.is_empty() {
                        continue;
                    }
                    let count = |which: fn(&&&Proposed) -> bool| all.iter().filter(which).count();
                    let pivots = sorted(all.iter().filter_map(|p| p.pivot));
                    writeln!(
                        f,
                        "{pictures}, {:8} {:9} {:6} {:8} {:10.1}% {:6} {:15} {:15.2}",
                        format!("{category:?}"),
                        format!("{layout:?}"),
                        all.len(),
                        count(|p| p.refused.is_some()),
                        100.0 * count(|p| p.right) as f64 / all.len() as f64,
                        count(|p| p.sure),
                        count(|p| p.sure && !p.right),
                        percentile(&pivots, 0.95),
                    )?;
                }
            }
        }
        Ok(())
    }

    fn unusable(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut reasons: BTreeMap<String, Vec<u64>> = BTreeMap::new();
        for scene in self.0 {
            let why = scene.unusable.iter().chain(&scene.reservations);
            for why in why {
                let kind = why
                    .split(|c: char| c.is_ascii_digit())
                    .next()
                    .unwrap_or(why);
                let kind = format!("{:?}, {:?}: {kind}", scene.category, scene.layout);
                reasons.entry(kind).or_default().push(scene.seed);
            }
        }
        writeln!(f, "\nNo reader even with help, or not for unattended use")?;
        for (why, seeds) in reasons {
            writeln!(
                f,
                "{:5} × {why}…; for example --seed {}",
                seeds.len(),
                seeds[0]
            )?;
        }
        let gross = self
            .0
            .iter()
            .flat_map(|s| s.readings.iter().map(move |r| (s, r)));
        for (scene, reading) in gross {
            if let Ok(seen) = &reading.seen
                && seen.confidence >= TRUSTED
                && seen.error.abs() > GROSS
            {
                writeln!(
                    f,
                    "CONFIDENT AND WRONG --seed {} {:?} {:?} {:?}: {:.2} % at {:.3}, u {:.2} %",
                    scene.seed,
                    scene.category,
                    scene.layout,
                    reading.trouble,
                    seen.error * 100.0,
                    reading.truth,
                    seen.u() * 100.0
                )?;
            }
        }
        Ok(())
    }
}
