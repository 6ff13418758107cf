//! A series bank of potentiometers: each at its power-up code in turn, the others at code 0.

use super::banks::bypassed;
use super::{Base, judged, loop_of, seen, too_coarse, without};
use crate::fault::Fault;
use crate::rig::{PotBank, Rig};
use crate::wiring::bank::ohms;
use crate::wiring::hands::Hands;
use crate::wiring::look::DOUBT;
use crate::wiring::{Seen, Step, Verdict};
use quantity::{Ohms, Seconds};

pub(super) async fn pots<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    base: &Base,
    into: &mut Vec<Seen>,
) -> Result<(), Fault> {
    let (Some(bank), Some(bypass)) = (&rig.pots, rig.switch.bypass) else {
        return Ok(());
    };
    let none = vec![0; bank.pots.len()];
    hands.step("potentiometers, all at code 0");
    hands
        .put(without(loop_of(rig, base.path, base.sense), bypass))
        .await?;
    hands.codes(&none).await?;
    let sense = rig.sense[base.sense].ohms.get();
    let Some(look) = hands.look(base.least, Seconds::ZERO).await? else {
        into.push(too_coarse("potentiometers"));
        return Ok(());
    };
    let from = look.total(sense);
    for (index, pot) in bank.pots.iter().enumerate() {
        let part = format!("potentiometer {} ({})", pot.number, pot.ohms);
        hands.step(&part);
        let mut codes = none.clone();
        codes[index] = bank.power_up;
        hands.codes(&codes).await?;
        let to = hands.look(base.least, Seconds::ZERO).await?;
        let to = to.and_then(|look| Some((look.set, look.total(sense)?)));
        let found = from.zip(to).map(|((from, u), (set, (to, also)))| {
            let doubt = DOUBT * (u + also) + (to - from).abs() * base.share(rig, set);
            (to - from, doubt)
        });
        into.push(one(bank, &part, (&codes, &none), found));
    }
    hands.codes(&[]).await?;
    into.push(bypassed(rig, hands, base, bypass).await?);
    Ok(())
}

/// The verdict on the difference between two settings of the bank, in Ω with its doubt; none where no
/// current flows.
fn one(
    bank: &PotBank,
    part: &str,
    (to, from): (&[u16], &[u16]),
    found: Option<(f64, f64)>,
) -> Seen {
    let least = bank.low(to) - bank.high(from);
    let most = bank.high(to) - bank.low(from);
    let stated = bank.stated(to);
    let expected = format!("{stated} more, within {} … {most}", least.max(Ohms::ZERO));
    let look_at = "the potentiometer's number at the bridge, its supply, and its wires; in the \
                   file: its resistance";
    match found {
        None => {
            let look_at = "a wire between the potentiometers, or a wiper, is off";
            seen(part, Verdict::Wrong, &expected, "nothing flows", look_at)
        }
        Some((value, doubt)) => {
            let good = value + doubt >= least.get() && value - doubt <= most.get();
            seen(part, judged(good), &expected, &ohms(value), look_at)
        }
    }
}
