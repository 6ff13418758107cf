//! A supply of plain ASCII: fixed widths, no endings, settings without an answer, a measured voltage
//! that agrees with the setting more than the output does.

use super::text;
use crate::bench::Bench;
use crate::supply::MAX_VOLTS;

/// Nearer to the setting than this, the measured voltage shows the setting, V.
const DOCTORED: f64 = 0.2;
/// Largest current setting, A.
const MAX_AMPS: f64 = 5.0;

/// A number written in exactly `width` characters.
fn setting(digits: &str, width: usize, most: f64) -> Option<f64> {
    let value: f64 = digits.parse().ok()?;
    (digits.len() == width && (0.0..=most).contains(&value)).then_some(value)
}

pub fn hear(message: &[u8], bench: &mut Bench) -> Vec<u8> {
    let command = text(message);
    if let Some(digits) = command.strip_prefix("VSET1:") {
        if let Some(volts) = setting(digits, 5, MAX_VOLTS) {
            bench.set_voltage(volts);
        }
        return Vec::new();
    }
    if let Some(digits) = command.strip_prefix("ISET1:") {
        if let Some(amps) = setting(digits, 5, MAX_AMPS) {
            bench.supply.limit = amps;
            bench.limit_changed();
        }
        return Vec::new();
    }
    match command {
        "*IDN?" => b"LOOMPS3005PV2.0".to_vec(),
        "VSET1?" => format!("{:05.2}", bench.told_voltage()).into_bytes(),
        // One character too many, as some firmware has it.
        "ISET1?" => format!("{:05.3}K", bench.supply.limit).into_bytes(),
        "VOUT1?" => {
            let (volts, _) = bench.supply_reads();
            let asked = bench.supply.asked;
            let near = bench.supply.on && (volts - asked).abs() < DOCTORED;
            let shown = if near { asked } else { volts };
            format!("{:05.2}", shown.max(0.0)).into_bytes()
        }
        "IOUT1?" => {
            let (_, amps) = bench.supply_reads();
            format!("{:05.3}", amps.max(0.0)).into_bytes()
        }
        "STATUS?" => vec![0x11 | u8::from(bench.supply.on) << 6],
        "OUT1" | "OUT0" => {
            bench.supply.switch(command == "OUT1");
            bench.supply_changed();
            Vec::new()
        }
        _ => Vec::new(),
    }
}
