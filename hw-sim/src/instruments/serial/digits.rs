//! A supply of fixed digits without a point: tenths of volts and hundredths of amperes, each command
//! ended by CR and answered by OK. What it does not know is not answered.

use super::text;
use crate::bench::Bench;

fn number(digits: &str, per_unit: f64) -> Option<f64> {
    let digits: u32 = (digits.len() == 3).then(|| digits.parse().ok())??;
    Some(f64::from(digits) / per_unit)
}

fn counts(value: f64, per_unit: f64) -> u32 {
    (value * per_unit).round().clamp(0.0, 9999.0) as u32
}

pub fn hear(message: &[u8], bench: &mut Bench) -> Vec<u8> {
    let command = text(message);
    let said = if let Some(volts) = command.strip_prefix("VOLT").and_then(|d| number(d, 10.0)) {
        // Below 0.8 V nothing is answered and nothing is set.
        if !(0.8..=8.0).contains(&volts) {
            return Vec::new();
        }
        bench.set_voltage(volts);
        String::new()
    } else if let Some(amps) = command.strip_prefix("CURR").and_then(|d| number(d, 100.0)) {
        bench.supply.limit = amps;
        bench.limit_changed();
        String::new()
    } else if let Some(volts) = command.strip_prefix("SOVP").and_then(|d| number(d, 10.0)) {
        bench.supply.protect = volts;
        bench.supply.protecting = true;
        bench.limit_changed();
        String::new()
    } else {
        let supply = &bench.supply;
        match command {
            "GMAX" => "080500\r".to_owned(),
            "GETS" => {
                let (volts, amps) = (counts(supply.set, 10.0), counts(supply.limit, 100.0));
                format!("{volts:03}{amps:03}\r")
            }
            "GOVP" => format!("{:03}\r", counts(supply.protect, 10.0)),
            "GOUT" => format!("{}\r", u8::from(!supply.on)),
            "GETD" => {
                let (volts, amps) = bench.supply_reads();
                format!("{:04}{:04}0\r", counts(volts, 100.0), counts(amps, 1000.0))
            }
            "SOUT0" | "SOUT1" => {
                bench.supply.switch(command == "SOUT0");
                bench.supply_changed();
                String::new()
            }
            _ => return Vec::new(),
        }
    };
    format!("{said}OK\r").into_bytes()
}
