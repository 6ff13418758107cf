//! What some USB test instruments do otherwise.

use crate::common::{DEADLINE, IDENTITY, NAME, Outcome, ask, opened, plugged, seen, sure, there};
use crate::common::{wire, wrong};
use drivers::{Dialect, Link, LinkError, LinkState, Supply, Wire};
use hw_sim::usb::Quirks;
use quantity::{Amps, Volts};
use std::time::{Duration, Instant};

const DEVICE: &str = "/dev/usbtmc0";
/// Addresses of the pipes to and from the instrument.
const OUT: u8 = 0x01;
const IN: u8 = 0x82;

/// Opens the device once the thread of a dropped link has let go of it, which it does when the
/// kernel's time has run out.
async fn again(wire: &Wire) -> Result<Link, String> {
    let until = Instant::now() + Duration::from_secs(10);
    loop {
        match opened(NAME, wire).await {
            Ok(link) => return Ok(link),
            Err(why) => sure(Instant::now() < until, why)?,
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// An instrument without the empty packet: short pieces are the cure.
pub async fn whole_packets() -> Outcome {
    let quirks = Quirks {
        no_empty_packet: true,
        needs_remote: true,
        ..Quirks::default()
    };
    let _device = plugged(0, DEVICE, quirks)?;
    let mut wire = wire();
    let mut link = opened(NAME, &wire).await?;
    let plain = link.query(":LONG? 499", DEADLINE).await;
    sure(matches!(plain, Err(LinkError::Timeout { .. })), plain)?;
    drop(link);
    wire.usb.piece = Some(496);
    let mut link = again(&wire).await?;
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    for length in [495, 496, 498, 499, 500, 501, 1500, 5000] {
        let answer = ask(&mut link, &format!(":LONG? {length}")).await?;
        sure(answer.len() == length, (length, answer.len()))?;
    }
    Ok("by pieces of 496 bytes".to_owned())
}

/// An answer longer than its only header says is cut off by the kernel's driver: it is missed, and
/// never taken for a whole one. Shorter ones, which is all that instruments of a rig have, are whole.
pub async fn one_header_cuts_no_answer_short() -> Outcome {
    let quirks = Quirks {
        one_header: true,
        ..Quirks::default()
    };
    let _device = plugged(0, DEVICE, quirks)?;
    let mut link = opened(NAME, &wire()).await?;
    for length in [1, 100, 480] {
        let answer = ask(&mut link, &format!(":LONG? {length}")).await?;
        sure(answer == "7".repeat(length), (length, answer.len()))?;
    }
    let cut = link.query(":LONG? 1200", DEADLINE).await;
    sure(matches!(cut, Err(LinkError::Timeout { .. })), cut)?;
    sure(link.state() == LinkState::Dirty, link.state())?;
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    let answer = ask(&mut link, ":LONG? 3").await?;
    sure(answer == "777", answer)?;
    Ok("a cut answer is an error".to_owned())
}

/// An instrument that ignores messages with padding hears those that need none.
pub async fn padding_is_left_out_where_it_chokes() -> Outcome {
    let quirks = Quirks {
        no_padding: true,
        ..Quirks::default()
    };
    let device = plugged(0, DEVICE, quirks)?;
    let mut link = opened(NAME, &wire()).await?;
    let ignored = link.query("*IDN?", DEADLINE).await;
    sure(matches!(ignored, Err(LinkError::Timeout { .. })), ignored)?;
    drop(link);
    let mut wire = wire();
    wire.usb.whole_words = true;
    let mut link = again(&wire).await?;
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    for length in [5, 50, 500, 5000] {
        let answer = ask(&mut link, &format!(":LONG? {length}")).await?;
        sure(answer.len() == length, (length, answer.len()))?;
    }
    let seen = seen(&device);
    sure(seen.messages.len() == 5, &seen)?;
    Ok("filled up with spaces".to_owned())
}

/// Of a long message only the first 64 bytes of the packet are read: it is not sent where the
/// dialect says so.
pub async fn long_messages_are_not_sent_to_small_buffers() -> Outcome {
    let quirks = Quirks {
        reads: Some(64),
        ..Quirks::default()
    };
    let device = plugged(0, DEVICE, quirks)?;
    let mut wire = wire();
    let message = format!(":ROUT:OPEN (@{})", ["101"; 12].join(","));
    let mut link = opened(NAME, &wire).await?;
    link.send(&message).await.map_err(wrong)?;
    ask(&mut link, "*IDN?").await?;
    let heard = seen(&device).messages;
    sure(message.len() > 52 && heard[0] == message[..52], &heard)?;
    drop(link);
    wire.usb.longest = Some(52);
    let mut link = again(&wire).await?;
    let refused = link.send(&message).await;
    let limited = matches!(&refused, Err(LinkError::BadCommand { limit: 51, .. }));
    sure(limited, refused)?;
    let longest = format!(":LONG? {}3", "0".repeat(43));
    sure(longest.len() == 51, longest.len())?;
    let answer = ask(&mut link, &longest).await?;
    sure(answer == "777", answer)?;
    let heard = seen(&device).messages;
    sure(heard[2..] == [longest], &heard)?;
    Ok("52 bytes and no more".to_owned())
}

/// The first message after the start is lost: the identity is asked for once more, a command never.
pub async fn the_first_message_may_be_lost() -> Outcome {
    let quirks = Quirks {
        deaf_at_first: true,
        ..Quirks::default()
    };
    let device = plugged(0, DEVICE, quirks)?;
    let resource = NAME.parse().map_err(wrong)?;
    let identity = drivers::ask::identity(&resource, &wire(), "*IDN?").await;
    sure(identity.as_deref() == Ok(IDENTITY), identity)?;
    let seen_first = seen(&device);
    sure(seen_first.messages == ["*IDN?"], &seen_first)?;
    sure(seen_first.clears == 2, &seen_first)?;
    drop(device);
    there(DEVICE, false)?;
    let device = plugged(0, DEVICE, quirks)?;
    let mut link = opened(NAME, &wire()).await?;
    link.send(":OUTP ON").await.map_err(wrong)?;
    ask(&mut link, "*IDN?").await?;
    let heard = seen(&device).messages;
    sure(heard == ["*IDN?"], &heard)?;
    Ok("asked twice, told once".to_owned())
}

/// A halted pipe, either way: what was sent is said not to be taken, the halt is ended before the
/// instrument is cleared, and the link goes on.
pub async fn halts_are_cleared_once() -> Outcome {
    let device = plugged(0, DEVICE, Quirks::default())?;
    let mut link = opened(NAME, &wire()).await?;
    link.send(":HALT").await.map_err(wrong)?;
    let refused = link.query("*IDN?", DEADLINE).await;
    sure(matches!(refused, Err(LinkError::NotTaken { .. })), refused)?;
    sure(link.state() == LinkState::Dirty, link.state())?;
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    // The pipe's halt first, then the instrument, which ends with the pipe to it by the standard.
    let cures = seen(&device).cures;
    sure(cures == [OUT, 0, OUT], &cures)?;
    let refused = link.query(":HALT?", DEADLINE).await;
    sure(matches!(refused, Err(LinkError::NotTaken { .. })), refused)?;
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    let answer = ask(&mut link, ":LONG? 600").await?;
    sure(answer.len() == 600, answer.len())?;
    let cures = seen(&device).cures;
    sure(cures[3..] == [IN, 0, OUT], &cures)?;
    Ok("either pipe".to_owned())
}

/// A supply over that link, as another process left it.
async fn supply(link: Link) -> Result<Supply, String> {
    let dialect = Dialect::built_in("scpi-supply").map_err(wrong)?;
    Supply::resume(link, &dialect, IDENTITY)
        .await
        .map_err(wrong)
}

/// A pipe that was halted by an earlier message, whether that was noticed or not: off goes out past
/// it, be it one message or two.
pub async fn an_emergency_ends_a_halt() -> Outcome {
    for (noticed, both) in [(false, false), (false, true), (true, false), (true, true)] {
        let device = plugged(0, DEVICE, Quirks::default())?;
        let mut link = opened(NAME, &wire()).await?;
        link.send(":HALT").await.map_err(wrong)?;
        if noticed {
            link.send(":VOLT 3").await.map_err(wrong)?;
        }
        let mut supply = supply(link).await?;
        if both {
            let limits = drivers::Limits {
                min_voltage: Volts::ZERO,
                max_voltage: Volts::new(8.0),
                voltage_step: Volts::milli(1.0),
                max_current: Amps::new(1.0),
                current_step: Amps::milli(1.0),
            };
            supply = supply.with_limits(limits).map_err(wrong)?;
        }
        supply.off_now().await.map_err(wrong)?;
        let heard = seen(&device).messages;
        let expected = [":HALT", ":OUTP OFF", ":VOLT 0.000"];
        sure(heard == expected[..if both { 3 } else { 2 }], heard)?;
        drop(device);
        there(DEVICE, false)?;
    }
    Ok("off, past the halt".to_owned())
}

/// A command to begin with is not lost on an instrument that is deaf at first.
pub async fn a_greeting_is_not_lost() -> Outcome {
    let quirks = Quirks {
        deaf_at_first: true,
        ..Quirks::default()
    };
    let device = plugged(0, DEVICE, quirks)?;
    let mut dialect = Dialect::built_in("scpi-supply").map_err(wrong)?;
    let hello = drivers::Command::try_from(":SYST:REM".to_owned())?;
    let common = dialect.common.as_mut().ok_or("no [common]")?;
    (common.hello, common.clear, common.errors) = (vec![hello], None, None);
    let link = opened(NAME, &wire()).await?;
    let mut supply = Supply::open(link, &dialect).await.map_err(wrong)?;
    // It returns once the instrument has taken all that came before.
    supply.off_now().await.map_err(wrong)?;
    let heard = seen(&device).messages;
    sure(heard == ["*IDN?", ":SYST:REM", ":OUTP OFF"], &heard)?;
    Ok("asked first, told then".to_owned())
}
