//! The driver of USB test instruments against the kernel's: runs inside the emulated machine that
//! `cargo xtask usb` boots, with the module vhci-hcd. Prints one line for each check.

use drivers::{Link, LinkError, LinkState, Wire};
use hw_sim::usb::{Plugged, Quirks, Seen, plug};
use std::path::Path;
use std::process::ExitCode;
use std::sync::PoisonError;
use std::time::{Duration, Instant};

const NAME: &str = "USB0::0x1209::0x0001::SN0001::INSTR";
const IN_DECIMAL: &str = "USB0::4617::1::SN0001::0::INSTR";
const DEADLINE: Duration = Duration::from_millis(1500);
const IDENTITY: &str = "KESTREL AND LOOM,TMC 1,SN0001,1.0";

type Outcome = Result<String, String>;

fn wire() -> Wire {
    let mut wire = Wire::lines(DEADLINE);
    wire.quiet = Duration::from_millis(50);
    wire
}

fn seen(device: &Plugged) -> Seen {
    let seen = device.seen.lock();
    seen.unwrap_or_else(PoisonError::into_inner).clone()
}

fn wrong(what: impl std::fmt::Debug) -> String {
    format!("{what:?}")
}

fn sure(fact: bool, else_: impl std::fmt::Debug) -> Result<(), String> {
    fact.then_some(()).ok_or_else(|| wrong(else_))
}

/// Plugs a device in and waits until the kernel has made a device file.
fn plugged(port: u32, device: &str, quirks: Quirks) -> Result<Plugged, String> {
    let plugged = plug(port, "SN0001", quirks).map_err(wrong)?;
    there(device, true)?;
    Ok(plugged)
}

fn there(device: &str, wanted: bool) -> Result<(), String> {
    let until = Instant::now() + Duration::from_secs(20);
    while Path::new(device).exists() != wanted {
        sure(Instant::now() < until, (device, wanted))?;
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

async fn opened(name: &str, wire: &Wire) -> Result<Link, String> {
    let resource = name.parse().map_err(wrong)?;
    Link::open(&resource, wire)
        .await
        .map_err(|error| error.to_string())
}

async fn ask(link: &mut Link, question: &str) -> Outcome {
    let answer = link.query(question, DEADLINE).await;
    answer.map_err(|error| error.to_string())
}

/// Questions and answers of many lengths, whole packets among them, by every form of the name.
async fn questions() -> Outcome {
    let device = plugged(0, "/dev/usbtmc0", Quirks::default())?;
    for name in [NAME, IN_DECIMAL, "/dev/usbtmc0"] {
        let mut link = opened(name, &wire()).await?;
        let identity = ask(&mut link, "*IDN?").await?;
        sure(identity == IDENTITY, identity)?;
    }
    let mut link = opened(NAME, &wire()).await?;
    for length in [1, 487, 498, 499, 500, 501, 4083, 16_383, 16_384, 20_000] {
        let answer = ask(&mut link, &format!(":LONG? {length}")).await?;
        sure(answer == "7".repeat(length), (length, answer.len()))?;
    }
    let began = Instant::now();
    for _ in 0..100 {
        ask(&mut link, "*IDN?").await?;
    }
    let rate = 100.0 / began.elapsed().as_secs_f64();
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
async fn deadlines() -> Outcome {
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
async fn aborts() -> Outcome {
    let device = plugged(0, "/dev/usbtmc0", Quirks::default())?;
    let mut wire = wire();
    wire.usb.no_status = true;
    wire.deadline = Duration::from_millis(500);
    let mut link = opened(NAME, &wire).await?;
    let missing = link.query(":NEVER?", DEADLINE).await;
    sure(matches!(missing, Err(LinkError::Timeout { .. })), missing)?;
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    let answer = ask(&mut link, ":LONG? 2").await?;
    sure(answer == "77", answer)?;
    let seen = seen(&device);
    sure(seen.aborts == 1 && seen.clears == 1, &seen)?;
    Ok(format!("{} abort, {} clear", seen.aborts, seen.clears))
}

/// An instrument without the empty packet: short pieces are the cure.
async fn whole_packets() -> Outcome {
    let quirks = Quirks {
        no_empty_packet: true,
        needs_remote: true,
    };
    let _device = plugged(0, "/dev/usbtmc0", quirks)?;
    let mut wire = wire();
    let mut link = opened(NAME, &wire).await?;
    let plain = link.query(":LONG? 499", DEADLINE).await;
    sure(matches!(plain, Err(LinkError::Timeout { .. })), plain)?;
    drop(link);
    wire.usb.piece = Some(496);
    let until = Instant::now() + Duration::from_secs(10);
    let mut link = loop {
        // The thread lets go once the kernel's time has run out.
        match opened(NAME, &wire).await {
            Ok(link) => break link,
            Err(why) => sure(Instant::now() < until, why)?,
        }
        std::thread::sleep(Duration::from_millis(50));
    };
    link.resync("*IDN?", IDENTITY).await.map_err(wrong)?;
    for length in [495, 496, 498, 499, 500, 501, 1500, 5000] {
        let answer = ask(&mut link, &format!(":LONG? {length}")).await?;
        sure(answer.len() == length, (length, answer.len()))?;
    }
    Ok("by pieces of 496 bytes".to_owned())
}

/// Unplugged while the kernel's driver waits in a read: gone at once.
async fn pulled_in_a_read() -> Outcome {
    let mut wire = wire();
    wire.usb.no_status = true;
    wire.deadline = Duration::from_secs(10);
    pulled(wire, Duration::from_secs(2)).await
}

/// Unplugged while the status byte is looked at. A call for it that is under way on the virtual
/// controller is given back only after the driver's own 5 s.
async fn pulled_at_the_status_byte() -> Outcome {
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
async fn another_number() -> Outcome {
    // Something else takes the old number.
    let _other = plug(1, "SN0002", Quirks::default()).map_err(wrong)?;
    there("/dev/usbtmc0", true)?;
    let _same = plugged(0, "/dev/usbtmc1", Quirks::default())?;
    let mut link = opened(NAME, &wire()).await?;
    let identity = ask(&mut link, "*IDN?").await?;
    sure(identity == IDENTITY, identity)?;
    Ok("back as usbtmc1".to_owned())
}

async fn all() -> bool {
    let mut good = true;
    macro_rules! check {
        ($($name:ident),+) => {$(
            let (word, text) = match $name().await {
                Ok(text) => ("ok", text),
                Err(why) => ("FAILED", why),
            };
            println!("usb {}: {word}: {text}", stringify!($name));
            good &= word == "ok";
            if let Err(why) = there("/dev/usbtmc0", false) {
                println!("usb: still plugged in: {why}");
            }
        )+};
    }
    check!(
        questions,
        deadlines,
        aborts,
        whole_packets,
        pulled_in_a_read,
        pulled_at_the_status_byte,
        another_number
    );
    good
}

fn main() -> ExitCode {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    match runtime.map(|runtime| runtime.block_on(all())) {
        Ok(true) => {
            println!("usb: all passed");
            ExitCode::SUCCESS
        }
        _ => ExitCode::FAILURE,
    }
}
