//! Which dialects can be spoken to a USB test instrument.

use crate::dialect::{Dialect, Kind, Words};
use crate::frame::Framing;
use crate::words::{Command, Flag, Query};

impl Dialect {
    /// Why an instrument of this dialect can't be used on USB, where it can't.
    pub fn unfit_for_usb(&self) -> Option<String> {
        let name = &self.name;
        if self.wire.reply == Framing::Frame || !self.wire.acknowledge.is_empty() {
            return Some(format!(
                "dialect \"{name}\" is for a wire of bytes: its answers come without a question that \
                 USB could know; connect the instrument by its serial port"
            ));
        }
        let emergencies = matches!(self.kind(), Kind::Supply | Kind::Switch);
        if self.wire.usb.no_status && emergencies {
            return Some(format!(
                "dialect \"{name}\" has no_status: without the status byte, switching off would wait \
                 behind a slow answer; a {} needs it, or another connection",
                self.kind()
            ));
        }
        // Pots have words of their own, none of them a question by IEEE 488.2.
        let unmarked = self
            .questions()
            .into_iter()
            .find(|question| !question.contains('?'));
        let unmarked = match &self.words {
            Words::Pots(_) => unmarked.or(Some("R0")),
            _ => unmarked,
        };
        unmarked.map(|question| {
            format!(
                "dialect \"{name}\" asks \"{question}\", which holds no \"?\"; on USB only what holds \
                 one is answered; connect the instrument by its serial port or its socket"
            )
        })
    }

    /// All questions of the dialect.
    fn questions(&self) -> Vec<&str> {
        let queries: Vec<&Query>;
        let flags: Vec<&Flag>;
        let mut commands: Vec<&Command> = Vec::new();
        let mut templates = Vec::new();
        if let Some(common) = &self.common {
            commands.push(&common.identify);
            commands.extend(&common.errors);
            commands.extend(&common.barrier);
        }
        match &self.words {
            Words::Supply(words) => {
                let watchdog = words.watchdog.as_ref();
                queries = [
                    &words.voltage,
                    &words.current,
                    &words.measure_voltage,
                    &words.measure_current,
                ]
                .into_iter()
                .chain(&words.protection)
                .chain(watchdog.map(|watchdog| &watchdog.time))
                .collect();
                flags = [&words.output]
                    .into_iter()
                    .chain(&words.tripped)
                    .chain(watchdog.map(|watchdog| &watchdog.armed))
                    .collect();
            }
            Words::Meter(words) => {
                queries = vec![&words.range, &words.nplc, &words.read];
                flags = Vec::new();
                commands.extend(&words.high_impedance);
            }
            Words::Switch(words) => {
                (queries, flags) = (Vec::new(), Vec::new());
                templates.push(words.energised.text());
            }
            Words::Board(_) | Words::Pots(_) => (queries, flags) = (Vec::new(), Vec::new()),
        }
        commands.extend(queries.iter().map(|query| &query.ask));
        commands.extend(flags.iter().map(|flag| flag.question()));
        templates.extend(commands.into_iter().map(Command::text));
        templates
    }
}

#[cfg(test)]
mod tests {
    use crate::dialect::Dialect;

    #[test]
    fn what_usb_can_not_carry_is_refused() {
        for (name, part) in [
            ("scpi-supply", None),
            ("scpi-meter", None),
            ("scpi-switch", None),
            ("four-byte-switch", Some("a wire of bytes")),
            ("prompt-switch", Some("a wire of bytes")),
            ("fixed-digit-supply", Some("a wire of bytes")),
            ("bridge-pots", Some("holds no \"?\"")),
        ] {
            let unfit = Dialect::built_in(name).unwrap().unfit_for_usb();
            match (&unfit, part) {
                (None, None) => {}
                (Some(why), Some(part)) if why.contains(part) => {}
                _ => panic!("{name}: {unfit:?}"),
            }
        }
        let file = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../rigs/dialects/scpi-supply.toml"
        );
        let text = std::fs::read_to_string(file).unwrap();
        let unmarked = text.replace("output = \":OUTP?\"", "output = \"GOUT\"");
        let unfit = Dialect::parse("own", &unmarked).unwrap().unfit_for_usb();
        assert!(
            unfit
                .as_ref()
                .is_some_and(|why| why.contains("asks \"GOUT\"")),
            "{unfit:?}"
        );
        for (name, fits) in [
            ("scpi-supply", false),
            ("scpi-switch", false),
            ("scpi-meter", true),
        ] {
            let mut dialect = Dialect::built_in(name).unwrap();
            dialect.wire.usb.no_status = true;
            assert_eq!(dialect.unfit_for_usb().is_none(), fits, "{name}");
        }
    }
}
