//! Resistance by the half-shunt method, with the exact correction for the finite source.
//!
//! At the shunted rest the needle shows which current the movement carries, by the unshunted rest
//! at the same deflection; the loop meter tells the whole. With the shunt Rp:
//! Rm = Rp (I₂ − Iₘ)/Iₘ (Kirchhoff's laws; no assumption about the source).

use super::by_drop::Slope;
use super::data::{Data, current, deflection};
use super::full_scale::{FullScale, LEAST_FRICTION, mean};
use evidence::{Observation, Purpose};
use quantity::{Ohms, Uncertain};

/// A shunted needle must stand this far above its place without current: near it a suppressed zero
/// or a stop may hold the needle, and its place says nothing about the current.
const LEAST_SHUNTED: f64 = 0.08;
/// Above this share of the resistance, contact resistance decides the result.
const CONTACT_DECIDES: f64 = 0.03;

pub(super) struct HalfShunt {
    pub resistance: Uncertain,
    pub uncorrected: f64,
}

struct Pair<'a> {
    unshunted: &'a Observation,
    shunted: &'a Observation,
    again: &'a Observation,
}

/// Works out the pairs.
pub(super) fn half_shunt(
    data: &Data<'_>,
    at_mark: Option<&FullScale>,
    slope: Option<&Slope>,
) -> Result<HalfShunt, String> {
    let pairs = pairs(data);
    if fell_back(data) {
        let why = "with the shunt closed the needle fell back to where it stands without current, \
                   so its place says nothing about the current";
        return Err(why.to_owned());
    }
    let Some(first) = pairs.first() else {
        return Err(why_none(data, slope));
    };
    let at_mark = at_mark.ok_or("without the full-scale mark the needle's scatter is not known")?;
    let shunt = shunt(data, &first.shunted.set.shunt);
    let rp = shunt.value();
    let mut ratios = Vec::new();
    let mut naive = Vec::new();
    for pair in &pairs {
        let Some((ratio, plain)) = work_out(data, pair, at_mark) else {
            continue;
        };
        ratios.push(ratio);
        naive.push(plain);
    }
    if ratios.is_empty() {
        return Err("a half-shunt reading is missing its current or its needle".to_owned());
    }
    let ratio = mean(&ratios); // I₂/Iₘ
    let i_m = current(first.shunted).unwrap_or(0.0) / ratio;
    // Both the shunted rest and the one at the same deflection scatter as rests do.
    let (s, dof) = at_mark.scatter;
    let u_needle = s * (2.0 / ratios.len() as f64).sqrt() / i_m;
    let dof = dof.unwrap_or(f64::INFINITY);
    let needle = Uncertain::with_dof(0.0, u_needle, dof, "needle in the half-shunt pairs");
    let heating = slope.and_then(|s| s.rise_at_full_scale).unwrap_or(0.0);
    // Friction may hold the needle anywhere in its band; the two rests need not share the place.
    let band = (at_mark.friction + LEAST_FRICTION) * at_mark.slope / i_m;
    let friction = Uncertain::rectangular(0.0, band, "friction in the half-shunt pairs");
    // The movement is warmer than ambient by an unknown part of what it was at full scale.
    let warmth = Uncertain::rectangular(0.0, heating * 0.5, "warmth in the half-shunt pairs");
    // The contacts in series with the movement are measured along with it.
    let each = data.rig.movement_contact().get() / 2.0;
    let contacts = (0..data.rig.movement_contacts)
        .map(|n| Uncertain::rectangular(each, each, &format!("contact {n} before the movement")))
        .fold(Uncertain::exact(0.0), |sum, contact| &sum + &contact);
    let ohms = (rp * (ratio - 1.0) - contacts.value()) / (1.0 + heating * 0.5);
    // A meter that reads both currents in one range has one gain for them; its offset and digits stay.
    let (over, under) = (
        data.loop_meter_errors(first.shunted),
        data.loop_meter_errors(first.again),
    );
    let mut inputs = vec![
        (ratio - 1.0, &shunt),
        (rp * ratio, &needle),
        (rp * ratio, &friction),
        (-1.0, &contacts),
        (ohms, &warmth),
    ];
    inputs.extend(over.iter().map(|error| (rp * ratio, error)));
    inputs.extend(under.iter().map(|error| (-rp * ratio, error)));
    let resistance = Uncertain::combine(ohms, &inputs);
    Ok(HalfShunt {
        resistance,
        uncorrected: mean(&naive) * plain_value(&first.shunted.set.shunt),
    })
}

/// Whether a shunted needle stood too near to its place without current.
fn fell_back(data: &Data<'_>) -> bool {
    let zero = data.zero_before().unwrap_or(0.0);
    let shunted = |o: &&Observation| o.purpose == Purpose::Shunted;
    let mut places = data.all.iter().filter(shunted).filter_map(deflection);
    places.any(|place| place - zero < LEAST_SHUNTED)
}

/// Current ratio I₂/Iₘ, and the classical (1 − f)/f from the deflections alone.
fn work_out(data: &Data<'_>, pair: &Pair<'_>, at_mark: &FullScale) -> Option<(f64, f64)> {
    let zero = data.zero_before()?;
    let (d1, d2) = (deflection(pair.unshunted)?, deflection(pair.shunted)?);
    let local = local_slope(data, d2).unwrap_or(at_mark.slope);
    let i_m = current(pair.again)? + local * (d2 - deflection(pair.again)?);
    let ratio = current(pair.shunted)? / i_m;
    let f = (d2 - zero) / (d1 - zero);
    Some((ratio, (1.0 - f) / f))
}

/// Current per deflection around `at`, from the rising rests on either side of it.
fn local_slope(data: &Data<'_>, at: f64) -> Option<f64> {
    let rising = data.rests().filter(|o| o.purpose != Purpose::Falling);
    let points: Vec<(f64, f64)> = rising
        .filter_map(|o| Some((deflection(o)?, current(o)?)))
        .collect();
    let below = points
        .iter()
        .filter(|p| p.0 < at - 0.04)
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let above = points
        .iter()
        .filter(|p| p.0 > at + 0.04)
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some((above.1 - below.1) / (above.0 - below.0))
}

/// Unshunted, shunted, and unshunted again at the deflection of the shunted one.
fn pairs<'a>(data: &Data<'a>) -> Vec<Pair<'a>> {
    let mut pairs = Vec::new();
    let shunted = data
        .all
        .iter()
        .enumerate()
        .filter(|(_, o)| o.purpose == Purpose::Shunted);
    for (index, shunted) in shunted {
        let before = data.all[..index]
            .iter()
            .rev()
            .find(|o| o.purpose == Purpose::Unshunted);
        let rest = |o: &&Observation| {
            matches!(
                o.purpose,
                Purpose::Rising | Purpose::Shunted | Purpose::Unshunted
            )
        };
        let near = |o: &&&Observation| matches!((deflection(o), deflection(shunted)), (Some(a), Some(b)) if (a - b).abs() < 0.03);
        // The last rising rest near that deflection before anything else was measured.
        let after = data.all[index + 1..]
            .iter()
            .filter(rest)
            .collect::<Vec<_>>();
        let again = after
            .iter()
            .take_while(|o| o.purpose == Purpose::Rising)
            .filter(near)
            .last();
        if let (Some(unshunted), Some(again)) = (before, again) {
            pairs.push(Pair {
                unshunted,
                shunted,
                again,
            });
        }
    }
    pairs
}

/// The shunt as stated: each element with its tolerance and its contact, the switch's contact in
/// series with all of them.
fn shunt(data: &Data<'_>, elements: &[Ohms]) -> Uncertain {
    let half = data.rig.contact.get() / 2.0;
    let mut parts = Vec::new();
    for ohms in elements {
        let tolerance = data
            .rig
            .shunt
            .iter()
            .find(|e| e.ohms == *ohms)
            .map_or(0.0, |e| e.tolerance);
        let value = ohms.get();
        parts.push((
            value + half,
            Uncertain::rectangular(value, value * tolerance, &format!("shunt element {ohms}")),
        ));
        parts.push((
            value + half,
            Uncertain::rectangular(0.0, half, &format!("contact of shunt element {ohms}")),
        ));
    }
    let conductance: f64 = elements.iter().map(|ohms| 1.0 / (ohms.get() + half)).sum();
    let parallel = 1.0 / conductance;
    // d(1/G)/dR = (Rp/R)²
    let inputs: Vec<(f64, &Uncertain)> = parts
        .iter()
        .map(|(branch, u)| ((parallel / branch).powi(2), u))
        .collect();
    let switch = Uncertain::rectangular(half, half, "contact of the shunt switch");
    let mut all = inputs;
    all.push((1.0, &switch));
    Uncertain::combine(parallel + half, &all)
}

/// The shunt as a bench note would have it: stated values, contacts ignored.
fn plain_value(elements: &[Ohms]) -> f64 {
    1.0 / elements.iter().map(|ohms| 1.0 / ohms.get()).sum::<f64>()
}

fn why_none(data: &Data<'_>, slope: Option<&Slope>) -> String {
    let Some(slope) = slope else {
        return "not measured".to_owned();
    };
    let ohms = slope.resistance.value();
    let contacts = data.rig.half_shunt_contacts();
    if contacts.get() / ohms > CONTACT_DECIDES {
        return format!(
            "contact resistance (up to {} in all) would decide the result at {}",
            contacts,
            Ohms::new(ohms)
        );
    }
    "the shunt bank has no value near this resistance, or the run ended before".to_owned()
}
