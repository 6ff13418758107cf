//! USB test instruments: questions, deadlines, aborts, unplugging.

use crate::common::{DEADLINE, IDENTITY, NAME, Outcome, ask, opened, plugged, seen, sure, there};
use crate::common::{rate, whole_answers, wire, wrong};
use drivers::{Dialect, LinkError, LinkState, Supply, Wire};
use hw_sim::usb::{Quirks, plug};
use std::time::{Duration, Instant};

const IN_DECIMAL: &str = "USB0::4617::1::SN0001::0::INSTR";

/// Questions and answers of many lengths, whole packets among them, by every form of the name.
pub async fn questions() -> Outcome {
    let device = plugged(0, "/dev/usbtmc0", Quirks::default())?;
    for name in [NAME, IN_DECIMAL, "/dev/usbtmc0"] {
        let mut link = opened(name, &wire()).await?;
        let identity = ask(&mut link, "*IDN?").await?;
        sure(identity == IDENTITY, identity)?;
    }
    let mut link = opened(NAME, &wire()).await?;
    whole_answers(
        &mut link,
        &[1, 487, 498, 499, 500, 501, 4083, 16_383, 16_384, 20_000],
    )
    .await?;
    let rate = rate(&mut link).await?;
    let held = opened(NAME, &wire()).await;
    sure(
        held.as_ref()
            .is_err_and(|why| why.contains("another program holds it")),
        held,
    )?;
    let seen = seen(&device);
    sure(seen.unasked == 0 && seen.aborts == 0 && seen.remote, &seen)?;
    Ok(format!(
        "{rate:.0} questions/s, {} messages",
        seen.messages.len()
    ))
}

/// A slow answer within its deadline; a missing one; and a late one, which is never taken for the next.
pub async fn deadlines() -> Outcome {
    let device = plugged(0, "/dev/usbtmc0", Quirks::default())?;
    let mut link = opened(NAME, &wire()).await?;
    let slow = ask(&mut link, ":SLOW? 1000").await?;
    sure(slow == "+1.5E+00", slow)?;
    for question in [":NEVER?", ":SLOW? 1700"] {
        let began = Instant::now();
        let missing = link.query(question, DEADLINE).await;
        sure(matches!(missing, Err(LinkError::Timeout { .. })), missing)?;
        let waited = began.elapsed();
        sure(waited < DEADLINE * 2, waited)?;
        sure(link.state() == LinkState::Dirty, link.state())?;
        link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
        let answer = ask(&mut link, ":LONG? 3").await?;
        sure(answer == "777", answer)?;
    }
    let seen = seen(&device);
    sure(seen.clears == 2, &seen)?;
    Ok(format!("{} clears, {} aborts", seen.clears, seen.aborts))
}

/// Without the status byte: the kernel's own time runs out and it aborts the transfer.
pub async fn aborts() -> Outcome {
    let device = plugged(0, "/dev/usbtmc0", Quirks::default())?;
    let mut wire = wire();
    wire.usb.no_status = true;
    wire.deadline = Duration::from_millis(500);
    let mut link = opened(NAME, &wire).await?;
    // The question's own deadline counts, not that of ordinary ones.
    let slow = ask(&mut link, ":SLOW? 1000").await?;
    sure(slow == "+1.5E+00", slow)?;
    let missing = link.query(":NEVER?", DEADLINE).await;
    sure(matches!(missing, Err(LinkError::Timeout { .. })), missing)?;
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    let answer = ask(&mut link, ":LONG? 2").await?;
    sure(answer == "77", answer)?;
    let seen = seen(&device);
    sure(seen.aborts == 1 && seen.clears == 1, &seen)?;
    Ok(format!("{} abort, {} clear", seen.aborts, seen.clears))
}

/// What could not be switched off while it is slow to answer is no supply.
pub async fn a_supply_without_status_byte_is_refused() -> Outcome {
    let device = plugged(0, "/dev/usbtmc0", Quirks::default())?;
    let mut dialect = Dialect::built_in("scpi-supply").map_err(wrong)?;
    dialect.wire.usb.no_status = true;
    let link = opened(NAME, &dialect.wire).await?;
    let refused = Supply::open(link, &dialect).await;
    let why = refused.err().ok_or("it was taken")?.to_string();
    sure(why.contains("no status byte"), why)?;
    let heard = seen(&device).messages;
    sure(heard.is_empty(), heard)?;
    Ok("refused".to_owned())
}

/// Unplugged while the kernel's driver waits in a read: gone at once.
pub async fn pulled_in_a_read() -> Outcome {
    let mut wire = wire();
    wire.usb.no_status = true;
    wire.deadline = Duration::from_secs(10);
    pulled(wire, Duration::from_secs(2)).await
}

/// Unplugged while the status byte is looked at. A call for it that is under way on the virtual
/// controller is given back only after the driver's own 5 s.
pub async fn pulled_at_the_status_byte() -> Outcome {
    pulled(wire(), Duration::from_secs(7)).await
}

async fn pulled(wire: Wire, within: Duration) -> Outcome {
    let device = plugged(0, "/dev/usbtmc0", Quirks::default())?;
    let mut link = opened(NAME, &wire).await?;
    ask(&mut link, "*IDN?").await?;
    let puller = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(300));
        drop(device);
    });
    let began = Instant::now();
    let gone = link.query(":NEVER?", Duration::from_secs(10)).await;
    let took = began.elapsed();
    sure(matches!(gone, Err(LinkError::Gone { .. })), gone)?;
    sure(took < within, took)?;
    sure(link.state() == LinkState::Gone, link.state())?;
    puller.join().map_err(|_| "the puller".to_owned())?;
    there("/dev/usbtmc0", false)?;
    Ok(format!("gone {} ms after the question", took.as_millis()))
}

/// Plugged in again while another holds the old number: found by its name all the same.
pub async fn another_number() -> Outcome {
    // Something else takes the old number.
    let _other = plug(1, "SN0002", Quirks::default()).map_err(wrong)?;
    there("/dev/usbtmc0", true)?;
    let _same = plugged(0, "/dev/usbtmc1", Quirks::default())?;
    let mut link = opened(NAME, &wire()).await?;
    let identity = ask(&mut link, "*IDN?").await?;
    sure(identity == IDENTITY, identity)?;
    Ok("back as usbtmc1".to_owned())
}
