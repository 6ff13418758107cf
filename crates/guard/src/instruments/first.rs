//! What a start does first. A program and a watcher that both died may have left the rig energised, so
//! supply and switch come before everything else that can fail, and where one of the two can't be
//! opened, the other is made use of all the same and the error tells what that came to.

use super::open::{self, Source};
use crate::fault::Fault;
use crate::guard::Wires;
use crate::output::Output;
use crate::rig::Rig;
use crate::safe::{energised, make_safe, release, switch_off};
use drivers::{Resource, Switch};
use std::os::fd::OwnedFd;

/// The supply found on, in words.
const WAS_ON: &str = "the supply's output was on";
/// What is left to do where nobody can tell.
const BY_HAND: &str = "whether the supply is off is not known: switch it off by hand";

/// Supply and switch of a rig that is safe.
pub(super) struct First {
    pub output: Output,
    pub switch: Switch,
    pub twins: Handles,
    /// What was found energised, in words; nothing for a rig at rest.
    pub found: Vec<String>,
}

/// Second handles on the links of supply and switch, where these lead out of this process.
pub(super) struct Handles {
    pub supply: Option<OwnedFd>,
    pub switch: Option<OwnedFd>,
}

/// Opens the supply, which is switched off at once if it is on, then the switch, and makes the rig
/// safe.
pub(super) async fn made_safe(rig: &Rig, wires: &mut Wires) -> Result<First, Fault> {
    let mut source = match open::supply(rig, wires).await {
        Ok(source) => source,
        Err(fault) => return Err(without_supply(rig, wires, fault).await),
    };
    let opened = match still_for(rig, &mut source).await {
        Ok(()) => open::switch(rig, wires).await,
        Err(fault) => Err(fault),
    };
    let (mut switch, switch_twin) = match opened {
        Ok(opened) => opened,
        Err(fault) => {
            let fault = without_switch(rig, &mut source, fault).await;
            source.output.give_back().await;
            return Err(fault);
        }
    };
    let mut output = source.output;
    let mut found: Vec<String> = was_on(source.was_on).collect();
    // What can't be asked is left to what follows, which needs the same instrument.
    found.extend(energised(rig, &mut switch).await.ok().flatten());
    let safe = make_safe(rig, &mut output, &mut switch).await;
    if !safe.verified {
        output.give_back().await;
        switch.give_back().await;
        let why = safe.failures.join("; ");
        let text = format!("the rig could not be made safe at the start: {why}");
        return Err(told(&found, "", Fault::Instrument(text)));
    }
    let twins = Handles {
        supply: source.twin,
        // No second process can switch off what a hand has switched on.
        switch: switch_twin.filter(|_| !rig.supply.by_hand()),
    };
    Ok(First {
        output,
        switch,
        twins,
        found,
    })
}

/// Opening a serial port may start a board anew, which moves contacts: never under voltage.
async fn still_for(rig: &Rig, source: &mut Source) -> Result<(), Fault> {
    if !starts_anew(rig) || source.was_on == Some(false) {
        return Ok(());
    }
    if source.output.is_on().await? {
        let text = "the supply was found on and does not switch off, so the port of the switch was not opened";
        return Err(Fault::Instrument(text.to_owned()));
    }
    tokio::time::sleep((rig.supply.settle * 2.0).duration()).await;
    Ok(())
}

fn starts_anew(rig: &Rig) -> bool {
    matches!(rig.switch.resource, Resource::Serial { .. })
}

/// The switch is missing: the supply is what is left.
async fn without_switch(rig: &Rig, source: &mut Source, fault: Fault) -> Fault {
    if source.was_on == Some(false) {
        return fault;
    }
    let supply = match switch_off(rig, &mut source.output).await {
        Ok(()) => "the supply was switched off, which a reading confirmed".to_owned(),
        Err(why) => {
            format!("that the supply is off could not be confirmed ({why}): switch it off by hand")
        }
    };
    let found: Vec<String> = was_on(source.was_on).collect();
    with(
        &found,
        &format!("{supply}; the contacts could not be released"),
        fault,
    )
}

/// The supply is missing: what the contacts can do without it is disconnect and short the movement.
///
/// A board that may start anew is left alone even so. What flows meanwhile was within the allowance
/// when it was set, and stays so; a board that starts under voltage may for a moment energise
/// contacts that nobody has asked for, a heavy path among them.
async fn without_supply(rig: &Rig, wires: &mut Wires, fault: Fault) -> Fault {
    // The same person who is not there for the supply.
    if rig.switch.by_hand() {
        return fault;
    }
    if starts_anew(rig) {
        let left = "the contacts were left as they are, since opening the port of the switch may start \
                    its board anew and move them under voltage";
        return with(&[], &format!("{left}; {BY_HAND}"), fault);
    }
    let mut switch = match open::switch(rig, wires).await {
        Ok((switch, _)) => switch,
        Err(other) => {
            let contacts = format!("the contacts could not be released ({other})");
            return with(&[], &format!("{contacts}, and {BY_HAND}"), fault);
        }
    };
    let found = energised(rig, &mut switch).await;
    let released = release(rig, &mut switch).await;
    switch.give_back().await;
    let contacts = match (&found, released) {
        // At rest: nothing could flow in the movement, whatever the supply does.
        (Ok(None), Ok(())) => return fault,
        (_, Ok(())) => "the contacts were released, which the switch confirmed".to_owned(),
        (_, Err(why)) => format!("that the contacts are released could not be confirmed ({why})"),
    };
    let found: Vec<String> = found.ok().flatten().into_iter().collect();
    with(&found, &format!("{contacts}, but {BY_HAND}"), fault)
}

fn was_on(on: Option<bool>) -> impl Iterator<Item = String> {
    on.filter(|on| *on).map(|_| WAS_ON.to_owned()).into_iter()
}

/// The fault, with what was found energised before it and what became of that; as it is for a rig
/// that was found at rest.
pub(super) fn told(found: &[String], became: &str, fault: Fault) -> Fault {
    match found {
        [] => fault,
        _ => before(
            format!("{} {became}", energised_rig(found)).trim_end(),
            fault,
        ),
    }
}

/// The fault, with what was done about a rig of which only a part could be reached.
fn with(found: &[String], done: &str, fault: Fault) -> Fault {
    match found {
        [] => before(done, fault),
        _ => before(&format!("{}: {done}", energised_rig(found)), fault),
    }
}

fn energised_rig(found: &[String]) -> String {
    format!("the rig was found energised ({})", found.join(", "))
}

fn before(text: &str, fault: Fault) -> Fault {
    match fault {
        Fault::Unwatched(why) => Fault::Unwatched(format!("{text}; {why}")),
        fault => Fault::Instrument(format!("{text}; {fault}")),
    }
}
