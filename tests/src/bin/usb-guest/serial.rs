//! Instruments behind USB serial adapters of class CDC-ACM, by names as udev gives them.

use crate::common::{
    DEADLINE, Outcome, opened, rate, seen, sure, there, whole_answers, wire, wrong,
};
use drivers::{Dialect, LinkError, LinkState, Supply};
use hw_sim::usb::{Plugged, plug_serial};
use hw_sim::{Bench, Language, Line, Outlet};
use quantity::Volts;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const PORT: &str = "/dev/ttyACM0";

/// Plugs an adapter in and waits for its port, then names it as udev would: by what the device says
/// of itself.
fn adapter(port: u32, serial: &str, device: &str) -> Result<(Plugged, UnixStream, String), String> {
    let (plugged, line) = plug_serial(port, serial).map_err(wrong)?;
    there(device, true)?;
    let name = Path::new(device).file_name().unwrap_or_default();
    let place = Path::new("/sys/class/tty").join(name).join("device");
    let place = place.canonicalize().map_err(wrong)?;
    let of_device = |file: &str| {
        let text = std::fs::read_to_string(place.join("..").join(file));
        text.map(|text| text.trim().replace(' ', "_"))
            .map_err(wrong)
    };
    let folder = Path::new("/dev/serial/by-id");
    std::fs::create_dir_all(folder).map_err(wrong)?;
    let (maker, model) = (of_device("manufacturer")?, of_device("product")?);
    let link: PathBuf = folder.join(format!("usb-{maker}_{model}_{}-if00", of_device("serial")?));
    // The name of an earlier device of the same kind.
    let _ = std::fs::remove_file(&link);
    std::os::unix::fs::symlink(device, &link).map_err(wrong)?;
    Ok((plugged, line, format!("ASRL{}::INSTR", link.display())))
}

/// Answers `:LONG? n` by so many digits and `*IDN?` by a name, and nothing else.
fn talker(line: UnixStream) -> std::io::Result<()> {
    let mut reader = BufReader::new(line.try_clone()?);
    let (mut line, mut heard) = (line, String::new());
    while reader.read_line(&mut heard)? > 0 {
        let said = std::mem::take(&mut heard);
        let count = said.trim().strip_prefix(":LONG? ").map(str::parse);
        match (said.trim(), count) {
            ("*IDN?", _) => line.write_all(b"KESTREL AND LOOM,ACM 1,SN0007,1.0\n")?,
            (_, Some(Ok(count))) => {
                line.write_all(format!("{}\n", "7".repeat(count)).as_bytes())?
            }
            _ => {}
        }
    }
    Ok(())
}

/// A supply of plain ASCII: identified, set, read back, switched on and off.
pub async fn a_plain_supply() -> Outcome {
    let (device, line, name) = adapter(0, "SN0007", PORT)?;
    let movement = hw_sim::find("heron").ok_or("no movement")?;
    let bench = Arc::new(Mutex::new(Bench::standard(&movement, 5)));
    line.set_nonblocking(true).map_err(wrong)?;
    let line = tokio::net::UnixStream::from_std(line).map_err(wrong)?;
    let outlet = Outlet::new(&bench, Language::Plain, Line::of(Language::Plain));
    tokio::spawn(outlet.talk(line));
    let dialect = Dialect::built_in("plain-ascii-supply").map_err(wrong)?;
    let link = opened(&name, &dialect.wire).await?;
    let mut supply = Supply::open(link, &dialect).await.map_err(wrong)?;
    let done = async {
        supply.set_voltage(Volts::new(2.5)).await?;
        supply.output(true).await?;
        let on = supply.output_state().await?;
        let volts = supply.voltage_set().await?;
        supply.output(false).await?;
        Ok::<_, drivers::DriverError>((on, volts, supply.output_state().await?))
    };
    let done = done.await.map_err(wrong)?;
    sure(done == (true, Volts::new(2.5), false), done)?;
    let lines = seen(&device).lines;
    sure(lines.contains(&3), &lines)?;
    Ok(format!("{}; DTR and RTS {lines:?}", supply.identity()))
}

/// Long answers, whole packets among them, and how many in a second.
pub async fn long_answers() -> Outcome {
    let (_device, line, name) = adapter(0, "SN0007", PORT)?;
    std::thread::spawn(move || talker(line));
    let mut link = opened(&name, &wire()).await?;
    whole_answers(&mut link, &[1, 63, 64, 511, 512, 1023, 4095, 4096, 20_000]).await?;
    let rate = rate(&mut link).await?;
    Ok(format!("{rate:.0} questions/s"))
}

/// Unplugged in the middle of an answer: gone at once. Plugged in again while something else holds
/// the old number: found by its name.
pub async fn pulled_and_back_under_another_number() -> Outcome {
    let (device, mut line, name) = adapter(0, "SN0007", PORT)?;
    let mut link = opened(&name, &wire()).await?;
    let puller = std::thread::spawn(move || {
        // Half an answer.
        let written = line.write_all(b"+1.2");
        std::thread::sleep(Duration::from_millis(300));
        drop(device);
        written
    });
    let began = Instant::now();
    let gone = link.query(":MEAS?", Duration::from_secs(10)).await;
    let took = began.elapsed();
    sure(matches!(gone, Err(LinkError::Gone { .. })), gone)?;
    sure(took < Duration::from_secs(3), took)?;
    sure(link.state() == LinkState::Gone, link.state())?;
    puller.join().map_err(|_| "the puller")?.map_err(wrong)?;
    there(PORT, false)?;
    let _other = adapter(1, "SN0008", PORT)?;
    let (_same, line, again) = adapter(0, "SN0007", "/dev/ttyACM1")?;
    sure(again == name, &again)?;
    std::thread::spawn(move || talker(line));
    let mut link = opened(&name, &wire()).await?;
    let identity = link.query("*IDN?", DEADLINE).await.map_err(wrong)?;
    sure(identity.contains("SN0007"), identity)?;
    Ok(format!(
        "gone after {} ms, back as ttyACM1",
        took.as_millis()
    ))
}
