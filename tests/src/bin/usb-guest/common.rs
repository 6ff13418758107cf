//! What the checks share.

use drivers::{Link, Wire};
use hw_sim::usb::{Plugged, Quirks, Seen, plug};
use std::path::Path;
use std::sync::PoisonError;
use std::time::{Duration, Instant};

pub const NAME: &str = "USB0::0x1209::0x0001::SN0001::INSTR";
pub const DEADLINE: Duration = Duration::from_millis(1500);
pub const IDENTITY: &str = "KESTREL AND LOOM,TMC 1,SN0001,1.0";

pub type Outcome = Result<String, String>;

pub fn wire() -> Wire {
    let mut wire = Wire::lines(DEADLINE);
    wire.quiet = Duration::from_millis(50);
    wire
}

pub fn seen(device: &Plugged) -> Seen {
    let seen = device.seen.lock();
    seen.unwrap_or_else(PoisonError::into_inner).clone()
}

pub fn wrong(what: impl std::fmt::Debug) -> String {
    format!("{what:?}")
}

pub fn sure(fact: bool, else_: impl std::fmt::Debug) -> Result<(), String> {
    fact.then_some(()).ok_or_else(|| wrong(else_))
}

/// Plugs a device in and waits until the kernel has made a device file.
pub fn plugged(port: u32, device: &str, quirks: Quirks) -> Result<Plugged, String> {
    let plugged = plug(port, "SN0001", quirks).map_err(wrong)?;
    there(device, true)?;
    Ok(plugged)
}

pub fn there(device: &str, wanted: bool) -> Result<(), String> {
    let until = Instant::now() + Duration::from_secs(20);
    while Path::new(device).exists() != wanted {
        sure(Instant::now() < until, (device, wanted))?;
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

pub async fn opened(name: &str, wire: &Wire) -> Result<Link, String> {
    let resource = name.parse().map_err(wrong)?;
    Link::open(&resource, wire)
        .await
        .map_err(|error| error.to_string())
}

/// Answers of so many characters each come whole.
pub async fn whole_answers(link: &mut Link, lengths: &[usize]) -> Result<(), String> {
    for &length in lengths {
        let answer = ask(link, &format!(":LONG? {length}")).await?;
        sure(answer == "7".repeat(length), (length, answer.len()))?;
    }
    Ok(())
}

/// Questions per second.
pub async fn rate(link: &mut Link) -> Result<f64, String> {
    let began = Instant::now();
    for _ in 0..100 {
        ask(link, "*IDN?").await?;
    }
    Ok(100.0 / began.elapsed().as_secs_f64())
}

pub async fn ask(link: &mut Link, question: &str) -> Outcome {
    let answer = link.query(question, DEADLINE).await;
    answer.map_err(|error| error.to_string())
}
