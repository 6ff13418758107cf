//! The supply's commands.

use super::desk::{Ask, Both, CLS, Desk, ERR, ESR, IDN, OPC, STB, Text, bounded, only};
use super::numbers::scientific;
use crate::supply::{MAX_AMPS, MAX_PROTECT, MAX_VOLTS, RESOLUTION};
use scpi::error::Result;
use scpi::parser::response::ResponseUnit;
use scpi::tree::prelude::{Context, Node};
use scpi::{Branch, Leaf, Root};

const TREE: Node<Desk> = Root![
    Leaf!(b"*IDN" => &IDN),
    Leaf!(b"*CLS" => &CLS),
    Leaf!(b"*OPC" => &OPC),
    Leaf!(b"*ESR" => &ESR),
    Leaf!(b"*STB" => &STB),
    Branch!(b"SYSTem"; Branch!(b"ERRor"; Leaf!(default b"NEXT" => &ERR))),
    Branch!(b"OUTPut";
        Leaf!(default b"STATe" => &OUTPUT),
        Branch!(b"PROTection"; Branch!(b"WDOG";
            Leaf!(default b"STATe" => &WATCHDOG),
            Leaf!(b"DELay" => &WATCHDOG_DELAY)
        ))
    ),
    Branch!(b"VOLTage";
        Leaf!(default b"LEVel" => &VOLTAGE),
        Branch!(b"PROTection";
            Leaf!(default b"LEVel" => &PROTECT),
            Leaf!(b"STATe" => &PROTECT_STATE),
            Leaf!(b"TRIPped" => &TRIPPED),
            Leaf!(b"CLEar" => &CLEAR)
        )
    ),
    Branch!(b"CURRent"; Leaf!(default b"LEVel" => &CURRENT)),
    Branch!(b"MEASure";
        Branch!(b"VOLTage"; Leaf!(default b"DC" => &MEASURE_VOLTS)),
        Branch!(b"CURRent"; Leaf!(default b"DC" => &MEASURE_AMPS))
    )
];

/// Runs one line.
pub fn run(line: &[u8], desk: &mut Desk, context: &mut Context, reply: &mut Vec<u8>) -> Result<()> {
    TREE.run(line, desk, context, reply)
}

fn number(response: &mut ResponseUnit, value: f64) -> Result<()> {
    let mut text = String::new();
    scientific(&mut text, value);
    response.data(Text(&text)).finish()
}

const OUTPUT: Both = Both(
    |desk, parameters| {
        let on: bool = only(parameters)?;
        desk.bench(|bench| {
            bench.supply.switch(on);
            bench.supply_changed();
        });
        Ok(())
    },
    |desk, _, mut response| response.data(desk.bench(|bench| bench.supply.on)).finish(),
);

const WATCHDOG: Both = Both(
    |desk, parameters| {
        let on: bool = only(parameters)?;
        desk.bench(|bench| bench.watchdog_armed(on));
        Ok(())
    },
    |desk, _, mut response| {
        let armed = desk.bench(|bench| bench.supply.watchdog.is_some());
        response.data(armed).finish()
    },
);

const WATCHDOG_DELAY: Both = Both(
    |desk, parameters| {
        let seconds = bounded(parameters, 1.0, 3600.0)?;
        desk.bench(|bench| bench.supply.watchdog_delay = (seconds * 1e9) as u64);
        Ok(())
    },
    |desk, _, mut response| {
        let delay = desk.bench(|bench| bench.supply.watchdog_delay);
        number(&mut response, delay as f64 * 1e-9)
    },
);

const VOLTAGE: Both = Both(
    |desk, parameters| {
        let volts = bounded(parameters, 0.0, MAX_VOLTS)?;
        let volts = (volts / RESOLUTION).round() * RESOLUTION;
        desk.bench(|bench| bench.set_voltage(volts));
        Ok(())
    },
    |desk, _, mut response| number(&mut response, desk.bench(|bench| bench.told_voltage())),
);

const CURRENT: Both = Both(
    |desk, parameters| {
        let amps = bounded(parameters, 0.0, MAX_AMPS)?;
        desk.bench(|bench| {
            bench.supply.limit = amps;
            bench.limit_changed();
        });
        Ok(())
    },
    |desk, _, mut response| number(&mut response, desk.bench(|bench| bench.supply.limit)),
);

const PROTECT: Both = Both(
    |desk, parameters| {
        let volts = bounded(parameters, 0.0, MAX_PROTECT)?;
        desk.bench(|bench| {
            bench.supply.protect = volts;
            bench.limit_changed();
        });
        Ok(())
    },
    |desk, _, mut response| number(&mut response, desk.bench(|bench| bench.supply.protect)),
);

const PROTECT_STATE: Both = Both(
    |desk, parameters| {
        let on: bool = only(parameters)?;
        desk.bench(|bench| {
            bench.supply.protecting = on;
            bench.limit_changed();
        });
        Ok(())
    },
    |desk, _, mut response| {
        response
            .data(desk.bench(|bench| bench.supply.protecting))
            .finish()
    },
);

const TRIPPED: Ask = Ask(|desk, _, mut response| {
    response
        .data(desk.bench(|bench| bench.supply.tripped))
        .finish()
});

const CLEAR: super::desk::Do = super::desk::Do(|desk, _| {
    desk.bench(|bench| {
        bench.supply.clear();
        bench.supply_changed();
    });
    Ok(())
});

const MEASURE_VOLTS: Ask = Ask(|desk, _, mut response| {
    let (volts, _) = desk.bench(|bench| bench.supply_reads());
    number(&mut response, volts)
});

const MEASURE_AMPS: Ask = Ask(|desk, _, mut response| {
    let (_, amps) = desk.bench(|bench| bench.supply_reads());
    number(&mut response, amps)
});
