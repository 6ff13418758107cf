//! Creep: the current grows exponentially from first touch, watched all the time, until the first
//! sure sign of motion.

use super::hand::Hand;
use crate::needle::recent;
use crate::plan::{Answer, Stopped};
use evidence::Purpose;
use guard::{Proposal, Range, SURE_MOTION, Tick};
use quantity::{Amps, Seconds};

/// Deflection from zero at which creep ends: a little less than where growth does.
const SURE_SIGN: f64 = 0.0105;
/// Ramp of the very first touch: long enough to see a reversed movement go down before it is there.
const FIRST_RAMP: Seconds = Seconds::new(3.0);
/// Growth in one step that a person answers.
const ANSWERED: f64 = 2.0;
/// Growth in one step, at most; ten and more of them go on a second.
const STEP: f64 = 1.03;
/// Ramp back to the current that was let go, at first and at most.
const BACK: (Seconds, Seconds) = (Seconds::new(2.0), Seconds::new(64.0));
/// Steps without growth after which the needle must be looked at.
const STALLED: u32 = 40;

/// How one range ended.
enum End {
    Moved,
    Backwards,
    Top,
    Nothing(String),
}

/// Creeps until the needle moves. Answers why not when nothing moves it.
pub(super) async fn creep(hand: &mut Hand) -> Result<Option<String>, Stopped> {
    let ranges = hand.rig.creep_ranges();
    let mut flipped = false;
    for (number, range) in ranges.iter().enumerate() {
        hand.say("creep", 0.04 + 0.24 * number as f64 / ranges.len() as f64)
            .await;
        let mut end = in_range(hand, range, number == 0).await?;
        if matches!(end, End::Backwards) {
            if flipped {
                return Ok(Some(
                    "the needle goes below zero with either polarity".to_owned(),
                ));
            }
            flipped = true;
            flip(hand, range).await?;
            end = in_range(hand, range, false).await?;
        }
        match end {
            End::Moved => return Ok(None),
            End::Backwards => return Ok(Some("the needle goes below zero both ways".to_owned())),
            End::Nothing(reason) => return Ok(Some(reason)),
            End::Top => {}
        }
        if range.path == hand.rig.paths.len() - 1 && number + 1 == ranges.len() {
            break;
        }
        hand.drive_over(Amps::ZERO, Seconds::ZERO).await?;
    }
    Ok(Some(
        "nothing has moved up to the largest current of this rig".to_owned(),
    ))
}

/// Throws the polarity, at zero current.
async fn flip(hand: &mut Hand, range: &Range) -> Result<(), Stopped> {
    hand.lower().await?;
    hand.hold(Seconds::new(2.0)).await?;
    hand.reversed = !hand.reversed;
    hand.arrange(range.clone(), Vec::new()).await
}

async fn in_range(hand: &mut Hand, range: &Range, first: bool) -> Result<End, Stopped> {
    let before = hand.current.max(hand.report.allowance * 0.9).min(range.top);
    if hand.range != *range {
        hand.arrange(range.clone(), Vec::new()).await?;
    }
    let start = if first {
        hand.rig.limits.first_touch
    } else {
        before
    };
    let ramp = if first { FIRST_RAMP } else { Seconds::new(0.4) };
    if !forwards(hand, start, ramp).await? {
        return Ok(End::Backwards);
    }
    let mut seen: Vec<Tick> = Vec::new();
    let mut stalled = 0;
    let mut let_go_at = Amps::ZERO;
    let mut back = BACK.0;
    loop {
        seen.extend(&hand.report.ticks);
        seen.drain(..seen.len().saturating_sub(6));
        if hand.report.backwards {
            return Ok(End::Backwards);
        }
        if moved(hand, &seen, 4) {
            // Four sightings may share a disturbance; another half second has to confirm.
            let more = hand.hold(Seconds::new(0.5)).await?;
            if moved(hand, &more.ticks, 8) && stands(hand).await? {
                return Ok(End::Moved);
            }
        }
        if let Some(reason) = hand.report.quiet_end.clone() {
            // What a needle gives itself while it swings may have ended growth, and does so again
            // unless the way back is gentler.
            back = match hand.current > let_go_at * 1.002 {
                true => BACK.0,
                false => back * 2.0,
            };
            if back > BACK.1 {
                return Ok(End::Nothing(format!(
                    "{reason}; it was, again and again, and each time that came once more on the way back, \
                     however slow"
                )));
            }
            let_go_at = hand.current.max(let_go_at);
            match let_go(hand, back).await? {
                Some(end) => return Ok(end),
                None => continue,
            }
        }
        let target = hand.report.furthest.min(range.top);
        if hand.current >= range.top * 0.97 {
            // Both signs at each decade.
            if !hand.report.moved {
                wiggle(hand).await?;
            }
            return Ok(End::Top);
        }
        if stalled > STALLED {
            // Growth has ended because the needle is on its way, up or down.
            return Ok(match recent(&seen, 6).map(|d| hand.law.above_zero(d)) {
                Some(way) if way > SURE_SIGN && stands(hand).await? => End::Moved,
                Some(way) if way < -SURE_SIGN => End::Backwards,
                _ => End::Top,
            });
        }
        let before = hand.current;
        // Where growth was held up below what is allowed, the rest of the way is growth, too.
        let step = match hand.rig.asks_people() {
            true => ANSWERED,
            false => STEP,
        };
        let target = target.min(before.max(hand.rig.limits.first_touch * 0.1) * step);
        if !forwards(hand, target, Seconds::ZERO).await? {
            return Ok(End::Backwards);
        }
        // What counts is the current reached: the allowance may stay a little above it for ever.
        stalled = if hand.current > before * 1.002 {
            0
        } else {
            stalled + 1
        };
    }
}

/// Drives; answers no where the guard has seen that this needle goes the other way.
async fn forwards(hand: &mut Hand, target: Amps, over: Seconds) -> Result<bool, Stopped> {
    match hand.drive_over(target, over).await {
        Ok(_) => Ok(true),
        Err(Stopped::Refused(guard::Refusal::Backwards { .. })) => Ok(false),
        // It says so again as long as there is a reason.
        Err(Stopped::Refused(guard::Refusal::Quiet(_))) => {
            hand.hold(Seconds::new(1.0)).await?;
            Ok(true)
        }
        Err(stopped) => Err(stopped),
    }
}

/// Lets the needle settle; whether it then stands away from its zero, and the guard believes it.
async fn stands(hand: &mut Hand) -> Result<bool, Stopped> {
    let here = hand.settle(Purpose::Rising).await?;
    Ok(hand.report.moved && hand.law.above_zero(here) >= SURE_MOTION)
}

fn moved(hand: &Hand, ticks: &[Tick], most: usize) -> bool {
    recent(ticks, most).is_some_and(|d| hand.law.above_zero(d) > SURE_SIGN)
}

/// A polarity wiggle, where it is allowed.
async fn wiggle(hand: &mut Hand) -> Result<(), Stopped> {
    let answer: Answer = hand.voice.propose(Proposal::Wiggle).await;
    match answer {
        Ok(report) => {
            hand.report = report;
            Ok(())
        }
        // No polarity contact, or too large a drop; or too much deflection already to try the other
        // way: the needle is about to show itself.
        Err(
            guard::Refusal::Order(_) | guard::Refusal::Backwards { .. } | guard::Refusal::Quiet(_),
        ) => Ok(()),
        Err(refusal) => Err(refusal.into()),
    }
}

/// Lets the current go and comes back to it; answers how the range ends where growth may not go on.
async fn let_go(hand: &mut Hand, back: Seconds) -> Result<Option<End>, Stopped> {
    let before = hand.current;
    hand.report = hand.voice.propose(Proposal::LetGo).await?;
    hand.current = Amps::ZERO;
    if let Some(reason) = &hand.report.quiet_end {
        return Ok(Some(End::Nothing(reason.clone())));
    }
    if !forwards(hand, before, back).await? {
        return Ok(Some(End::Backwards));
    }
    // A needle that no picture shows raises the drop while it moves.
    hand.hold(Seconds::new(1.0)).await?;
    Ok(None)
}
