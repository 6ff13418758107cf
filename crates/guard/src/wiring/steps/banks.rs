//! Paths, the series bank and what opens the loop.

use super::{Base, judged, loop_of, opened, path_bank, seen, too_coarse, without};
use crate::fault::Fault;
use crate::rig::Rig;
use crate::wiring::bank::{Bank, Found, Kind, common, ohms};
use crate::wiring::hands::Hands;
use crate::wiring::look::{DOUBT, level};
use crate::wiring::{Seen, Step, Verdict};
use quantity::{Ohms, Seconds};

/// Paths, by what differs between them: set-point and sense element are common to all.
pub(super) async fn paths<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let bank = path_bank(rig);
    let sense = &rig.sense[base.sense];
    let mut totals = Vec::new();
    for index in 0..rig.paths.len() {
        hands.step(&bank.part(index));
        hands.put(loop_of(rig, index, base.sense)).await?;
        // All at the level that suits the heaviest, so that the set-point drops out.
        let least = rig.paths.last().map_or(Ohms::ZERO, |p| p.fixed.low()) + sense.low();
        let coarse = level(rig, least).is_none();
        let least = if coarse {
            rig.paths[index].fixed.low() + sense.low()
        } else {
            least
        };
        totals.push(
            hands
                .look(least, Seconds::ZERO)
                .await?
                .map(|l| (l.set, l.total(sense.ohms.get()))),
        );
    }
    let value = |index: usize| match totals[index] {
        Some((set, Some((total, u)))) => Some((total, DOUBT * u, set)),
        _ => None,
    };
    let doubt = |index: usize, doubt: f64, set: f64| {
        doubt + rig.paths[index].fixed.ohms.get() * base.share(rig, set) + rig.switch.contact.get()
    };
    let differences: Vec<(f64, f64)> = (0..totals.len())
        .filter_map(|i| {
            let (total, u, set) = value(i)?;
            let fixed = &rig.paths[i].fixed;
            let u = doubt(i, u, set) + fixed.ohms.get() * fixed.tolerance;
            Some((fixed.ohms.get() - total, u))
        })
        .collect();
    let rest = common(&differences);
    let anchor = differences
        .iter()
        .map(|(_, u)| *u)
        .fold(f64::INFINITY, f64::min);
    // What all have in common is the sense element and contacts, as far as the set-point is known.
    for (index, look) in totals.iter().enumerate() {
        let found = match (look, value(index)) {
            (None, _) => Found::Hidden("the supply's smallest step is too large for this path"),
            (_, None) => Found::Open,
            (_, Some((total, u, set))) => Found::Ohms(total + rest, doubt(index, u, set) + anchor),
        };
        let one = bank.judge(index, found);
        if !into.iter().any(|s| s.part == one.part) {
            into.push(one);
        }
    }
    Ok(())
}

/// Series bank: each element's relay released in turn, all others shorting theirs.
pub(super) async fn series<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let bank = Bank {
        name: "series",
        kind: Kind::InRow,
        elements: rig.series.iter().collect(),
    };
    let sense = rig.sense[base.sense].ohms.get();
    let all = loop_of(rig, base.path, base.sense);
    let open = rig.switch.bypass.map_or(all.clone(), |b| without(all, b));
    hands.step("series bank, all elements shorted");
    hands.put(open.clone()).await?;
    let Some(shorted) = hands.look(base.least, Seconds::ZERO).await? else {
        into.push(too_coarse("series bank"));
        return Ok(());
    };
    let Some((from, u_from)) = shorted.total(sense) else {
        let look_at = "several relays of the series bank do not close, or a wire between its \
                       elements is off";
        let expected = "current through the shorted elements";
        into.push(seen(
            "series bank",
            Verdict::Wrong,
            expected,
            "nothing flows",
            look_at,
        ));
        return Ok(());
    };
    let extra = from - base.total.0;
    let mut found = Vec::new();
    for (index, element) in rig.series.iter().enumerate() {
        hands.step(&bank.part(index));
        hands.put(without(open.clone(), element.channel)).await?;
        let look = hands.look(base.least, Seconds::ZERO).await?;
        found.push(
            match look.and_then(|look| Some((look.set, look.total(sense)?))) {
                None => Found::Open,
                Some((set, (total, u))) => {
                    let doubt = DOUBT * (u + u_from) + (total - from).abs() * base.share(rig, set);
                    Found::Ohms(total - from, doubt)
                }
            },
        );
    }
    let no_effect = |f: &Found| matches!(f, Found::Ohms(value, doubt) if value.abs() <= *doubt);
    if let Some(bypass) = rig.switch.bypass {
        if !found.is_empty() && found.iter().all(no_effect) {
            let look_at = format!("the bypass on channel {bypass} stays closed");
            let text = "no element of the series bank has any effect";
            into.push(seen(
                "bypass",
                Verdict::Wrong,
                "open when released",
                text,
                &look_at,
            ));
            return Ok(());
        }
        into.push(bypassed(rig, hands, base, bypass).await?);
    }
    let left_in = (extra > base.total.1).then_some(extra);
    let each = found.into_iter().enumerate();
    into.extend(each.map(|(index, found)| judged_element(&bank, index, found, left_in)));
    Ok(())
}

/// The verdict on a series element; `left_in` is what stays in the loop with all of them shorted, where
/// that is more than can be doubted.
fn judged_element(bank: &Bank<'_>, index: usize, found: Found, left_in: Option<f64>) -> Seen {
    let element = bank.elements[index];
    let stated = element.ohms.get();
    let mut one = bank.judge(index, found);
    let Found::Ohms(value, doubt) = found else {
        return one;
    };
    let same = |extra: &f64| (extra - stated).abs() <= stated * 0.05 + doubt;
    if let Some(extra) = left_in.filter(|extra| value.abs() <= doubt && same(extra)) {
        one.verdict = Verdict::Wrong;
        one.found = format!("always {} in the loop", ohms(extra));
        one.look_at = Some(format!(
            "the relay on channel {} does not close (coil, coil supply, wire)",
            element.channel
        ));
    } else if doubt > 0.3 * stated && one.verdict != Verdict::Wrong {
        one.verdict = Verdict::Unseen;
    }
    one
}

/// With every relay of the bank released the bypass alone shorts it.
pub(super) async fn bypassed<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    bypass: u32,
) -> Result<Seen, Fault> {
    let part = format!("bypass (channel {bypass})");
    hands.step(&part);
    let mut set = loop_of(rig, base.path, base.sense);
    for element in &rig.series {
        set.remove(&element.channel);
    }
    hands.put(set).await?;
    let look = hands.look(base.least, Seconds::ZERO).await?;
    let total = look.and_then(|look| look.total(rig.sense[base.sense].ohms.get()));
    let pots = rig.pots.as_ref();
    let pots = pots.map_or(Ohms::ZERO, |bank| bank.low(&bank.at_power_up()));
    let bank = pots.get() + rig.series.iter().map(|e| e.ohms.get()).sum::<f64>();
    let good = total.is_some_and(|(total, _)| total - base.total.0 < 0.5 * bank);
    let found = total.map_or("nothing flows".to_owned(), |(total, _)| {
        format!("{} in the loop", ohms(total))
    });
    let look_at = format!("the relay on channel {bypass} does not close");
    let expected = "shorts the whole series bank";
    Ok(seen(&part, judged(good), expected, &found, &look_at))
}

/// The source contact opens the loop, and so does the path's.
pub(super) async fn openings<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let all = loop_of(rig, base.path, base.sense);
    let path = rig.paths[base.path].fixed.channel;
    let source = rig.switch.source;
    let look_at = [
        format!("the source contact on channel {source} stays closed, or is bridged"),
        "the contact of a path stays closed, or a path is bridged".to_owned(),
    ];
    let parts = [
        format!("source contact (channel {source})"),
        "paths, all open".to_owned(),
    ];
    for ((part, channel), look_at) in parts.iter().zip([source, path]).zip(look_at) {
        hands.step(part);
        hands.put(without(all.clone(), channel)).await?;
        let look = hands
            .look(rig.sense[base.sense].low(), Seconds::ZERO)
            .await?;
        into.push(match look {
            None => too_coarse(part),
            Some(look) => opened(rig, base, part, &look, &look_at),
        });
    }
    Ok(())
}
