//! A relay unit.

use crate::board::Board;
use crate::channels::{self, ChannelForm, channel_list};
use crate::dialect::{Dialect, Kind, Words};
use crate::error::DriverError;
use crate::link::{Link, LinkState};
use crate::session::Session;
use crate::text::parse_bools;
use crate::words::Template;
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
    /// When the dialect says that the unit does not have one of them.
    pub fn with_channels(mut self, channels: &[u32]) -> Result<Self, DriverError> {
        if !self.channels.is_empty() {
            self.known(channels)?;
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
        for part in channels.chunks(words.most.max(1)) {
            session.set(command, &words.form.write(part)).await?;
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
        let mut question = String::new();
        for part in channels.chunks(words.most.max(1)) {
            let list = words.form.write(part);
            session.write(&words.energised, &list, &mut question)?;
            let reply = session.ask(&question).await?;
            match parse_bools(&reply, part.len()) {
                Some(mut part) => states.append(&mut part),
                None => {
                    let wanted = format!("{} times 0 or 1", part.len());
                    return Err(session.unexpected(&question, &reply, &wanted));
                }
            }
        }
        Ok(states)
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
                let mut lines = Vec::new();
                for part in channels.chunks(words.most.max(1)) {
                    let mut line = String::new();
                    session.write(&words.release, &words.form.write(part), &mut line)?;
                    lines.push(line);
                }
                let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
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
