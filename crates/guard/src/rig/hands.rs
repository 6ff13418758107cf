//! What of a rig may be by hand, and what then belongs together.

use super::file::{MeterFile, RangeFile, Reader, RigFile, SwitchFile, Text};
use super::{Element, Rig, RigError};
use drivers::Resource;
use quantity::{Ohms, Seconds, Volts};

/// What a plugged lead is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Both leads of the supply.
    Source,
    /// The clip across the movement's terminals, which is taken off where the others are plugged.
    Short,
    /// The movement's lead.
    Movement,
    /// The lead of all shunt resistors together.
    Shunt,
    /// The movement's two leads crossed.
    Reverse,
    /// A bridge over the whole series bank.
    Bypass,
    /// A path's fixed resistor.
    Fixed,
    /// A bridge over one series resistor.
    Series,
    /// A sense resistor.
    Sense,
    /// A shunt resistor.
    ShuntElement,
}

/// A lead that a person plugs and pulls.
#[derive(Clone, Debug, PartialEq)]
pub struct Lead {
    /// Number on its tag.
    pub channel: u32,
    /// What it is for.
    pub part: Part,
    /// The resistor that it puts in, or bridges, with its tolerance as a fraction.
    pub resistor: Option<(Ohms, f64)>,
}

impl Rig {
    /// All leads, in the order in which they are best plugged.
    pub fn leads(&self) -> Vec<Lead> {
        let plain = |part, channel: Option<u32>| {
            channel.map(|channel| Lead {
                channel,
                part,
                resistor: None,
            })
        };
        let element = |part| {
            move |e: &Element| Lead {
                channel: e.channel,
                part,
                resistor: Some((e.ohms, e.tolerance)),
            }
        };
        let s = &self.switch;
        let fixed = self.paths.iter().map(|path| &path.fixed);
        let ends = [
            plain(Part::Shunt, s.shunt),
            plain(Part::Bypass, s.bypass),
            plain(Part::Reverse, s.reverse),
            plain(Part::Movement, Some(s.movement)),
            plain(Part::Source, Some(s.source)),
            plain(Part::Short, Some(s.short)),
        ];
        let banks = fixed.map(element(Part::Fixed));
        banks
            .chain(self.sense.iter().map(element(Part::Sense)))
            .chain(self.series.iter().map(element(Part::Series)))
            .chain(self.shunt.iter().map(element(Part::ShuntElement)))
            .chain(ends.into_iter().flatten())
            .collect()
    }

    /// The most that the movement's leads may have together, plugs included.
    pub fn leads_high(&self) -> Ohms {
        self.switch.main_contact * f64::from(self.movement_contacts())
    }
}

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
    if by_hand(reader, &file.switch.resource)? && !by_hand(reader, &file.supply.resource)? {
        let message = "leads are plugged while the supply stands at zero by the same hand: with the \
                       switch by hand, the supply is by hand as well";
        return Err(reader.error(file.switch.resource.span(), message));
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
        ("the bridge to the potentiometers", pots),
        ("the reader", file.reader.resource.as_ref()),
    ];
    for (role, text) in others {
        if let Some(text) = text
            && by_hand(reader, text)?
        {
            let message = format!(
                "{role} can't be by hand; supply, meters, switch and a decade box can (docs/by-hand.md)"
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

/// One count of a range's display, V; a meter in the hand has to state it.
pub(super) fn count(
    reader: &Reader<'_>,
    file: &MeterFile,
    range: &RangeFile,
) -> Result<f64, RigError> {
    match &range.resolution {
        Some(text) => Ok(reader.positive::<Volts>(text)?.get()),
        None if by_hand(reader, &file.resource)? => {
            let message = "each range of a meter by hand needs resolution = \"…\", one count of its \
                           display";
            Err(reader.error(range.upper.span(), message))
        }
        None => Ok(0.0),
    }
}

/// Operate time and bounce of the contacts; leads have neither.
pub(super) fn contact_times(
    reader: &Reader<'_>,
    file: &SwitchFile,
) -> Result<(Seconds, Seconds), RigError> {
    let hand = by_hand(reader, &file.resource)?;
    match (&file.operate, &file.bounce) {
        (Some(text), _) | (None, Some(text)) if hand => {
            let message = "leads are plugged in their own time; leave operate and bounce out";
            Err(reader.error(text.span(), message))
        }
        (None, None) if hand => Ok((Seconds::ZERO, Seconds::ZERO)),
        (Some(operate), Some(bounce)) => {
            Ok((reader.positive(operate)?, reader.not_negative(bounce)?))
        }
        _ => {
            let message = "relays need operate = \"…\" and bounce = \"…\"";
            Err(reader.error(file.resource.span(), message))
        }
    }
}
