//! A relay unit.

use crate::board::Board;
use crate::channels::{self, ChannelForm, channel_list};
use crate::dialect::{Dialect, Kind, Words};
use crate::error::DriverError;
use crate::link::{Link, LinkState};
use crate::session::Session;
use crate::supply::Fixed;
use crate::text::parse_bools;
use crate::words::Template;
use quantity::Volts;
use serde::Deserialize;

/// What a relay unit says: the `[switch]` table of a dialect.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchWords {
    /// Energises the coils of a list of channels.
    pub energise: Template,
    /// Releases a list of channels.
    pub release: Template,
    /// Asks which of a list of channels are energised.
    pub energised: Template,
    /// The channels that the unit has, such as `"101:110,201:210"`. Without it the rig file says
    /// which are used.
    #[serde(default, deserialize_with = "channel_list")]
    pub channels: Vec<u32>,
    /// Most channels in one command.
    #[serde(default = "many")]
    pub most: usize,
    /// How a command names channels.
    #[serde(default)]
    pub form: ChannelForm,
    /// Sets an analog output of the unit; value and channel stand in the braces, with a comma between.
    pub set_level: Option<Template>,
    /// Asks for the setting of an analog output.
    pub level: Option<Template>,
}

impl SwitchWords {
    /// The lines by which `channels` are named, with the number of channels in each: no more than
    /// the unit takes in one command, and no longer than arrives whole.
    fn lines(
        &self,
        session: &Session,
        template: &Template,
        channels: &[u32],
    ) -> Result<Vec<(usize, String)>, DriverError> {
        let mut lines = Vec::new();
        let mut parts: Vec<&[u32]> = channels.chunks(self.most.max(1)).rev().collect();
        while let Some(part) = parts.pop() {
            let mut line = String::new();
            session.write(template, &self.form.write(part), &mut line)?;
            if line.len() > session.longest_line() && part.len() > 1 {
                let (first, second) = part.split_at(part.len() / 2);
                parts.extend([second, first]);
            } else {
                lines.push((part.len(), line));
            }
        }
        Ok(lines)
    }
}

fn many() -> usize {
    100
}

/// A relay unit. Contacts of one command move one by one and in any order; where order matters,
/// there is a command for each step and a barrier and the contacts' own time between.
#[derive(Debug)]
pub struct Switch {
    unit: Unit,
    /// The channels that may be named.
    channels: Vec<u32>,
}

/// How a relay unit is spoken to.
#[derive(Debug)]
enum Unit {
    Lines(Box<Session>, Box<SwitchWords>),
    Frames(Box<Board>),
}

impl Switch {
    /// Clears the status, checks the identity and empties the error queue. Moves no contact.
    ///
    /// # Errors
    /// When the dialect is not for a switch, or the instrument does not answer as it should.
    pub async fn open(link: Link, dialect: &Dialect) -> Result<Self, DriverError> {
        let unit = match &dialect.words {
            Words::Switch(words) => {
                Session::heard_meanwhile(&link)?;
                let session = Session::open(link, dialect).await?;
                Unit::Lines(Box::new(session), words.clone())
            }
            Words::Board(words) => {
                Unit::Frames(Box::new(Board::open(link, (**words).clone()).await?))
            }
            _ => return Err(Session::wrong_kind(link.name(), dialect, Kind::Switch)),
        };
        Ok(Self::over(unit, dialect))
    }

    /// Goes on with the instrument of that `identity`, as another process has left it. Asks nothing:
    /// an emergency command can go out at once, all others only after the identity was compared,
    /// where there is one.
    ///
    /// # Errors
    /// When the dialect is not for a switch, or a new connection takes no greeting.
    pub async fn resume(
        link: Link,
        dialect: &Dialect,
        identity: &str,
    ) -> Result<Self, DriverError> {
        let unit = match &dialect.words {
            Words::Switch(words) => {
                let session = Session::resume(link, dialect, identity).await?;
                Unit::Lines(Box::new(session), words.clone())
            }
            Words::Board(words) => Unit::Frames(Box::new(Board::resume(link, (**words).clone()))),
            _ => return Err(Session::wrong_kind(link.name(), dialect, Kind::Switch)),
        };
        Ok(Self::over(unit, dialect))
    }

    fn over(unit: Unit, dialect: &Dialect) -> Self {
        let channels = match &dialect.words {
            Words::Switch(words) => words.channels.clone(),
            Words::Board(words) => words.channels.clone(),
            Words::Supply(_) | Words::Meter(_) | Words::Pots(_) => Vec::new(),
        };
        Self { unit, channels }
    }

    /// The unit held to the channels that the rig file names.
    ///
    /// # Errors
    /// When the dialect says that the unit does not have one of them, or its wire takes no line that
    /// names it.
    pub fn with_channels(mut self, channels: &[u32]) -> Result<Self, DriverError> {
        if !self.channels.is_empty() {
            self.known(channels)?;
        }
        // A list is split where it must be; the name of a single channel can't be.
        if let Unit::Lines(session, words) = &self.unit {
            for (template, channel) in [&words.release, &words.energise, &words.energised]
                .into_iter()
                .flat_map(|template| channels.iter().map(move |channel| (template, channel)))
            {
                for (_, line) in words.lines(session, template, &[*channel])? {
                    session.sendable(&line)?;
                }
            }
        }
        self.channels = channels.to_vec();
        Ok(self)
    }

    /// The channels that may be named.
    pub fn channels(&self) -> &[u32] {
        &self.channels
    }

    /// The answer to the identity question.
    pub fn identity(&self) -> &str {
        match &self.unit {
            Unit::Lines(session, _) => session.identity(),
            Unit::Frames(board) => board.identity(),
        }
    }

    /// What it is called in messages.
    pub fn name(&self) -> &str {
        match &self.unit {
            Unit::Lines(session, _) => session.name(),
            Unit::Frames(board) => board.name(),
        }
    }

    /// Whether its link is in step.
    pub fn state(&self) -> LinkState {
        match &self.unit {
            Unit::Lines(session, _) => session.state(),
            Unit::Frames(board) => board.state(),
        }
    }

    /// Whether it says itself which coils are energised. Of one that does not, only the last
    /// commands are known: what its contacts do shows in a measurement alone.
    pub fn reads_back(&self) -> bool {
        match &self.unit {
            Unit::Lines(..) => true,
            Unit::Frames(board) => board.reads_back(),
        }
    }

    /// Energises the coils of `channels`.
    ///
    /// # Errors
    /// When a channel is not known, or as the link has it.
    pub async fn energise(&mut self, channels: &[u32]) -> Result<(), DriverError> {
        self.drive(channels, true).await
    }

    async fn drive(&mut self, channels: &[u32], on: bool) -> Result<(), DriverError> {
        self.known(channels)?;
        let (session, words) = match &mut self.unit {
            Unit::Lines(session, words) => (session, words),
            Unit::Frames(board) => return board.drive(channels, on).await,
        };
        let command = if on { &words.energise } else { &words.release };
        for (_, line) in words.lines(session, command, channels)? {
            session.tell(&line).await?;
        }
        Ok(())
    }

    /// Releases `channels`.
    ///
    /// # Errors
    /// When a channel is not known, or as the link has it.
    pub async fn release(&mut self, channels: &[u32]) -> Result<(), DriverError> {
        self.drive(channels, false).await
    }

    /// Releases all channels that the dialect or the rig file names.
    ///
    /// # Errors
    /// When none is named, or as the link has it.
    pub async fn release_all(&mut self) -> Result<(), DriverError> {
        let all = self.all()?;
        self.release(&all).await
    }

    /// Which of `channels` are energised, as the unit says. It reads back what it was told, not
    /// where the contacts are: only a measurement shows a welded one.
    ///
    /// # Errors
    /// When a channel is not known, or the answer does not have one state for each.
    pub async fn energised(&mut self, channels: &[u32]) -> Result<Vec<bool>, DriverError> {
        self.known(channels)?;
        let (session, words) = match &mut self.unit {
            Unit::Lines(session, words) => (session, words),
            Unit::Frames(board) => return board.energised(channels).await,
        };
        let mut states = Vec::with_capacity(channels.len());
        for (count, question) in words.lines(session, &words.energised, channels)? {
            let reply = session.ask(&question).await?;
            match parse_bools(&reply, count) {
                Some(mut part) => states.append(&mut part),
                None => {
                    let wanted = format!("{count} times 0 or 1");
                    return Err(session.unexpected(&question, &reply, &wanted));
                }
            }
        }
        Ok(states)
    }

    /// Sets the analog output on `channel` to `level`, cut to a multiple of `step`, towards zero.
    ///
    /// # Errors
    /// When the unit's dialect has no words for such an output, its read-back differs by more than
    /// a step, or as the link has it.
    pub async fn set_level(
        &mut self,
        channel: u32,
        level: Volts,
        step: Volts,
    ) -> Result<Volts, DriverError> {
        let (session, words) = match &mut self.unit {
            Unit::Lines(session, words) => (session, words),
            Unit::Frames(board) => {
                return Err(DriverError::OutOfRange {
                    instrument: board.name().to_owned(),
                    what: "analog output",
                    value: channel.to_string(),
                    allowed: "none: a relay board has no such output".to_owned(),
                });
            }
        };
        let (Some(set), Some(ask)) = (&words.set_level, &words.level) else {
            return Err(session.unsupported("switch.set_level"));
        };
        let sent = Fixed::cut(level.get(), step.get());
        let output = words.form.write(&[channel]);
        session.set(set, &format!("{sent},{output}")).await?;
        let mut question = String::new();
        session.write(ask, &output, &mut question)?;
        let reply = session.ask(&question).await?;
        let got = reply
            .trim()
            .parse::<f64>()
            .ok()
            .filter(|got| got.is_finite());
        let got = got.ok_or_else(|| session.unexpected(&question, &reply, "a voltage"))?;
        if (got - sent.value).abs() > step.get() * 1.001 {
            return Err(DriverError::ReadBack {
                instrument: session.name().to_owned(),
                command: set.text().to_owned(),
                set: format!("{sent} V"),
                got: format!("{got} V"),
            });
        }
        Ok(Volts::new(got))
    }

    /// Waits until the unit has carried out earlier commands. Some answer at once, so the
    /// contacts' own times are to be waited for as well.
    ///
    /// # Errors
    /// As the link has it.
    pub async fn barrier(&mut self) -> Result<(), DriverError> {
        match &mut self.unit {
            Unit::Lines(session, _) => session.barrier().await,
            // A frame that is answered has been carried out; of others nothing is ever heard.
            Unit::Frames(_) => Ok(()),
        }
    }

    /// Empties the error queue.
    ///
    /// # Errors
    /// When it has no end, or as the link has it.
    pub async fn errors(&mut self) -> Result<Vec<(i32, String)>, DriverError> {
        match &mut self.unit {
            Unit::Lines(session, _) => session.errors().await,
            Unit::Frames(_) => Ok(Vec::new()),
        }
    }

    /// Releases `channels` in an emergency: at once, on a link in whatever state, waiting for no
    /// answer.
    ///
    /// # Errors
    /// When the bytes could not be handed over, or a channel is not known; the others are
    /// released all the same.
    pub async fn release_now(&mut self, channels: &[u32]) -> Result<(), DriverError> {
        let unknown = self.known(channels);
        let all = &self.channels;
        // A unit refuses a list as a whole for one channel that it does not have.
        let fitting = |channel: &u32| all.is_empty() || all.contains(channel);
        let channels: Vec<u32> = channels.iter().copied().filter(fitting).collect();
        match &mut self.unit {
            Unit::Lines(session, words) => {
                let lines = words.lines(session, &words.release, &channels)?;
                let lines: Vec<&str> = lines.iter().map(|(_, line)| line.as_str()).collect();
                session.shout(&lines).await?;
            }
            Unit::Frames(board) => board.release_now(&channels).await?,
        }
        unknown
    }

    /// As [`Switch::release_now`], for all channels.
    ///
    /// # Errors
    /// As [`Switch::release_now`], and when no channel is named.
    pub async fn release_all_now(&mut self) -> Result<(), DriverError> {
        let all = self.all()?;
        self.release_now(&all).await
    }

    /// Gives the instrument back to its front panel in the words of its dialect, where it has some:
    /// the last thing said, on a link in whatever state. A failure is only logged.
    pub async fn give_back(&mut self) {
        if let Unit::Lines(session, _) = &mut self.unit {
            session.release().await;
        }
    }

    fn all(&self) -> Result<Vec<u32>, DriverError> {
        if self.channels.is_empty() {
            let instrument = self.name().to_owned();
            return Err(DriverError::NoLimit {
                instrument,
                what: "\"all channels\"",
            });
        }
        Ok(self.channels.clone())
    }

    fn known(&self, channels: &[u32]) -> Result<(), DriverError> {
        let known = &self.channels;
        match channels
            .iter()
            .find(|channel| !known.is_empty() && !known.contains(channel))
        {
            None => Ok(()),
            Some(channel) => Err(DriverError::OutOfRange {
                instrument: self.name().to_owned(),
                what: "channel",
                value: channel.to_string(),
                allowed: channels::list(known),
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::usb::played;

    /// A switch on USB that takes so many bytes of a message, with these channels.
    async fn switch(
        longest: usize,
        status: bool,
        channels: &[u32],
    ) -> (
        Result<Switch, DriverError>,
        tokio::task::JoinHandle<Vec<String>>,
    ) {
        let mut dialect = Dialect::built_in("scpi-switch").unwrap();
        dialect.wire.usb.longest = Some(longest);
        let (stream, calls, device) = played(status);
        let device = tokio::spawn(device.play(|_, message| match message {
            "*IDN?" => vec!["KESTREL AND LOOM,SW,1,1.0\n"],
            message if message.contains("ERR") => vec!["+0,\"No error\"\n"],
            _ => Vec::new(),
        }));
        let link = Link::over_usb(stream, calls, "USB", &dialect.wire);
        let opened = Switch::open(link, &dialect).await;
        let opened = opened.and_then(|switch| switch.with_channels(channels));
        (opened, device)
    }

    #[tokio::test(start_paused = true)]
    async fn a_release_list_is_split_to_what_a_usb_instrument_takes() {
        let channels: Vec<u32> = (0..12).map(|at| 101 + 2 * at).collect();
        let (switch, device) = switch(52, true, &channels).await;
        let mut switch = switch.unwrap();
        switch.release_all_now().await.unwrap();
        switch.release_all().await.unwrap();
        drop(switch);
        let heard = device.await.unwrap();
        let said: Vec<&String> = heard.iter().filter(|line| line.contains("OPEN")).collect();
        for channel in &channels {
            let naming = said
                .iter()
                .filter(|line| line.contains(&channel.to_string()));
            assert_eq!(naming.count(), 2, "{channel}: {said:?}");
        }
        let shouted: Vec<&&String> = said.iter().filter(|line| line.starts_with('!')).collect();
        assert!(shouted.len() * 2 == said.len(), "{said:?}");
        let whole = |line: &&String| line.trim_start_matches('!').len() <= 52;
        assert!(said.iter().all(whole), "{said:?}");
    }

    #[tokio::test(start_paused = true)]
    async fn a_channel_that_no_line_can_name_is_refused_at_opening() {
        let (refused, _) = switch(20, true, &[101, 4_000_000_000]).await;
        let error = refused.unwrap_err().to_string();
        assert!(
            error.contains("4000000000") && error.contains("whole"),
            "{error}"
        );
    }

    #[tokio::test(start_paused = true)]
    async fn a_switch_that_is_deaf_while_it_answers_is_refused() {
        let (refused, device) = switch(52, false, &[101]).await;
        let error = refused.unwrap_err().to_string();
        assert!(error.contains("no status byte"), "{error}");
        assert!(device.await.unwrap().is_empty());
    }
}
