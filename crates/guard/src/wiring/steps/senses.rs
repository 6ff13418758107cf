//! The sense bank, which everything else is measured with.

use super::{Base, contacts, loop_of, path_bank, seen, too_coarse, with};
use crate::fault::Fault;
use crate::rig::Rig;
use crate::wiring::bank::{Bank, Found, Kind, ohms};
use crate::wiring::hands::Hands;
use crate::wiring::look::{DOUBT, Look, Solved, doubt_of_set, solve};
use crate::wiring::{Seen, Step, Verdict};
use quantity::{Ohms, Seconds};

/// A sense element whose reading is expected above so many standard uncertainties has a value.
const READABLE: f64 = 60.0;
/// The supply's step is known to this share, once worked out from two sense elements.
const SOLVED: f64 = 3e-3;
/// A reading that falls below this share shows that another sense element conducts beside it.
const FALLS_TO: f64 = 0.5;

/// Sense bank, over the lightest path, which limits the current whatever else is wrong.
pub(super) async fn senses<T: FnMut(&Step)>(
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
    let readings = readings(rig, &readable, &looks);
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
        let found = match readable.contains(&index) {
            true => found(look, &solved),
            false => Found::Hidden("too small to be read at this current"),
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
    let unread = |index: &usize| !readable.contains(index);
    for index in (0..looks.len()).filter(unread) {
        if let Some(found) = beside(rig, hands, (sense, &looks[sense]), index).await? {
            into[index] = bank.judge(index, found);
        }
    }
    if (solved.path - path).abs() > doubt {
        into.push(wrong_first_path(rig, solved.path, doubt));
    }
    hands.shift = solved.volts - set;
    let least = rig.paths[0].fixed.low().min(Ohms::new(solved.path)) + rig.sense[sense].low();
    let total = lightest_loop(rig, hands, sense, least).await?;
    Ok(total.map(|total| Base {
        path: 0,
        sense,
        total,
        least,
        rest,
        negative,
    }))
}

/// The loop over the lightest path with the series bank shorted, and its doubt, Ω.
async fn lightest_loop<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    sense: usize,
    least: Ohms,
) -> Result<Option<(f64, f64)>, Fault> {
    hands.put(loop_of(rig, 0, sense)).await?;
    let look = hands.look(least, Seconds::ZERO).await?;
    let total = look.and_then(|look| look.total(rig.sense[sense].ohms.get()));
    Ok(total.map(|(total, u)| (total, DOUBT * u)))
}

/// Stated ohms of each sense element that carries a current, volts over it, and their standard
/// uncertainty.
fn readings(rig: &Rig, readable: &[usize], looks: &[Look]) -> Vec<(f64, f64, f64)> {
    let flowing = readable.iter().filter(|&&i| looks[i].flows());
    let reading = |&i: &usize| {
        let (volts, u) = looks[i].over_sense;
        let tolerance = volts.abs() * rig.sense[i].tolerance;
        (rig.sense[i].ohms.get(), volts.abs(), u + tolerance / DOUBT)
    };
    flowing.map(reading).collect()
}

/// What a look shows of its sense element.
fn found(look: &Look, solved: &Solved) -> Found {
    if !look.flows() {
        return Found::Open;
    }
    let volts = look.over_sense.0.abs();
    let value = solved.sense(volts);
    Found::Ohms(
        value,
        DOUBT * value * look.over_sense.1 / volts + value * 2e-3,
    )
}

/// An element too small to be read takes the current from a good one beside it, if it conducts.
async fn beside<T: FnMut(&Step)>(
    rig: &Rig,
    hands: &mut Hands<'_, T>,
    (good, alone): (usize, &Look),
    index: usize,
) -> Result<Option<Found>, Fault> {
    let both = with(loop_of(rig, 0, good), [rig.sense[index].channel]);
    hands.put(both).await?;
    let least = rig.paths[0].fixed.low();
    let look = hands.look(least, Seconds::ZERO).await?;
    Ok(look.map(|look| {
        let falls = look.over_sense.0.abs() < FALLS_TO * alone.over_sense.0.abs();
        if falls { Found::Conducts } else { Found::Open }
    }))
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
