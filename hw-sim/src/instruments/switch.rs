//! The relay unit's commands.

use super::desk::{Both, CLS, Desk, Do, ERR, ESR, IDN, OPC, STB, Text, only};
use super::numbers::scientific;
use crate::wiring::Wiring;
use scpi::error::{ErrorCode, Result};
use scpi::parser::expression::channel_list::{ChannelList, Token};
use scpi::parser::parameters::Parameters;
use scpi::tree::prelude::{Context, Node};
use scpi::{Branch, Leaf, Root};

/// Channel of the analog output.
const OUTPUT: isize = 301;
/// Its largest voltage, V.
const HIGHEST: f64 = 12.0;

const TREE: Node<Desk> = Root![
    Leaf!(b"*IDN" => &IDN),
    Leaf!(b"*CLS" => &CLS),
    Leaf!(b"*OPC" => &OPC),
    Leaf!(b"*ESR" => &ESR),
    Leaf!(b"*STB" => &STB),
    Branch!(b"SYSTem"; Branch!(b"ERRor"; Leaf!(default b"NEXT" => &ERR))),
    Branch!(b"ROUTe";
        Leaf!(b"CLOSe" => &CLOSE),
        Leaf!(b"OPEN" => &OPEN)
    ),
    Branch!(b"SOURce"; Leaf!(b"VOLTage" => &LEVEL))
];

/// Runs one line.
pub fn run(line: &[u8], desk: &mut Desk, context: &mut Context, reply: &mut Vec<u8>) -> Result<()> {
    TREE.run(line, desk, context, reply)
}

/// The relays of a channel list, in its order. All channels must exist: a list is done whole or
/// not at all.
fn relays(parameters: &mut Parameters) -> Result<Vec<usize>> {
    let list: ChannelList = only(parameters)?;
    let mut relays = Vec::new();
    for item in list {
        match item.map_err(scpi::error::Error::new)? {
            Token::ChannelSpec(spec) => relays.push(relay(spec.try_into()?)?),
            Token::ChannelRange(first, last) => {
                let (first, last): (isize, isize) = (first.try_into()?, last.try_into()?);
                if !(0..=999).contains(&first) || !(first..=999).contains(&last) {
                    return Err(ErrorCode::IllegalParameterValue.into());
                }
                for channel in first..=last {
                    relays.push(relay(channel)?);
                }
            }
            _ => return Err(ErrorCode::IllegalParameterValue.into()),
        }
    }
    Ok(relays)
}

fn relay(channel: isize) -> Result<usize> {
    Wiring::index(channel).ok_or_else(|| ErrorCode::IllegalParameterValue.into())
}

const CLOSE: Both = Both(
    |desk, parameters| {
        let relays = relays(parameters)?;
        desk.bench(|bench| bench.switch(&relays, true));
        Ok(())
    },
    |desk, parameters, mut response| {
        let relays = relays(parameters)?;
        let text = desk.bench(|bench| {
            let state = |relay: &usize| if bench.energised(*relay) { "1" } else { "0" };
            relays.iter().map(state).collect::<Vec<_>>().join(",")
        });
        response.data(Text(&text)).finish()
    },
);

/// The analog output, which sets the level of a trip.
const LEVEL: Both = Both(
    |desk, parameters| {
        let level: f64 = parameters.next_data()?;
        if !(0.0..=HIGHEST).contains(&level) {
            return Err(ErrorCode::DataOutOfRange.into());
        }
        output(only(parameters)?)?;
        desk.bench(|bench| bench.set_trip_level(level));
        Ok(())
    },
    |desk, parameters, mut response| {
        output(only(parameters)?)?;
        let mut text = String::new();
        scientific(&mut text, desk.bench(|bench| bench.trip_level()));
        response.data(Text(&text)).finish()
    },
);

/// Whether a list names the analog output and nothing else.
fn output(list: ChannelList) -> Result<()> {
    for item in list {
        match item.map_err(scpi::error::Error::new)? {
            Token::ChannelSpec(spec) if isize::try_from(spec)? == OUTPUT => {}
            _ => return Err(ErrorCode::IllegalParameterValue.into()),
        }
    }
    Ok(())
}

const OPEN: Do = Do(|desk, parameters| {
    let relays = relays(parameters)?;
    desk.bench(|bench| bench.switch(&relays, false));
    Ok(())
});
