//! Contacts moving, group by group.

use crate::fault::Fault;
use crate::rig::Rig;
use crate::state::Move;
use drivers::Switch;

/// Moves one group of contacts, in any order, and reads it back.
pub(crate) async fn move_group(
    rig: &Rig,
    switch: &mut Switch,
    group: &[Move],
) -> Result<(), Fault> {
    if group.is_empty() {
        return Ok(());
    }
    let pick = |on: bool| -> Vec<u32> {
        group
            .iter()
            .filter(|m| m.energise == on)
            .map(|m| m.channel)
            .collect()
    };
    let (on, off) = (pick(true), pick(false));
    if !off.is_empty() {
        switch.release(&off).await?;
    }
    if !on.is_empty() {
        switch.energise(&on).await?;
    }
    switch.barrier().await?;
    let contacts_rest = rig.switch.operate + rig.switch.bounce;
    tokio::time::sleep((contacts_rest * 1.5).duration()).await;
    let all: Vec<u32> = group.iter().map(|m| m.channel).collect();
    let found = switch.energised(&all).await?;
    match group
        .iter()
        .zip(found)
        .find(|(m, found)| m.energise != *found)
    {
        None => Ok(()),
        Some((m, found)) => Err(Fault::ReadBack {
            what: "relay",
            wanted: format!(
                "channel {} {}",
                m.channel,
                if m.energise { "on" } else { "off" }
            ),
            found: (if found { "on" } else { "off" }).to_owned(),
        }),
    }
}
