//! From the file's shape to a checked [`Rig`].

use super::file::{ElementFile, MeterFile, Reader, RigFile, Text};
use super::{
    Element, Limits, MeterSpec, Path, Protection, Rig, RigError, SupplySpec, SwitchSpec, Trip,
};
use drivers::{Dialect, Resource};
use evidence::MeterRange;
use quantity::{Amps, Ohms, Seconds, Volts, Watts};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

pub(super) fn rig(text: &str, file: &str) -> Result<Rig, RigError> {
    let reader = Reader { file, text };
    let parsed = reader.read()?;
    addresses_differ(&reader, &parsed)?;
    super::hands::fit_together(&reader, &parsed)?;
    channels_differ(&reader, &parsed)?;
    let supply = supply(&reader, &parsed)?;
    let switch = switch(&reader, &parsed)?;
    let contact = switch.contact;
    let paths = paths(&reader, &parsed, &supply, contact)?;
    if parsed.sense.get_ref().elements.is_empty() {
        let message = "the sense bank has no element, so no current could be measured";
        return Err(reader.error(parsed.sense.span(), message));
    }
    if parsed.switch.shunt.is_none() && !parsed.shunt.elements.is_empty() {
        let message = "the shunt bank needs a shunt switch: give [switch] shunt = <channel>";
        return Err(reader.error(parsed.shunt.elements[0].channel.span(), message));
    }
    let pots = super::pots::bank(&reader, &parsed, &supply)?;
    let folder = std::path::Path::new(file).parent();
    let dialects = folder.map(|folder| folder.join("dialects"));
    usb_carries_dialects(&reader, &parsed, dialects.as_deref())?;
    let protection = Protection {
        emergency_stop: parsed.protection.emergency_stop,
        coil_dead_man: parsed.protection.coil_dead_man,
        trip: Trip::read(&reader, &parsed, dialects.as_deref())?,
    };
    Ok(Rig {
        name: parsed.name.as_ref().clone(),
        text: text.to_owned(),
        dialects,
        simulated: parsed.simulated,
        supply,
        drop_meter: meter(&reader, &parsed.meters.drop)?,
        loop_meter: meter(&reader, &parsed.meters.r#loop)?,
        switch,
        paths,
        series: bank(&reader, &parsed.series.elements, contact)?,
        pots,
        sense: bank(&reader, &parsed.sense.get_ref().elements, contact)?,
        shunt: bank(&reader, &parsed.shunt.elements, contact)?,
        reader: super::reader::spec(
            &reader,
            &parsed.reader,
            folder.unwrap_or("".as_ref()),
            parsed.simulated,
        )?,
        limits: limits(&reader, &parsed)?,
        protection,
    })
}

/// Two instruments on one address would read each other's replies.
fn addresses_differ(reader: &Reader<'_>, file: &RigFile) -> Result<(), RigError> {
    let instruments = [
        ("the supply", &file.supply.resource),
        ("the drop meter", &file.meters.drop.resource),
        ("the loop meter", &file.meters.r#loop.resource),
        ("the switch", &file.switch.resource),
    ];
    // A camera has no such address.
    let read = file.reader.resource.as_ref();
    let pots = file
        .series
        .pots
        .as_ref()
        .map(|pots| &pots.get_ref().resource);
    let named = instruments
        .into_iter()
        .chain(pots.map(|text| ("the bridge to the potentiometers", text)))
        .chain(read.map(|text| ("the reader", text)));
    let mut seen: BTreeMap<Resource, &str> = BTreeMap::new();
    for (role, text) in named {
        let resource: Resource = reader.parse(text)?;
        // A hand has no address.
        if resource == Resource::ByHand {
            continue;
        }
        if let Some(other) = seen.insert(resource, role) {
            let message = format!(
                "{role} has the same address as {other}; each instrument needs its own address"
            );
            return Err(reader.error(text.span(), message));
        }
    }
    Ok(())
}

/// A dialect that can't be spoken on USB is found out before anything is opened. One that can't be
/// read is left to the opening, which says so.
fn usb_carries_dialects(
    reader: &Reader<'_>,
    file: &RigFile,
    folder: Option<&std::path::Path>,
) -> Result<(), RigError> {
    let pots = file.series.pots.as_ref().map(|pots| pots.get_ref());
    let instruments = [
        (&file.supply.resource, &file.supply.dialect),
        (&file.switch.resource, &file.switch.dialect),
    ];
    let pots = pots.map(|pots| (&pots.resource, &pots.dialect));
    // A meter that a person reads has no dialect.
    let meters = [&file.meters.drop, &file.meters.r#loop];
    let meters = meters
        .into_iter()
        .filter_map(|meter| Some((&meter.resource, meter.dialect.as_ref()?)));
    for (resource, dialect) in instruments.into_iter().chain(meters).chain(pots) {
        if !reader.parse::<Resource>(resource)?.is_usb() {
            continue;
        }
        let found = Dialect::find(dialect.as_ref(), folder).ok();
        if let Some(why) = found.and_then(|dialect| dialect.unfit_for_usb()) {
            return Err(reader.error(dialect.span(), why));
        }
    }
    Ok(())
}

/// One relay channel can do one job only.
fn channels_differ(reader: &Reader<'_>, file: &RigFile) -> Result<(), RigError> {
    let switch = &file.switch;
    let mut all = vec![
        (*switch.source.get_ref(), switch.source.span()),
        (*switch.short.get_ref(), switch.short.span()),
        (*switch.movement.get_ref(), switch.movement.span()),
    ];
    let optional = [&switch.shunt, &switch.reverse, &switch.bypass];
    all.extend(
        optional
            .into_iter()
            .flatten()
            .map(|c| (*c.get_ref(), c.span())),
    );
    all.extend(
        file.path
            .iter()
            .map(|p| (*p.channel.get_ref(), p.channel.span())),
    );
    let (sense, shunt) = (&file.sense.get_ref().elements, &file.shunt.elements);
    for elements in [&file.series.elements, sense, shunt] {
        all.extend(
            elements
                .iter()
                .map(|e| (*e.channel.get_ref(), e.channel.span())),
        );
    }
    let level = file.protection.trip_level.as_ref();
    all.extend(level.map(|level| (level.get_ref().channel, level.span())));
    let mut seen = BTreeSet::new();
    let twice: Option<(u32, Range<usize>)> = all.into_iter().find(|(c, _)| !seen.insert(*c));
    twice.map_or(Ok(()), |(channel, span)| {
        let message = format!("channel {channel} already has another job in this file");
        Err(reader.error(span, message))
    })
}

fn supply(reader: &Reader<'_>, file: &RigFile) -> Result<SupplySpec, RigError> {
    let supply = &file.supply;
    Ok(SupplySpec {
        resource: reader.parse(&supply.resource)?,
        dialect: supply.dialect.as_ref().clone(),
        serial: reader.serial(&supply.resource, supply.serial.as_ref())?,
        max_voltage: reader.positive(&supply.max_voltage)?,
        max_current: reader.positive(&supply.max_current)?,
        resolution: reader.positive(&supply.resolution)?,
        current_resolution: reader.positive(&supply.current_resolution)?,
        accuracy: reader.share(&supply.accuracy, 0.0, 0.1)?,
        offset: reader.not_negative(&supply.offset)?,
        overshoot: reader.share(&supply.overshoot, 0.0, 1.0)?,
        settle: reader.positive(&supply.settle)?,
    })
}

fn meter(reader: &Reader<'_>, file: &MeterFile) -> Result<MeterSpec, RigError> {
    let mut ranges = Vec::new();
    for range in file.ranges.get_ref() {
        ranges.push(MeterRange {
            full_scale: reader.positive::<Volts>(&range.upper)?.get(),
            gain: reader.share(&range.gain, 0.0, 0.1)?,
            offset: reader.not_negative::<Volts>(&range.offset)?.get(),
            resolution: super::hands::count(reader, file, range)?,
        });
    }
    if ranges.is_empty() || !ranges.is_sorted_by(|a, b| a.full_scale < b.full_scale) {
        let message = "list at least one range, the smallest first";
        return Err(reader.error(file.ranges.span(), message));
    }
    let (dialect, mains) = super::hands::meter_words(reader, file)?;
    Ok(MeterSpec {
        resource: reader.parse(&file.resource)?,
        dialect,
        serial: reader.serial(&file.resource, file.serial.as_ref())?,
        mains,
        input: reader.positive(&file.input)?,
        calibrated: file.calibrated.clone(),
        ranges,
    })
}

fn switch(reader: &Reader<'_>, file: &RigFile) -> Result<SwitchSpec, RigError> {
    let switch = &file.switch;
    let contact = reader.positive(&switch.contact)?;
    let main_contact = switch
        .main_contact
        .as_ref()
        .map(|text| reader.positive(text));
    let (operate, bounce) = super::hands::contact_times(reader, switch)?;
    Ok(SwitchSpec {
        resource: reader.parse(&switch.resource)?,
        dialect: switch.dialect.as_ref().clone(),
        serial: reader.serial(&switch.resource, switch.serial.as_ref())?,
        operate,
        bounce,
        contact,
        main_contact: main_contact.transpose()?.unwrap_or(contact),
        dry_circuit: reader.positive(&switch.dry_circuit)?,
        leakage: reader.not_negative(&switch.leakage)?,
        source: *switch.source.get_ref(),
        short: *switch.short.get_ref(),
        movement: *switch.movement.get_ref(),
        shunt: switch.shunt.as_ref().map(|channel| *channel.get_ref()),
        reverse: switch.reverse.as_ref().map(|channel| *channel.get_ref()),
        bypass: switch.bypass.as_ref().map(|channel| *channel.get_ref()),
    })
}

fn paths(
    reader: &Reader<'_>,
    file: &RigFile,
    supply: &SupplySpec,
    contact: Ohms,
) -> Result<Vec<Path>, RigError> {
    let mut paths: Vec<Path> = Vec::new();
    for path in &file.path {
        let fixed = element(reader, &path.fixed(), contact)?;
        let fault_current = supply.highest(supply.max_voltage, Volts::ZERO) / fixed.low();
        if paths
            .last()
            .is_some_and(|before| before.fixed.ohms <= fixed.ohms)
        {
            let message = "paths go from light to heavy: this fixed resistor must be smaller than \
                           the one before it";
            return Err(reader.error(path.fixed.span(), message));
        }
        paths.push(Path {
            name: path.name.as_ref().clone(),
            fixed,
            fault_current,
        });
    }
    Ok(paths)
}

fn bank(
    reader: &Reader<'_>,
    elements: &[ElementFile],
    contact: Ohms,
) -> Result<Vec<Element>, RigError> {
    let one = |e: &ElementFile| element(reader, e, contact);
    elements.iter().map(one).collect()
}

/// `contact` is the largest resistance of its contact where it states none of its own.
fn element(reader: &Reader<'_>, file: &ElementFile, contact: Ohms) -> Result<Element, RigError> {
    let own = file.contact.as_ref().map(|text| reader.positive(text));
    Ok(Element {
        ohms: reader.positive::<Ohms>(&file.ohms)?,
        tolerance: reader.share(&file.tolerance, 0.0, 0.5)?,
        power: reader.positive::<Watts>(&file.power)?,
        contact: own.transpose()?.unwrap_or(contact),
        channel: *file.channel.get_ref(),
    })
}

fn limits(reader: &Reader<'_>, file: &RigFile) -> Result<Limits, RigError> {
    let limits = &file.limits;
    let ambient = match (&limits.ambient, &limits.ambient_u) {
        (Some(ambient), Some(u)) => Some((reader.number(ambient)?, reader.number(u)?)),
        (None, None) => None,
        (Some(one), None) | (None, Some(one)) => {
            let message = "ambient (°C) and ambient_u (K) go together: give both or neither";
            return Err(reader.error(one.span(), message));
        }
    };
    Ok(Limits {
        first_touch: reader.positive::<Amps>(&limits.first_touch)?,
        growth: reader.share(&limits.growth, 0.01, 1.0)?,
        ceiling: reader.share(&limits.ceiling, 0.2, 1.05)?,
        earn: reader.share(&limits.earn, 0.001, 1.0)?,
        drop: reader.positive::<Volts>(&limits.drop)?,
        power: reader.positive::<Watts>(&limits.power)?,
        unseen_drop: unseen_drop(reader, limits.unseen_drop.as_ref())?,
        near_full_scale: reader.positive::<Seconds>(&limits.near_full_scale)?,
        slowest_period: reader.positive::<Seconds>(&limits.slowest_period)?,
        thermal_emf: reader.not_negative::<Volts>(&limits.thermal_emf)?,
        ambient,
    })
}

/// 20 mV where the file says nothing: what hardly a movement stays below at full scale. Needles that
/// rest on a stop until much current flows need more.
fn unseen_drop(reader: &Reader<'_>, stated: Option<&Text>) -> Result<Volts, RigError> {
    let Some(stated) = stated else {
        return Ok(Volts::milli(20.0));
    };
    let drop = reader.positive::<Volts>(stated)?;
    if drop > Volts::milli(50.0) {
        let message = "at most 50 mV: more would take many an unseen needle past its mark";
        return Err(reader.error(stated.span(), message));
    }
    Ok(drop)
}
