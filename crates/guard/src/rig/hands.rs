//! What of a rig may be by hand, and what then belongs together.

use super::RigError;
use super::file::{MeterFile, Reader, RigFile, Text};
use drivers::Resource;
use quantity::Seconds;

/// Who types readings of meters looks at the needle, too: a current that no meter watches grows only
/// as far as a person has answered for.
pub(super) fn fit_together(reader: &Reader<'_>, file: &RigFile) -> Result<(), RigError> {
    let (drop, over_sense) = (&file.meters.drop.resource, &file.meters.r#loop.resource);
    let hands = [by_hand(reader, drop)?, by_hand(reader, over_sense)?];
    if hands[0] != hands[1] {
        let one = if hands[0] { over_sense } else { drop };
        let message =
            "both meters are by hand, or neither: one meter in the hand reads both places";
        return Err(reader.error(one.span(), message));
    }
    if hands[0] && file.reader.kind.as_ref() != "person" {
        let message = "with meters by hand nothing is watched between two answers, so the needle is \
                       read by a person as well: kind = \"person\"";
        return Err(reader.error(file.reader.kind.span(), message));
    }
    only_where_it_can(reader, file)
}

/// What can't be by hand.
fn only_where_it_can(reader: &Reader<'_>, file: &RigFile) -> Result<(), RigError> {
    let pots = file
        .series
        .pots
        .as_ref()
        .map(|pots| &pots.get_ref().resource);
    let others = [
        ("the switch", Some(&file.switch.resource)),
        ("the bridge to the potentiometers", pots),
        ("the reader", file.reader.resource.as_ref()),
    ];
    for (role, text) in others {
        if let Some(text) = text
            && by_hand(reader, text)?
        {
            let message = format!(
                "{role} can't be by hand; the supply and the meters can, and the reader as \"person\""
            );
            return Err(reader.error(text.span(), message));
        }
    }
    Ok(())
}

fn by_hand(reader: &Reader<'_>, text: &Text) -> Result<bool, RigError> {
    Ok(reader.parse::<Resource>(text)? == Resource::ByHand)
}

/// Dialect and mains period of a meter; one in the hand has neither.
pub(super) fn meter_words(
    reader: &Reader<'_>,
    file: &MeterFile,
) -> Result<(String, Seconds), RigError> {
    let hand = by_hand(reader, &file.resource)?;
    match (&file.dialect, &file.mains) {
        (Some(text), _) | (None, Some(text)) if hand => {
            let message = "a meter by hand speaks on no wire; leave dialect and mains out";
            Err(reader.error(text.span(), message))
        }
        (None, None) if hand => Ok((String::new(), Seconds::ZERO)),
        (Some(dialect), Some(mains)) => Ok((dialect.as_ref().clone(), reader.positive(mains)?)),
        _ => {
            let message = "a meter needs dialect = \"…\" and mains = \"…\"";
            Err(reader.error(file.resource.span(), message))
        }
    }
}
