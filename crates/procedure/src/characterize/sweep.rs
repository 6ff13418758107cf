//! The sweep over the scale, up and down, and the repeats at the full-scale mark.

use super::Depth;
use super::hand::Hand;
use crate::plan::Stopped;
use evidence::Purpose;
use quantity::Amps;

/// How far above the full-scale mark the needle goes, so that it can come down to it.
const TOP: f64 = 1.0125;
/// Where a repeat starts from.
const BELOW: f64 = 0.94;
/// Where it is not worth while to go on from.
const FAR_BELOW: f64 = 0.8;
/// How near to the full-scale mark a rest must be.
const AT_MARK: f64 = 0.006;
/// How near elsewhere.
const NEAR_MARK: f64 = 0.03;

/// Moves to the range that the full-scale current asks for.
pub(super) async fn final_range(hand: &mut Hand) -> Result<(), Stopped> {
    hand.say("range", 0.42).await;
    let mut nothing_flows = 0;
    for better in [0.35, 0.5, 0.65, 0.8] {
        let Some(full_scale) = hand.law.full_scale() else {
            break;
        };
        let top = full_scale * 1.12;
        // The estimate may be some percent too low this early.
        let fits = hand.range.top >= full_scale * 1.06 && hand.range.top <= full_scale * 1.5;
        if fits && hand.law.last().is_some_and(|(_, d)| d > 0.18) {
            return Ok(());
        }
        let other = hand.range_up_to(top).filter(|_| !fits);
        match other {
            Some(range) if range.top >= full_scale * 0.98 => {
                hand.change_range(range).await?;
                hand.settle(Purpose::Rising).await?;
                if hand.law.last().is_some_and(|(_, d)| d > 0.18) {
                    return Ok(());
                }
            }
            Some(range) if range.top > hand.range.top => hand.change_range(range).await?,
            _ => {}
        }
        // A better estimate first.
        let next = hand
            .law
            .current_for(better)
            .unwrap_or(Amps::ZERO)
            .min(hand.range.top);
        hand.drive(next).await?;
        hand.settle(Purpose::Rising).await?;
        // In no range can the supply make as little as is permitted.
        nothing_flows = if hand.current > Amps::ZERO {
            0
        } else {
            nothing_flows + 1
        };
        if nothing_flows == 2 {
            return Err(no_further(hand, hand.here));
        }
    }
    let full_scale = hand.law.full_scale().unwrap_or(Amps::ZERO);
    if hand.range.top < full_scale * 0.97 {
        let text = format!(
            "full scale is near {full_scale}, beyond the {} this rig may use here",
            hand.range.top
        );
        return Err(Stopped::Because(text));
    }
    Ok(())
}

/// All marks up, a little above full scale, all marks down.
pub(super) async fn scale(hand: &mut Hand) -> Result<(), Stopped> {
    let marks: &[f64] = match hand.depth {
        Depth::Full => &[0.35, 0.5, 0.65, 0.8],
        Depth::Quick => &[0.5, 0.8],
    };
    for (number, mark) in marks.iter().enumerate() {
        hand.say("scale, rising", 0.46 + 0.02 * number as f64).await;
        up(hand, *mark, NEAR_MARK, Purpose::Rising).await?;
    }
    let here = up(hand, BELOW, NEAR_MARK, Purpose::Rising).await?;
    if here < FAR_BELOW {
        return Err(no_further(hand, here));
    }
    at_full_scale(hand).await?;
    for (number, mark) in marks.iter().rev().enumerate() {
        hand.say("scale, falling", 0.58 + 0.02 * number as f64)
            .await;
        down(hand, *mark, NEAR_MARK).await?;
    }
    Ok(())
}

fn no_further(hand: &Hand, here: f64) -> Stopped {
    Stopped::Because(format!(
        "the needle came to {:.1} % of scale, and nothing that is permitted brings it further; one step \
         of the supply is {}, which may be too much for this movement in any range of this rig",
        here * 100.0,
        hand.rig.supply.resolution
    ))
}

/// Full scale from below and from above, again and again.
pub(super) async fn repeats(hand: &mut Hand) -> Result<(), Stopped> {
    let times = if hand.depth == Depth::Full { 3 } else { 1 };
    for time in 0..times {
        hand.say("full scale again", 0.68 + 0.05 * f64::from(time))
            .await;
        if hand.here > BELOW {
            down(hand, BELOW, 0.02).await?;
        } else {
            up(hand, BELOW, 0.02, Purpose::Rising).await?;
        }
        at_full_scale(hand).await?;
    }
    Ok(())
}

/// The full-scale mark from below, past it, and from above.
async fn at_full_scale(hand: &mut Hand) -> Result<(), Stopped> {
    hand.say("full scale", 0.56).await;
    up(hand, 1.0, AT_MARK, Purpose::Rising).await?;
    up(hand, TOP, AT_MARK, Purpose::Watch).await?;
    down(hand, 1.0, AT_MARK).await
}

/// Up to `mark`, in as many moves as it takes; never down.
pub(super) async fn up(
    hand: &mut Hand,
    mark: f64,
    near: f64,
    purpose: Purpose,
) -> Result<f64, Stopped> {
    let mut here = f64::NEG_INFINITY;
    for _ in 0..5 {
        let target = hand.law.current_for(mark).unwrap_or(Amps::ZERO);
        if target <= hand.current && here > f64::NEG_INFINITY {
            break;
        }
        // The range was chosen by what was seen from farther below. What another one lets flow has to be
        // seen first, so near to the top.
        if hand.reach(target, TOP).await? {
            hand.settle(Purpose::Watch).await?;
        }
        let before = hand.current;
        hand.drive(target.max(before)).await?;
        here = hand.settle(purpose).await?;
        // What the supply's next step would bring may be more than is allowed.
        if here >= mark - near || hand.current < before * 1.0005 {
            break;
        }
    }
    Ok(here)
}

/// Down to `mark`, in as many moves as it takes; never up.
async fn down(hand: &mut Hand, mark: f64, near: f64) -> Result<(), Stopped> {
    let mut here = hand.here;
    let mut extra = hand.dead_band;
    for _ in 0..8 {
        let Some(slope) = hand.law.slope() else { break };
        let step = slope * (here - mark) + extra;
        extra = Amps::ZERO;
        let (from, at) = (hand.current, here);
        hand.drive((hand.current - step).max(Amps::ZERO)).await?;
        here = hand.settle(Purpose::Falling).await?;
        // What the current fell without the needle following is the dead band of friction.
        let lost = (from - hand.current) - slope * (at - here);
        hand.dead_band = (hand.dead_band + lost).max(Amps::ZERO).min(slope * 0.05);
        if here <= mark + near {
            break;
        }
    }
    Ok(())
}
