//! What stands across the movement, and the movement itself.

use super::{Base, contacts, judged, loop_of, opened, seen, too_coarse, with};
use crate::fault::Fault;
use crate::rig::{Element, Rig};
use crate::wiring::bank::{Bank, Found, Kind, ohms};
use crate::wiring::hands::{Hands, NEEDLE};
use crate::wiring::look::{DOUBT, Look};
use crate::wiring::{Seen, Step, Verdict};
use quantity::Seconds;

/// With the short open and nothing else across it, nothing flows. Says whether that is so.
pub(super) async fn short_and_switch<T: FnMut(&Step)>(
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
pub(super) async fn shunts<T: FnMut(&Step)>(
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
pub(super) async fn movement<T: FnMut(&Step)>(
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
