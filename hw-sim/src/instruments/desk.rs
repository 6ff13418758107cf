//! One SCPI instrument: its error queue and status, and the handlers' way to the bench.

use crate::bench::{Bench, DROP, SharedBench};
use crate::faults::Place;
use scpi::error::{Error, ErrorCode, Result};
use scpi::parser::parameters::Parameters;
use scpi::parser::response::{Formatter, ResponseData, ResponseUnit};
use scpi::parser::tokenizer::Token;
use scpi::tree::command::Command;
use scpi::{Context, Device};
use std::collections::VecDeque;
use std::sync::PoisonError;

use super::{multimeter, source, switch};

/// Longest error queue; the last place then says that something was lost.
const QUEUE: usize = 20;

/// Which instrument this is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// The supply.
    Supply,
    /// A multimeter: index of its place on the bench.
    Meter(usize),
    /// The relay unit.
    Switch,
}

impl Role {
    /// Its place on the bench.
    pub fn place(self) -> Place {
        match self {
            Role::Supply => Place::Supply,
            Role::Meter(DROP) => Place::Drop,
            Role::Meter(_) => Place::Loop,
            Role::Switch => Place::Switch,
        }
    }
}

/// Stands in a reply for what is not known yet; no instrument sends this byte.
const GAP: u8 = 0x1a;

/// The front end of one SCPI instrument.
pub struct Desk {
    role: Role,
    bench: SharedBench,
    errors: VecDeque<Error>,
    events: u8,
    /// The reply is not to leave before this bench time, ns.
    pub(super) ready: u64,
}

impl Device for Desk {
    fn handle_error(&mut self, error: Error) {
        self.events |= error.esr_mask();
        if self.errors.len() < QUEUE {
            self.errors.push_back(error);
        } else if let Some(last) = self.errors.back_mut() {
            *last = ErrorCode::QueueOverflow.into();
        }
    }
}

impl Desk {
    /// The front end of this instrument of the bench.
    pub fn new(role: Role, bench: SharedBench) -> Self {
        Desk {
            role,
            bench,
            errors: VecDeque::new(),
            events: 0x80,

            ready: 0,
        }
    }

    /// Time from the arrival of a command to its effect, ms.
    pub fn latency_ms(&self) -> u64 {
        match self.role {
            Role::Supply | Role::Switch => 3,
            Role::Meter(_) => 1,
        }
    }

    /// Executes one line (without its terminator), writing the reply into `reply`. Gives the bench
    /// time (ns) before which the reply must be held back; then call [`Desk::complete`].
    pub fn execute(&mut self, line: &[u8], reply: &mut Vec<u8>) -> u64 {
        let place = self.role.place();
        self.bench(|bench| bench.received(place));
        reply.clear();
        self.ready = 0;
        let line = line.trim_ascii();
        if line.is_empty() {
            return 0;
        }
        if !line.is_ascii() || line.contains(&GAP) {
            self.handle_error(ErrorCode::InvalidCharacter.into());
            return 0;
        }
        let mut context = Context::default();
        let run = match self.role {
            Role::Supply => source::run(line, self, &mut context, reply),
            Role::Meter(_) => multimeter::run(line, self, &mut context, reply),
            Role::Switch => switch::run(line, self, &mut context, reply),
        };
        // On an error the parser leaves what it had of the reply without its end.
        if run.is_err() && !reply.is_empty() && reply.last() != Some(&b'\n') {
            reply.push(b'\n');
        }
        self.ready
    }

    /// Fills in the readings that the reply had to wait for.
    pub fn complete(&mut self, reply: &mut Vec<u8>) {
        if !reply.contains(&GAP) {
            return;
        }
        let meter = self.meter();
        let text = self.bench(|bench| multimeter::memory(bench, meter));
        if text.is_empty() {
            // Another client has changed the settings meanwhile.
            self.handle_error(ErrorCode::DataCorruptOrStale.into());
            reply.clear();
        }
        while let Some(at) = reply.iter().position(|byte| *byte == GAP) {
            reply.splice(at..=at, text.bytes());
        }
    }

    /// The instant of tokio's clock at bench time `at` (ns).
    pub fn instant(&self, at: u64) -> tokio::time::Instant {
        self.bench
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .instant(at)
    }

    /// The line was longer than the input buffer.
    pub fn overrun(&mut self) {
        self.handle_error(ErrorCode::InputBufferOverrun.into());
    }

    /// Works on the bench, brought up to now.
    pub(super) fn bench<R>(&self, work: impl FnOnce(&mut Bench) -> R) -> R {
        let mut bench = self.bench.lock().unwrap_or_else(PoisonError::into_inner);
        bench.catch_up();
        work(&mut bench)
    }

    /// The meter this is, 0 for others.
    pub(super) fn meter(&self) -> usize {
        match self.role {
            Role::Meter(meter) => meter,
            _ => 0,
        }
    }

    /// Leaves a gap in the reply for the readings of this meter, complete at `ready` ns.
    pub(super) fn wait_for_readings(
        &mut self,
        ready: u64,
        mut response: ResponseUnit,
    ) -> Result<()> {
        self.ready = self.ready.max(ready);
        response
            .data(Text(std::str::from_utf8(&[GAP]).unwrap_or_default()))
            .finish()
    }

    fn identity(&self) -> &'static str {
        match self.role {
            Role::Supply => "Kestrel & Loom,PL-812,0,1.4",
            Role::Meter(0) => "Quillfeather,DM6512,QF1207,2.1",
            Role::Meter(_) => "Quillfeather,DM6512,QF1208,2.1",
            Role::Switch => "Tallow Works,RX-40,TW0031,1.0",
        }
    }

    fn status_byte(&self) -> u8 {
        let errors = if self.errors.is_empty() { 0 } else { 0x04 };
        let events = if self.events == 0 { 0 } else { 0x20 };
        errors | events
    }
}

/// Bare text in a reply.
pub(super) struct Text<'a>(pub &'a str);

impl ResponseData for Text<'_> {
    fn format_response_data(&self, formatter: &mut dyn Formatter) -> Result<()> {
        formatter.push_str(self.0.as_bytes())
    }
}

type Event = fn(&mut Desk, &mut Parameters) -> Result<()>;
type Query = fn(&mut Desk, &mut Parameters, ResponseUnit) -> Result<()>;

/// A command without a query form.
pub(super) struct Do(pub Event);
/// A query without a command form.
pub(super) struct Ask(pub Query);
/// Both forms.
pub(super) struct Both(pub Event, pub Query);

impl Command<Desk> for Do {
    fn event(&self, desk: &mut Desk, _: &mut Context, mut parameters: Parameters) -> Result<()> {
        (self.0)(desk, &mut parameters)
    }
}

impl Command<Desk> for Ask {
    fn query(
        &self,
        desk: &mut Desk,
        _: &mut Context,
        mut parameters: Parameters,
        response: ResponseUnit,
    ) -> Result<()> {
        (self.0)(desk, &mut parameters, response)
    }
}

impl Command<Desk> for Both {
    fn event(&self, desk: &mut Desk, _: &mut Context, mut parameters: Parameters) -> Result<()> {
        (self.0)(desk, &mut parameters)
    }

    fn query(
        &self,
        desk: &mut Desk,
        _: &mut Context,
        mut parameters: Parameters,
        response: ResponseUnit,
    ) -> Result<()> {
        (self.1)(desk, &mut parameters, response)
    }
}

/// `*IDN?`
pub(super) const IDN: Ask =
    Ask(|desk, _, mut response| response.data(Text(desk.identity())).finish());

/// `*CLS`
pub(super) const CLS: Do = Do(|desk, _| {
    desk.errors.clear();
    desk.events = 0;
    Ok(())
});

/// `*OPC?`: answers when everything commanded has happened.
pub(super) const OPC: Both = Both(
    |desk, _| {
        desk.events |= 0x01;
        Ok(())
    },
    |desk, _, mut response| {
        let ready = match desk.role {
            Role::Supply => 0,
            Role::Meter(meter) => desk.bench(|bench| bench.meters[meter].ready),
            Role::Switch => desk.bench(|bench| bench.relays_ready),
        };
        desk.ready = desk.ready.max(ready);
        response.data(1u8).finish()
    },
);

/// `*ESR?`
pub(super) const ESR: Ask =
    Ask(|desk, _, mut response| response.data(std::mem::take(&mut desk.events)).finish());

/// `*STB?`
pub(super) const STB: Ask = Ask(|desk, _, mut response| response.data(desk.status_byte()).finish());

/// `SYSTem:ERRor[:NEXT]?`
pub(super) const ERR: Ask = Ask(|desk, _, mut response| match desk.errors.pop_front() {
    Some(error) => response.data(error).finish(),
    None => response.data(Text("0,\"No error\"")).finish(),
});

/// The last (or only) parameter. Nothing may follow it: a setting is refused before it has changed
/// anything, so that `VOLT 1,5` does not mean 1 V.
pub(super) fn only<'a, T>(parameters: &mut Parameters<'a, '_>) -> Result<T>
where
    T: TryFrom<Token<'a>, Error = Error>,
{
    let value = parameters.next_data()?;
    match parameters.next_optional_token()? {
        None => Ok(value),
        Some(_) => Err(ErrorCode::ParameterNotAllowed.into()),
    }
}

/// A number within bounds, else -222.
pub(super) fn bounded(parameters: &mut Parameters, low: f64, high: f64) -> Result<f64> {
    let value: f64 = only(parameters)?;
    match value {
        f64::MAX => Ok(high),
        f64::MIN => Ok(low),
        value if value >= low && value <= high => Ok(value),
        _ => Err(ErrorCode::DataOutOfRange.into()),
    }
}
