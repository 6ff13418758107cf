//! The multimeters' commands.

use super::desk::{Ask, Both, CLS, Desk, Do, ERR, ESR, IDN, OPC, STB, Text, bounded, only};
use super::numbers::scientific;
use crate::bench::Bench;
use crate::meter::{APERTURES, Function, Meter};
use scpi::error::{ErrorCode, Result};
use scpi::parser::format::Character;
use scpi::parser::parameters::Parameters;
use scpi::tree::prelude::{Context, Node};
use scpi::{Branch, Leaf, Root};

const VOLTS: Node<Desk> = Branch!(b"VOLTage";
    Branch!(default b"DC";
        Leaf!(b"RANGe" => &RANGE),
        Leaf!(b"NPLCycles" => &CYCLES),
        Branch!(b"IMPedance"; Leaf!(b"AUTO" => &IMPEDANCE)),
        Branch!(b"ZERO"; Leaf!(b"AUTO" => &AUTO_ZERO))
    )
);

const TREE: Node<Desk> = Root![
    Leaf!(b"*IDN" => &IDN),
    Leaf!(b"*CLS" => &CLS),
    Leaf!(b"*OPC" => &OPC),
    Leaf!(b"*ESR" => &ESR),
    Leaf!(b"*STB" => &STB),
    Leaf!(b"READ" => &READ),
    Leaf!(b"INITiate" => &INITIATE),
    Leaf!(b"FETCh" => &FETCH),
    VOLTS,
    Branch!(default b"SENSe"; VOLTS),
    Branch!(b"SYSTem"; Branch!(b"ERRor"; Leaf!(default b"NEXT" => &ERR))),
    Branch!(b"CONFigure" => &CONFIGURED;
        Branch!(b"VOLTage"; Leaf!(default b"DC" => &CONFIGURE_VOLTS)),
        Leaf!(b"RESistance" => &CONFIGURE_OHMS),
        Leaf!(b"FRESistance" => &CONFIGURE_FOUR_WIRE)
    ),
    Branch!(b"TRIGger"; Leaf!(b"SOURce" => &TRIGGER_SOURCE)),
    Branch!(b"SAMPle"; Leaf!(b"COUNt" => &SAMPLES))
];

/// Runs one line.
pub fn run(line: &[u8], desk: &mut Desk, context: &mut Context, reply: &mut Vec<u8>) -> Result<()> {
    TREE.run(line, desk, context, reply)
}

/// A meter's memory as text.
pub fn memory(bench: &Bench, meter: usize) -> String {
    let mut text = String::with_capacity(20);
    for (k, value) in bench.meters[meter].memory.iter().enumerate() {
        if k > 0 {
            text.push(',');
        }
        scientific(&mut text, *value);
    }
    text
}

fn change(desk: &Desk, work: impl FnOnce(&mut Meter)) {
    let meter = desk.meter();
    desk.bench(|bench| {
        work(&mut bench.meters[meter]);
        bench.meter_changed(meter);
    });
}

fn ask<R>(desk: &Desk, work: impl FnOnce(&Meter) -> R) -> R {
    let meter = desk.meter();
    desk.bench(|bench| work(&bench.meters[meter]))
}

fn configure(desk: &Desk, function: Function, range: Option<f64>) -> Result<()> {
    let range = range.ok_or(ErrorCode::DataOutOfRange)?;
    change(desk, |meter| {
        meter.function = function;
        meter.range = range;
        meter.cycles = 10.0;
        meter.auto_zero = true;
        meter.high_impedance = false;
        meter.samples = 1;
    });
    Ok(())
}

fn ohm_range(parameters: &mut Parameters) -> Result<Option<f64>> {
    Ok(Meter::ohm_range(bounded(parameters, 0.0, 1e7)?))
}

const CONFIGURE_VOLTS: Do = Do(|desk, parameters| {
    let range = Meter::volt_range(bounded(parameters, 0.0, 10.0)?);
    configure(desk, Function::Volts, range)
});

const CONFIGURE_OHMS: Do = Do(|desk, parameters| {
    let range = ohm_range(parameters)?;
    configure(desk, Function::Ohms, range)
});

const CONFIGURE_FOUR_WIRE: Do = Do(|desk, parameters| {
    let range = ohm_range(parameters)?;
    configure(desk, Function::FourWire, range)
});

const CONFIGURED: Ask = Ask(|desk, _, mut response| {
    let (function, range) = ask(desk, |meter| (meter.function, meter.range));
    let name = match function {
        Function::Volts => "VOLT",
        Function::Ohms => "RES",
        Function::FourWire => "FRES",
    };
    let mut text = format!("\"{name} ");
    scientific(&mut text, range);
    text.push('"');
    response.data(Text(&text)).finish()
});

const RANGE: Both = Both(
    |desk, parameters| {
        let range = Meter::volt_range(bounded(parameters, 0.0, 10.0)?);
        let range = range.ok_or(ErrorCode::DataOutOfRange)?;
        if ask(desk, |meter| meter.function) != Function::Volts {
            return Err(ErrorCode::SettingsConflict.into());
        }
        change(desk, |meter| meter.range = range);
        Ok(())
    },
    |desk, _, mut response| {
        let (function, range) = ask(desk, |meter| (meter.function, meter.range));
        if function != Function::Volts {
            return Err(ErrorCode::SettingsConflict.into());
        }
        let mut text = String::new();
        scientific(&mut text, range);
        response.data(Text(&text)).finish()
    },
);

const CYCLES: Both = Both(
    |desk, parameters| {
        let wanted = bounded(parameters, APERTURES[0], APERTURES[APERTURES.len() - 1])?;
        // As bench meters do: the next aperture that is not shorter.
        let cycles = APERTURES
            .iter()
            .copied()
            .find(|cycles| *cycles >= wanted * 0.999_999);
        let cycles = cycles.ok_or(ErrorCode::DataOutOfRange)?;
        change(desk, |meter| meter.cycles = cycles);
        Ok(())
    },
    |desk, _, mut response| {
        let mut text = String::new();
        scientific(&mut text, ask(desk, |meter| meter.cycles));
        response.data(Text(&text)).finish()
    },
);

const IMPEDANCE: Both = Both(
    |desk, parameters| {
        let high: bool = only(parameters)?;
        change(desk, |meter| meter.high_impedance = high);
        Ok(())
    },
    |desk, _, mut response| {
        response
            .data(ask(desk, |meter| meter.high_impedance))
            .finish()
    },
);

const AUTO_ZERO: Both = Both(
    |desk, parameters| {
        let on: bool = only(parameters)?;
        change(desk, |meter| meter.auto_zero = on);
        Ok(())
    },
    |desk, _, mut response| response.data(ask(desk, |meter| meter.auto_zero)).finish(),
);

const SAMPLES: Both = Both(
    |desk, parameters| {
        let count = bounded(parameters, 1.0, 10_000.0)?;
        change(desk, |meter| meter.samples = count.round() as u32);
        Ok(())
    },
    |desk, _, mut response| response.data(ask(desk, |meter| meter.samples)).finish(),
);

const TRIGGER_SOURCE: Both = Both(
    |_, parameters| {
        let Character(source) = only(parameters)?;
        if source.eq_ignore_ascii_case(b"IMM") || source.eq_ignore_ascii_case(b"IMMEDIATE") {
            Ok(())
        } else {
            Err(ErrorCode::IllegalParameterValue.into())
        }
    },
    |_, _, mut response| response.data(Text("IMM")).finish(),
);

const INITIATE: Do = Do(|desk, _| {
    let meter = desk.meter();
    desk.bench(|bench| bench.trigger(meter));
    Ok(())
});

const READ: Ask = Ask(|desk, _, response| {
    let meter = desk.meter();
    let ready = desk.bench(|bench| bench.trigger(meter));
    desk.wait_for_readings(ready, response)
});

const FETCH: Ask = Ask(|desk, _, response| {
    let (ready, anything) = {
        let meter = desk.meter();
        desk.bench(|bench| {
            let unit = &bench.meters[meter];
            (unit.ready, unit.running() || !unit.memory.is_empty())
        })
    };
    if !anything {
        return Err(ErrorCode::DataCorruptOrStale.into());
    }
    desk.wait_for_readings(ready, response)
});
