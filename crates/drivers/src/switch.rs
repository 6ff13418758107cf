//! A relay unit.

use crate::channels;
use crate::dialect::{Dialect, Kind, Words};
use crate::error::DriverError;
use crate::link::{Link, LinkState};
use crate::session::Session;
use crate::text::parse_bools;
use crate::words::Template;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer};

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
}

fn many() -> usize {
    100
}

fn channel_list<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<u32>, D::Error> {
    channels::parse(&String::deserialize(from)?).map_err(D::Error::custom)
}

/// A relay unit. Contacts of one command move one by one and in any order; where order matters,
/// there is a command for each step and a barrier and the contacts' own time between.
#[derive(Debug)]
pub struct Switch {
    session: Session,
    words: SwitchWords,
}

impl Switch {
    /// Clears the status, checks the identity and empties the error queue. Moves no contact.
    ///
    /// # Errors
    /// When the dialect is not for a switch, or the instrument does not answer as it should.
    pub async fn open(link: Link, dialect: &Dialect) -> Result<Self, DriverError> {
        let words = Self::words(&link, dialect)?;
        let session = Session::open(link, dialect).await?;
        Ok(Self::over(session, words))
    }

    /// Goes on with the instrument of that `identity`, as another process has left it. Asks nothing:
    /// an emergency command can go out at once, all others only after the identity was compared.
    ///
    /// # Errors
    /// When the dialect is not for a switch, or a new connection takes no greeting.
    pub async fn resume(
        link: Link,
        dialect: &Dialect,
        identity: &str,
    ) -> Result<Self, DriverError> {
        let words = Self::words(&link, dialect)?;
        let session = Session::resume(link, dialect, identity).await?;
        Ok(Self::over(session, words))
    }

    fn words(link: &Link, dialect: &Dialect) -> Result<SwitchWords, DriverError> {
        match &dialect.words {
            Words::Switch(words) => Ok(words.clone()),
            _ => Err(Session::wrong_kind(link.name(), dialect, Kind::Switch)),
        }
    }

    fn over(session: Session, words: SwitchWords) -> Self {
        Self { session, words }
    }

    /// The unit held to the channels that the rig file names.
    ///
    /// # Errors
    /// When the dialect says that the unit does not have one of them.
    pub fn with_channels(mut self, channels: &[u32]) -> Result<Self, DriverError> {
        if !self.words.channels.is_empty() {
            self.known(channels)?;
        }
        self.words.channels = channels.to_vec();
        Ok(self)
    }

    /// The channels that may be named.
    pub fn channels(&self) -> &[u32] {
        &self.words.channels
    }

    /// The answer to the identity question.
    pub fn identity(&self) -> &str {
        self.session.identity()
    }

    /// What it is called in messages.
    pub fn name(&self) -> &str {
        self.session.name()
    }

    /// Whether its link is in step.
    pub fn state(&self) -> LinkState {
        self.session.state()
    }

    /// Energises the coils of `channels`.
    ///
    /// # Errors
    /// When a channel is not known, or as the link has it.
    pub async fn energise(&mut self, channels: &[u32]) -> Result<(), DriverError> {
        self.known(channels)?;
        for part in channels.chunks(self.words.most.max(1)) {
            self.session
                .set(&self.words.energise, &channels::list(part))
                .await?;
        }
        Ok(())
    }

    /// Releases `channels`.
    ///
    /// # Errors
    /// When a channel is not known, or as the link has it.
    pub async fn release(&mut self, channels: &[u32]) -> Result<(), DriverError> {
        self.known(channels)?;
        for part in channels.chunks(self.words.most.max(1)) {
            self.session
                .set(&self.words.release, &channels::list(part))
                .await?;
        }
        Ok(())
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
        let mut states = Vec::with_capacity(channels.len());
        let mut question = String::new();
        for part in channels.chunks(self.words.most.max(1)) {
            self.words
                .energised
                .fill(&mut question, &channels::list(part));
            let reply = self.session.ask(&question).await?;
            match parse_bools(&reply, part.len()) {
                Some(mut part) => states.append(&mut part),
                None => {
                    let wanted = format!("{} times 0 or 1", part.len());
                    return Err(self.session.unexpected(&question, &reply, &wanted));
                }
            }
        }
        Ok(states)
    }

    /// Waits until the unit has carried out earlier commands. Some answer at once, so the
    /// contacts' own times are to be waited for as well.
    ///
    /// # Errors
    /// When the dialect has no word for it, or as the link has it.
    pub async fn barrier(&mut self) -> Result<(), DriverError> {
        self.session.barrier().await
    }

    /// Empties the error queue.
    ///
    /// # Errors
    /// When it has no end, or as the link has it.
    pub async fn errors(&mut self) -> Result<Vec<(i32, String)>, DriverError> {
        self.session.errors().await
    }

    /// Releases `channels` in an emergency: at once, on a link in whatever state, waiting for no
    /// answer.
    ///
    /// # Errors
    /// When the bytes could not be handed over, or a channel is not known; the others are
    /// released all the same.
    pub async fn release_now(&mut self, channels: &[u32]) -> Result<(), DriverError> {
        let unknown = self.known(channels);
        let all = &self.words.channels;
        // A unit refuses a list as a whole for one channel that it does not have.
        let fitting = |channel: &u32| all.is_empty() || all.contains(channel);
        let channels: Vec<u32> = channels.iter().copied().filter(fitting).collect();
        let mut lines = Vec::new();
        for part in channels.chunks(self.words.most.max(1)) {
            let mut line = String::new();
            self.words.release.fill(&mut line, &channels::list(part));
            lines.push(line);
        }
        let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
        self.session.shout(&lines).await?;
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

    fn all(&self) -> Result<Vec<u32>, DriverError> {
        if self.words.channels.is_empty() {
            let instrument = self.name().to_owned();
            return Err(DriverError::NoLimit {
                instrument,
                what: "\"all channels\"",
            });
        }
        Ok(self.words.channels.clone())
    }

    fn known(&self, channels: &[u32]) -> Result<(), DriverError> {
        let known = &self.words.channels;
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
