//! The steps of the check, from what everything else leans on to what leans on everything.

use super::bank::{Bank, Found, Kind, common, ohms};
use super::hands::{Hands, NEEDLE};
use super::look::{DOUBT, Look, doubt_of_set, level, solve};
use super::{Seen, Step, Verdict};
use crate::fault::Fault;
use crate::rig::{Element, Rig};
use quantity::{Ohms, Seconds};
use std::collections::BTreeSet;

/// A sense element whose reading is expected above so many standard uncertainties has a value.
const READABLE: f64 = 60.0;
/// The supply's step is known to this share, once worked out from two sense elements.
const SOLVED: f64 = 3e-3;
/// A reading that falls below this share shows that another sense element conducts beside it.
const FALLS_TO: f64 = 0.5;

/// What the steps lean on.
struct Base {
    path: usize,
    sense: usize,
    /// Measured loop with the series bank shorted, and its doubt, Ω.
    total: (f64, f64),
    /// Least loop resistance that is verified.
    least: Ohms,
    /// Doubt that is left about the supply's step, V.
    rest: f64,
    /// The loop meter reads the wrong way round.
    negative: bool,
}

impl Base {
    /// Share by which a difference of resistances may be off, at this step of the supply.
    fn share(&self, rig: &Rig, set: f64) -> f64 {
        rig.supply.accuracy + (self.rest + 0.5 * rig.supply.resolution.get()) / set
    }
}

/// All steps. Ends early where nothing further can be told.
pub(super) async fn all<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let banks = rig.sense.len() + rig.paths.len() + rig.series.len() + rig.shunt.len();
    hands.expect(banks + 8);
    let Some(base) = senses(rig, hands, into).await? else {
        let found = "everything else leans on this; check again once it is right";
        into.push(seen("all other parts", Verdict::Unseen, "", found, ""));
        return Ok(());
    };
    paths(rig, hands, &base, into).await?;
    series(rig, hands, &base, into).await?;
    openings(rig, hands, &base, into).await?;
    if short_and_switch(rig, hands, &base, into).await? {
        shunts(rig, hands, &base, into).await?;
        movement(rig, hands, &base, into).await?;
    }
    hands.put(BTreeSet::new()).await
}

/// A path and a sense element in the loop, the series bank shorted, the short closed.
fn loop_of(rig: &Rig, path: usize, sense: usize) -> BTreeSet<u32> {
    let mut set = BTreeSet::from([rig.switch.source, rig.paths[path].fixed.channel]);
    set.insert(rig.sense[sense].channel);
    set.extend(rig.series.iter().map(|e| e.channel));
    set.extend(rig.switch.bypass);
    set
}

fn with(mut set: BTreeSet<u32>, channels: impl IntoIterator<Item = u32>) -> BTreeSet<u32> {
    set.extend(channels);
    set
}

fn without(mut set: BTreeSet<u32>, channel: u32) -> BTreeSet<u32> {
    set.remove(&channel);
    set
}

fn seen(part: &str, verdict: Verdict, expected: &str, found: &str, look_at: &str) -> Seen {
    Seen {
        part: part.to_owned(),
        verdict,
        expected: expected.to_owned(),
        found: found.to_owned(),
        look_at: (verdict == Verdict::Wrong).then(|| look_at.to_owned()),
    }
}

fn judged(good: bool) -> Verdict {
    if good { Verdict::Good } else { Verdict::Wrong }
}

fn too_coarse(part: &str) -> Seen {
    let found = "the supply's smallest step drives more than the first touch through this loop";
    seen(part, Verdict::Unseen, "a current to look at", found, "")
}

/// Sense bank, over the lightest path, which limits the current whatever else is wrong.
#[allow(
    clippy::too_many_lines,
    reason = "one measurement after another, read from top to bottom"
)]
async fn senses<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    into: &mut Vec<Seen>,
) -> Result<Option<Base>, Fault> {
    let path = rig.paths[0].fixed.ohms.get();
    let least = rig.paths[0].fixed.low();
    let bank = Bank {
        name: "sense",
        kind: Kind::Beside,
        elements: rig.sense.iter().collect(),
    };
    let mut looks = Vec::new();
    for index in 0..rig.sense.len() {
        hands.step(&bank.part(index));
        hands.put(loop_of(rig, 0, index)).await?;
        let Some(look) = hands.look(least, Seconds::ZERO).await? else {
            into.push(too_coarse("sense bank"));
            return Ok(None);
        };
        looks.push(look);
    }
    let expected = |i: usize| {
        let sense = rig.sense[i].ohms.get();
        looks[i].set * sense / (path + sense)
    };
    let readable: Vec<usize> = (0..looks.len())
        .filter(|&i| expected(i) > READABLE * looks[i].over_sense.1)
        .collect();
    if !readable.iter().any(|&i| looks[i].flows()) {
        into.push(nothing(rig, hands, &readable, &looks).await?);
        return Ok(None);
    }
    let backwards = |&&i: &&usize| looks[i].flows() && looks[i].over_sense.0 < 0.0;
    let negative = readable.iter().filter(backwards).count() * 2 > readable.len();
    let flowing = readable.iter().copied().filter(|&i| looks[i].flows());
    let readings: Vec<(f64, f64, f64)> = flowing
        .map(|i| {
            let (volts, u) = looks[i].over_sense;
            let tolerance = volts.abs() * rig.sense[i].tolerance;
            (rig.sense[i].ohms.get(), volts.abs(), u + tolerance / DOUBT)
        })
        .collect();
    let set = looks[0].set;
    let of_set = doubt_of_set(rig, set);
    let tolerance = path * rig.paths[0].fixed.tolerance + contacts(rig);
    let Some(solved) = solve(&readings, (path, tolerance), (set, of_set)) else {
        return Ok(None);
    };
    // Without two elements to compare, the voltage is as good as its set-point.
    let rest = if readings.len() > 1 {
        set * SOLVED
    } else {
        of_set
    };
    let doubt = tolerance + path * rest / set;
    let mut reference = None;
    for (index, look) in looks.iter().enumerate() {
        let found = if !readable.contains(&index) {
            Found::Hidden("too small to be read at this current")
        } else if !look.flows() {
            Found::Open
        } else {
            let volts = look.over_sense.0.abs();
            let value = solved.sense(volts);
            let doubt = DOUBT * value * look.over_sense.1 / volts + value * 2e-3;
            Found::Ohms(value, doubt)
        };
        let one = bank.judge(index, found);
        if one.verdict == Verdict::Good && reference.is_none() {
            reference = Some(index);
        }
        into.push(one);
    }
    let Some(sense) = reference else {
        return Ok(None);
    };
    for index in (0..looks.len()).filter(|i| !readable.contains(i)) {
        hands
            .put(with(loop_of(rig, 0, sense), [rig.sense[index].channel]))
            .await?;
        if let Some(beside) = hands.look(least, Seconds::ZERO).await? {
            let falls = beside.over_sense.0.abs() < FALLS_TO * looks[sense].over_sense.0.abs();
            let found = if falls { Found::Conducts } else { Found::Open };
            into[index] = bank.judge(index, found);
        }
    }
    if (solved.path - path).abs() > doubt {
        into.push(wrong_first_path(rig, solved.path, doubt));
    }
    hands.shift = solved.volts - set;
    let least = rig.paths[0].fixed.low().min(Ohms::new(solved.path)) + rig.sense[sense].low();
    hands.put(loop_of(rig, 0, sense)).await?;
    let look = hands.look(least, Seconds::ZERO).await?;
    let total = look.and_then(|look| look.total(rig.sense[sense].ohms.get()));
    Ok(total.map(|(total, u)| Base {
        path: 0,
        sense,
        total: (total, DOUBT * u),
        least,
        rest,
        negative,
    }))
}

/// Contacts in the loop at most, Ω.
fn contacts(rig: &Rig) -> f64 {
    let one = rig.switch.contact.get();
    let bank = match rig.switch.bypass {
        Some(_) => 1.0,
        None => rig.series.len() as f64,
    };
    one * (bank + 4.0) + rig.switch.main_contact.get() * 2.0
}

fn wrong_first_path(rig: &Rig, found: f64, doubt: f64) -> Seen {
    let bank = path_bank(rig);
    let mut one = bank.judge(0, Found::Ohms(found, 0.01 * found));
    let extra = found - rig.paths[0].fixed.ohms.get();
    let dead = rig
        .series
        .iter()
        .find(|e| (extra - e.ohms.get()).abs() < 0.03 * e.ohms.get() + doubt);
    if let (Some(element), None) = (dead, rig.switch.bypass) {
        one.look_at = Some(format!(
            "it looks as if the relay on channel {} does not close, which leaves its {} in the loop",
            element.channel,
            ohms(element.ohms.get())
        ));
    }
    one
}

fn path_bank(rig: &Rig) -> Bank<'_> {
    Bank {
        name: "path",
        kind: Kind::Beside,
        elements: rig.paths.iter().map(|p| &p.fixed).collect(),
    }
}

/// Nothing is read over any sense element: why?
async fn nothing<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    readable: &[usize],
    looks: &[Look],
) -> Result<Seen, Fault> {
    let expected = "a current in the loop, read by the loop meter";
    if readable.iter().any(|&i| looks[i].drops()) {
        let found = "the loop meter reads nothing, and the drop meter what the loop meter should";
        let look_at = "the two meters look swapped: exchange their resources in [meters.drop] and \
                       [meters.loop], or their leads";
        return Ok(seen("meters", Verdict::Wrong, expected, found, look_at));
    }
    let Some(&sense) = readable.first() else {
        return Ok(too_coarse("sense bank"));
    };
    for index in 1..rig.paths.len() {
        hands.put(loop_of(rig, index, sense)).await?;
        let least = rig.paths[index].fixed.low() + rig.sense[sense].low();
        let look = hands.look(least, Seconds::ZERO).await?;
        if look.is_some_and(|look| look.flows()) {
            return Ok(path_bank(rig).judge(0, Found::Open));
        }
    }
    let (source, short) = (rig.switch.source, rig.switch.short);
    let look_at = format!(
        "the supply's leads and output; the source contact (channel {source}) does not close; the \
         short (channel {short}) is not closed at rest; a sense relay stays closed; the loop meter's \
         leads; the coil supply of the relays"
    );
    let found = "nothing flows over any path and any sense element";
    Ok(seen("loop", Verdict::Wrong, expected, found, &look_at))
}

/// Paths, by what differs between them: set-point and sense element are common to all.
async fn paths<T: FnMut(&Step)>(
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
#[allow(
    clippy::too_many_lines,
    reason = "one measurement after another, read from top to bottom"
)]
async fn series<T: FnMut(&Step)>(
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
    for (index, found) in found.into_iter().enumerate() {
        let element = &rig.series[index];
        let stated = element.ohms.get();
        let mut one = bank.judge(index, found);
        if let Found::Ohms(value, doubt) = found {
            let hidden = doubt > 0.3 * stated;
            let left_in = (extra - stated).abs() <= stated * 0.05 + doubt;
            if value.abs() <= doubt && left_in && extra > base.total.1 {
                one.verdict = Verdict::Wrong;
                one.found = format!("always {} in the loop", ohms(extra));
                one.look_at = Some(format!(
                    "the relay on channel {} does not close (coil, coil supply, wire)",
                    element.channel
                ));
            } else if hidden && one.verdict != Verdict::Wrong {
                one.verdict = Verdict::Unseen;
            }
        }
        into.push(one);
    }
    Ok(())
}

/// With every relay of the bank released the bypass alone shorts it.
async fn bypassed<T: FnMut(&Step)>(
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
    let bank: f64 = rig.series.iter().map(|e| e.ohms.get()).sum();
    let good = total.is_some_and(|(total, _)| total - base.total.0 < 0.5 * bank);
    let found = total.map_or("nothing flows".to_owned(), |(total, _)| {
        format!("{} in the loop", ohms(total))
    });
    let look_at = format!("the relay on channel {bypass} does not close");
    let expected = "shorts the whole series bank";
    Ok(seen(&part, judged(good), expected, &found, &look_at))
}

/// The source contact opens the loop, and so does the path's.
async fn openings<T: FnMut(&Step)>(
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

fn opened(rig: &Rig, base: &Base, part: &str, look: &Look, look_at: &str) -> Seen {
    let found = match look.total(rig.sense[base.sense].ohms.get()) {
        None => "nothing flows".to_owned(),
        Some((total, _)) => format!("current flows, as through {}", ohms(total)),
    };
    let verdict = judged(!look.flows());
    seen(part, verdict, "opens the loop", &found, look_at)
}

/// With the short open and nothing else across it, nothing flows. Says whether that is so.
async fn short_and_switch<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    into: &mut Vec<Seen>,
) -> Result<bool, Fault> {
    let (short, switch) = (rig.switch.short, rig.switch.movement);
    let part = format!("short (channel {short}) and movement switch (channel {switch})");
    hands.step(&part);
    hands
        .put(with(loop_of(rig, base.path, base.sense), [short]))
        .await?;
    let Some(look) = hands.look(base.least, Seconds::ZERO).await? else {
        into.push(too_coarse(&part));
        return Ok(false);
    };
    let across = look
        .total(rig.sense[base.sense].ohms.get())
        .map(|(total, u)| (total - base.total.0, DOUBT * u + base.total.1));
    let look_at = match across {
        Some((ohms, doubt)) if ohms.abs() <= doubt + contacts(rig) => {
            format!("the short on channel {short} does not open")
        }
        _ if look.drops() => format!("the movement switch on channel {switch} stays closed"),
        _ => "the shunt switch stays closed, or the movement switch, or the short leaks".to_owned(),
    };
    let found = across.map_or("nothing flows".to_owned(), |(value, _)| {
        format!("current flows, as through {} across the short", ohms(value))
    });
    let expected = "open, both, when the short's relay is energised";
    into.push(seen(
        &part,
        judged(!look.flows()),
        expected,
        &found,
        &look_at,
    ));
    Ok(!look.flows())
}

/// Shunt bank, in place of the short.
async fn shunts<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let Some(switch) = rig.switch.shunt.filter(|_| !rig.shunt.is_empty()) else {
        return Ok(());
    };
    let sense = rig.sense[base.sense].ohms.get();
    let open = with(loop_of(rig, base.path, base.sense), [rig.switch.short]);
    let part = format!("shunt switch (channel {switch})");
    hands.step(&part);
    let all = rig.shunt.iter().map(|e: &Element| e.channel);
    hands.put(with(open.clone(), all)).await?;
    if let Some(look) = hands.look(base.least, Seconds::ZERO).await? {
        let look_at = format!("the relay on channel {switch} stays closed");
        into.push(opened(rig, base, &part, &look, &look_at));
    }
    let bank = Bank {
        name: "shunt",
        kind: Kind::Beside,
        elements: rig.shunt.iter().collect(),
    };
    let mut found = Vec::new();
    for (index, element) in rig.shunt.iter().enumerate() {
        hands.step(&bank.part(index));
        hands
            .put(with(open.clone(), [switch, element.channel]))
            .await?;
        let look = hands.look(base.least, Seconds::ZERO).await?;
        found.push(
            match look.and_then(|look| Some((look.set, look.total(sense)?))) {
                None => Found::Open,
                Some((set, (total, u))) => {
                    let value = total - base.total.0;
                    let doubt = DOUBT * u + base.total.1 + value.abs() * base.share(rig, set);
                    Found::Ohms(value, doubt + rig.switch.contact.get())
                }
            },
        );
    }
    if found.iter().all(|f| *f == Found::Open) {
        let look_at = format!("the relay on channel {switch} does not close");
        let text = "nothing flows through any shunt element";
        into.push(seen(&part, Verdict::Wrong, "closes", text, &look_at));
        return Ok(());
    }
    let each = found.into_iter().enumerate();
    into.extend(each.map(|(index, found)| bank.judge(index, found)));
    Ok(())
}

/// The movement switch, the drop meter and the polarity, with the first touch at most in whatever
/// is in the berth.
async fn movement<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let part = format!("movement switch (channel {})", rig.switch.movement);
    hands.step(&part);
    let open = with(loop_of(rig, base.path, base.sense), [rig.switch.short]);
    let connected = with(open, [rig.switch.movement]);
    hands.put(connected.clone()).await?;
    let Some(look) = hands.look(base.least, NEEDLE).await? else {
        into.push(too_coarse(&part));
        return Ok(());
    };
    let total = look.total(rig.sense[base.sense].ohms.get());
    let closes = look.flows() || look.drops();
    let found = match total {
        Some((total, _)) => format!(
            "a movement of about {}",
            ohms((total - base.total.0).max(0.0))
        ),
        None if closes => {
            "nothing flows, but the drop meter shows the supply's voltage: the berth \
                           is empty or its movement is open"
                .to_owned()
        }
        None => "nothing flows, and the drop meter shows nothing".to_owned(),
    };
    let look_at = format!(
        "the relay on channel {} does not close; or the berth is empty and a lead of the drop meter \
         is off",
        rig.switch.movement
    );
    let expected = "connects what is in the berth";
    into.push(seen(&part, judged(closes), expected, &found, &look_at));
    into.push(directions(base, &look));
    let Some(reverse) = rig.switch.reverse else {
        return Ok(());
    };
    let part = format!("polarity (channel {reverse})");
    hands.step(&part);
    hands.put(with(connected, [reverse])).await?;
    let Some(turned) = hands.look(base.least, NEEDLE).await? else {
        return Ok(());
    };
    let expected = "turns the voltage across the movement";
    into.push(match (look.drops(), turned.drops()) {
        (true, true) if look.drop.0 * turned.drop.0 < 0.0 => {
            seen(&part, Verdict::Good, expected, "it turns", "")
        }
        (true, _) => {
            let look_at = format!("the relay on channel {reverse} does not move");
            let found = if turned.drops() {
                "it stays as it is"
            } else {
                "it vanishes"
            };
            seen(&part, Verdict::Wrong, expected, found, &look_at)
        }
        (false, _) => {
            let found = "this movement drops too little to be seen at this current";
            seen(&part, Verdict::Unseen, expected, found, "")
        }
    });
    Ok(())
}

/// Which way round the two meters and the supply are.
fn directions(base: &Base, look: &Look) -> Seen {
    let sign = |value: f64| if value < 0.0 { "negative" } else { "positive" };
    let part = "leads of supply and meters";
    let expected = "both meters positive";
    let loop_reads = if base.negative {
        "negative"
    } else {
        "positive"
    };
    if !look.drops() {
        let found = format!("loop meter {loop_reads}; this movement drops too little to be seen");
        let look_at = "the two leads of the loop meter, or those of the supply, look swapped";
        let verdict = if base.negative {
            Verdict::Wrong
        } else {
            Verdict::Unseen
        };
        return seen(part, verdict, expected, &found, look_at);
    }
    let found = format!("loop meter {loop_reads}, drop meter {}", sign(look.drop.0));
    let look_at = match (base.negative, look.drop.0 < 0.0) {
        (true, true) => "the two leads of the supply look swapped",
        (true, false) => "the two leads of the loop meter look swapped",
        _ => "the two leads of the drop meter look swapped",
    };
    let good = !base.negative && look.drop.0 > 0.0;
    seen(part, judged(good), expected, &found, look_at)
}
