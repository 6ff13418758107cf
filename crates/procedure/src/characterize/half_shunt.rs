//! The half-shunt pair: unshunted first, then shunted at the same set-point, both from below;
//! then unshunted once more at the deflection that the shunted reading gave, so that the scale's
//! own error drops out.

use super::Depth;
use super::hand::Hand;
use super::sweep::up;
use crate::plan::Stopped;
use evidence::Purpose;
use quantity::Ohms;

/// Contact resistance may be this share of the shunt for the method to be worth its time.
const CONTACT_SHARE: f64 = 0.03;
/// A shunted needle nearer than this to its place without current tells nothing: a suppressed zero
/// or a stop may hold it there.
const LEAST_SHUNTED: f64 = 0.08;

/// Makes the pairs; none where contact resistance would decide the result, or the bank has no
/// value near the movement's resistance. The analysis says which.
pub(super) async fn pairs(hand: &mut Hand) -> Result<(), Stopped> {
    let Some(shunt) = hand.movement.and_then(|movement| choose(hand, movement)) else {
        return Ok(());
    };
    let times = if hand.depth == Depth::Full { 2 } else { 1 };
    for time in 0..times {
        hand.say("half-shunt", 0.84 + 0.06 * f64::from(time)).await;
        if !pair(hand, &shunt).await? {
            break;
        }
    }
    Ok(())
}

/// One pair; answers whether the shunted needle stood where it tells something.
async fn pair(hand: &mut Hand, shunt: &[usize]) -> Result<bool, Stopped> {
    hand.rest_at_zero().await?;
    up(hand, 0.97, 0.02, Purpose::Unshunted).await?;
    let (range, target) = (hand.range.clone(), hand.current);
    hand.rest_at_zero().await?;
    hand.arrange(range.clone(), shunt.to_vec()).await?;
    hand.drive(target).await?;
    let shunted = hand.settle(Purpose::Shunted).await?;
    hand.rest_at_zero().await?;
    hand.arrange(range, Vec::new()).await?;
    let tells = hand.law.above_zero(shunted) >= LEAST_SHUNTED;
    if tells {
        up(hand, shunted, 0.01, Purpose::Rising).await?;
    }
    Ok(tells)
}

/// Elements whose parallel value comes nearest to `movement`.
fn choose(hand: &Hand, movement: Ohms) -> Option<Vec<usize>> {
    let rig = &hand.rig;
    if rig.statement().half_shunt_contacts() / movement > CONTACT_SHARE {
        return None;
    }
    let mut order: Vec<usize> = (0..rig.shunt.len()).collect();
    order.sort_by(|a, b| {
        rig.shunt[*a]
            .ohms
            .get()
            .total_cmp(&rig.shunt[*b].ohms.get())
    });
    let wanted = 1.0 / movement.get();
    let (mut sum, mut chosen) = (0.0, Vec::new());
    for index in order {
        let conductance = 1.0 / rig.shunt[index].ohms.get();
        if sum + conductance <= wanted * 1.02 {
            sum += conductance;
            chosen.push(index);
        }
    }
    // Half deflection is best; between a third and two thirds the exact formula does as well.
    (sum > 0.55 * wanted).then_some(chosen)
}
