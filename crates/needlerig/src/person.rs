//! A person who reads the needle, asked at the terminal.

use evidence::{Needle, Sight, SightFuture, Sighting};
use guard::PersonSpec;
use std::io::{BufRead, BufReader, Read, Write};
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// Longest line that counts as an answer, bytes.
const LONGEST: u64 = 200;
/// How often a wait in which simulated time stands still looks whether the run is to end.
const LOOKS_EVERY: Duration = Duration::from_millis(1);
/// Beyond these shares of scale there is no needle.
const SOMEWHERE: std::ops::RangeInclusive<f64> = -0.2..=1.3;

/// What a line from a person comes to.
#[derive(Debug, PartialEq)]
enum Answer {
    /// A share of scale.
    At(f64),
    /// The run is to end.
    Quit,
    /// Neither, and why.
    Unclear(String),
}

/// Where questions go to, and answers come from.
pub struct Terminal {
    /// What the person types.
    pub input: Box<dyn Read + Send>,
    /// What the person sees.
    pub output: Box<dyn Write + Send>,
}

impl Terminal {
    /// Standard input, and standard error, since standard output is for results.
    pub fn standard() -> Self {
        Self {
            input: Box::new(std::io::stdin()),
            output: Box::new(std::io::stderr()),
        }
    }
}

/// A person before the dial.
pub struct Person {
    spec: PersonSpec,
    lines: mpsc::UnboundedReceiver<String>,
    output: Box<dyn Write + Send>,
    /// Turned true to end the run.
    quit: watch::Sender<bool>,
    /// Simulated time stands still while the person thinks.
    still: bool,
}

impl Person {
    /// Reads answers on a thread of its own. With `still`, waiting holds up the thread that asks, and
    /// with it a clock that would run ahead.
    pub fn new(
        spec: PersonSpec,
        terminal: Terminal,
        quit: watch::Sender<bool>,
        still: bool,
    ) -> Self {
        let (sender, lines) = mpsc::unbounded_channel();
        let Terminal { input, output } = terminal;
        std::thread::spawn(move || listen(BufReader::new(input), &sender));
        Self {
            spec,
            lines,
            output,
            quit,
            still,
        }
    }

    async fn answer(&mut self, about: &str) -> Sighting {
        // What was typed before the question is no answer to it.
        while self.lines.try_recv().is_ok() {}
        let full = self.spec.full_scale;
        let mut about = about.to_owned();
        loop {
            self.tell(&format!(
                "{about}.\nWhere does the needle stand, once it rests? 0 to {full}, or in % of scale \
                 with %; q ends the run:"
            ));
            let Some(line) = self.line().await else {
                return self.leave("nobody answers any more").await;
            };
            about = match understood(&line, &self.spec) {
                Answer::At(deflection) => return self.seen(deflection),
                Answer::Quit => return self.leave("ended by q").await,
                Answer::Unclear(why) => why,
            };
        }
    }

    /// On a line of its own. A terminal that is gone gives no answer either.
    fn tell(&mut self, text: &str) {
        let _ = writeln!(self.output, "\n{text}");
        let _ = self.output.flush();
    }

    fn seen(&self, deflection: f64) -> Sighting {
        let needle = Needle {
            deflection,
            u: self.spec.u(),
            u_shared: self.spec.shared,
        };
        Sighting {
            age: 0.0,
            seen: Ok(needle),
        }
    }

    /// The next line; none once there will be no more.
    async fn line(&mut self) -> Option<String> {
        if !self.still {
            return self.lines.recv().await;
        }
        loop {
            match self.lines.try_recv() {
                Ok(line) => return Some(line),
                Err(mpsc::error::TryRecvError::Disconnected) => return None,
                Err(mpsc::error::TryRecvError::Empty) if *self.quit.borrow() => {
                    return std::future::pending().await;
                }
                Err(mpsc::error::TryRecvError::Empty) => std::thread::sleep(LOOKS_EVERY),
            }
        }
    }

    /// Asks for the end of the run, which ends this wait, too.
    async fn leave(&mut self, why: &str) -> Sighting {
        self.tell(&format!(
            "{why}: the supply is switched off and the contacts fall"
        ));
        self.quit.send_replace(true);
        std::future::pending().await
    }
}

impl Sight for Person {
    fn look(&mut self) -> SightFuture<'_> {
        self.ask("the needle is to be read")
    }

    fn name(&self) -> String {
        let PersonSpec {
            full_scale,
            division,
            ..
        } = self.spec;
        format!("person, at a scale of 0 to {full_scale} in steps of {division}")
    }

    fn by_person(&self) -> bool {
        true
    }

    fn ask<'a>(&'a mut self, about: &'a str) -> SightFuture<'a> {
        Box::pin(self.answer(about))
    }
}

/// Hands on lines until there are no more, or nobody wants them.
fn listen(mut input: impl BufRead, lines: &mpsc::UnboundedSender<String>) {
    loop {
        let mut line = Vec::new();
        let read = input.by_ref().take(LONGEST).read_until(b'\n', &mut line);
        if !matches!(read, Ok(1..)) {
            return;
        }
        let text = String::from_utf8_lossy(&line).trim().to_owned();
        if lines.send(text).is_err() {
            return;
        }
    }
}

/// What a line says about a scale.
fn understood(line: &str, spec: &PersonSpec) -> Answer {
    let text = line.trim().replace(',', ".");
    if text.eq_ignore_ascii_case("q") {
        return Answer::Quit;
    }
    let percent = text.strip_suffix('%');
    let number = percent.unwrap_or(&text).trim();
    let full = if percent.is_some() {
        100.0
    } else {
        spec.full_scale
    };
    match number.parse::<f64>() {
        Ok(value) if SOMEWHERE.contains(&(value / full)) => Answer::At(value / full),
        Ok(_) => Answer::Unclear(format!(
            "\"{number}\" lies off the scale, which goes from 0 to {}",
            spec.full_scale
        )),
        Err(_) => {
            let shown: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
            Answer::Unclear(format!("\"{shown}\" is no number, such as 12.5 or 25 %"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCALE: PersonSpec = PersonSpec {
        full_scale: 50.0,
        division: 1.0,
        shared: 0.002,
    };

    #[test]
    fn numbers_of_the_scale_and_percent_mean_the_same() {
        for line in ["12.5", "12,5", " 25 %", "25%", "1.25e1"] {
            assert_eq!(understood(line, &SCALE), Answer::At(0.25), "{line}");
        }
        assert_eq!(understood("-1", &SCALE), Answer::At(-0.02));
        assert_eq!(understood("Q", &SCALE), Answer::Quit);
    }

    #[test]
    fn what_is_no_place_on_the_scale_is_told_why() {
        for (line, why) in [
            ("", "no number"),
            ("twelve", "no number"),
            ("12 13", "no number"),
            ("NaN", "off the scale"),
            ("inf", "off the scale"),
            ("500", "off the scale"),
            ("-30 %", "off the scale"),
            ("\u{1b}[A", "no number"),
        ] {
            let Answer::Unclear(told) = understood(line, &SCALE) else {
                panic!("{line:?} was taken");
            };
            assert!(told.contains(why), "{line:?}: {told}");
            assert!(!told.contains('\u{1b}'), "{told:?}");
        }
    }

    /// A line without an end fills no memory, and bytes that are no text are no answer.
    #[test]
    fn lines_are_cut_and_bytes_replaced() {
        let (sender, mut lines) = mpsc::unbounded_channel();
        let mut input = vec![b'7'; 450];
        input.extend(b"\n\xff\xfe\n12\n");
        listen(BufReader::new(&input[..]), &sender);
        let heard: Vec<String> = std::iter::from_fn(|| lines.try_recv().ok()).collect();
        assert_eq!(heard.len(), 5);
        assert!(heard[0].len() == 200 && heard[4] == "12", "{heard:?}");
        assert!(matches!(understood(&heard[3], &SCALE), Answer::Unclear(_)));
    }
}
