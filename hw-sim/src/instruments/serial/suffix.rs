//! A supply that answers with header words and units.

use super::text;
use crate::bench::Bench;

fn value(command: &str, header: &str) -> Option<f64> {
    command
        .strip_prefix(header)?
        .strip_prefix(' ')?
        .parse()
        .ok()
}

pub fn hear(message: &[u8], bench: &mut Bench) -> Vec<u8> {
    let command = text(message);
    if let Some(volts) = value(command, "V1") {
        bench.set_voltage(volts);
    } else if let Some(amps) = value(command, "I1") {
        bench.supply.limit = amps;
        bench.limit_changed();
    } else if let Some(volts) = value(command, "OVP1") {
        bench.supply.protect = volts;
        bench.supply.protecting = true;
        bench.limit_changed();
    } else if let Some(on) = value(command, "OP1") {
        bench.supply.switch(on == 1.0);
        bench.supply_changed();
    }
    let reply = match command {
        "*IDN?" => "KESTREL AND LOOM, SX812, 0, 1.1".to_owned(),
        "*OPC?" => "1".to_owned(),
        "V1?" => format!("V1 {:.3}", bench.told_voltage()),
        "I1?" => format!("I1 {:.4}", bench.supply.limit),
        "OVP1?" => format!("VP1 {:.2}", bench.supply.protect),
        "OP1?" => u8::from(bench.supply.on).to_string(),
        "V1O?" => format!("{:.3}V", bench.supply_reads().0),
        "I1O?" => format!("{:.4}A", bench.supply_reads().1),
        _ => return Vec::new(),
    };
    format!("{reply}\r\n").into_bytes()
}
