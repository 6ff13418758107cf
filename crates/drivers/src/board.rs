//! Relay boards that speak binary frames: one small module for each family.

mod answered;
mod four_byte;
mod modbus;

use crate::channels::channel_list;
use crate::error::DriverError;
use crate::frame::hex;
use crate::link::{Link, LinkState};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Which frames a board speaks: the `[board]` table of a dialect.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BoardWords {
    /// The family of frames.
    pub protocol: Protocol,
    /// Number of the unit, for families that have one.
    #[serde(default = "one")]
    pub unit: u8,
    /// The channels that the board has, such as `"1:8"`. Without it the rig file says which are
    /// used.
    #[serde(default, deserialize_with = "channel_list")]
    pub channels: Vec<u32>,
    /// Values of a register that switch a channel, for Modbus boards that are not switched by
    /// their coils.
    pub register: Option<Register>,
}

/// Values of a register that switch a channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Register {
    /// Switches it on.
    pub on: u16,
    /// Switches it off.
    pub off: u16,
}

/// A family of frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Protocol {
    /// Four bytes with a sum, never answered.
    FourByte,
    /// Four bytes with an exclusive or, answered by four; boards in a chain.
    FourByteAnswered,
    /// Modbus RTU; channel `n` is the coil with address `n − 1`.
    ModbusRtu,
}

fn one() -> u8 {
    1
}

impl Protocol {
    fn answers(self) -> bool {
        self != Self::FourByte
    }

    /// What stands for the identity that these boards don't have.
    fn identity(self) -> &'static str {
        match self {
            Self::FourByte => "a relay board of four-byte frames, without identity or read-back",
            Self::FourByteAnswered => "relay boards of answered four-byte frames, without identity",
            Self::ModbusRtu => "a Modbus RTU relay board, without identity",
        }
    }
}

/// Reads an answer of a chain to the question of its first board.
pub(crate) fn read_answered(reply: &[u8]) -> Result<u8, &'static str> {
    answered::data(&answered::ask(1), reply)
}

/// Reads a Modbus answer to a question for eight coils and to commands.
pub(crate) fn read_modbus(reply: &[u8]) -> (Option<usize>, [bool; 3]) {
    let sent = [
        modbus::read(1, 0, 8),
        modbus::write_run(1, 0, 8, false),
        modbus::write(1, 0, true),
    ];
    (
        modbus::length(reply),
        sent.map(|sent| modbus::data(&sent, reply).is_ok()),
    )
}

/// One frame and the channels that it drives.
struct Drive {
    frame: Vec<u8>,
    channels: Vec<u32>,
}

/// A relay board on its wire.
#[derive(Debug)]
pub(crate) struct Board {
    link: Link,
    words: BoardWords,
    /// What a board without read-back was told since it was opened.
    told: BTreeMap<u32, bool>,
}

impl Board {
    /// Finds the board where it answers. Drives nothing.
    pub async fn open(link: Link, words: BoardWords) -> Result<Self, DriverError> {
        let mut board = Self::resume(link, words);
        if board.words.protocol == Protocol::FourByteAnswered {
            // Each board of the chain answers, and then the frame itself comes back.
            board.link.fall_silent().await?;
            board.link.put(&answered::setup()).await?;
        }
        board.recover().await?;
        Ok(board)
    }

    /// Goes on with a board as another process has left it. Asks nothing.
    pub fn resume(link: Link, words: BoardWords) -> Self {
        Self {
            link,
            words,
            told: BTreeMap::new(),
        }
    }

    pub fn identity(&self) -> &'static str {
        self.words.protocol.identity()
    }

    pub fn name(&self) -> &str {
        self.link.name()
    }

    pub fn state(&self) -> LinkState {
        self.link.state()
    }

    /// Whether it can say what its coils are told.
    pub fn reads_back(&self) -> bool {
        self.words.protocol.answers()
    }

    /// Waits until nothing is outstanding, and sees that the board still answers.
    pub async fn recover(&mut self) -> Result<(), DriverError> {
        self.link.fall_silent().await?;
        let first = self.words.channels.first().copied().unwrap_or(1);
        if self.reads_back() {
            self.ask(&[first]).await?;
        }
        Ok(())
    }

    async fn in_step(&mut self) -> Result<(), DriverError> {
        match self.link.state() {
            LinkState::Dirty => self.recover().await,
            LinkState::Clean | LinkState::Gone => Ok(()),
        }
    }

    /// Drives channels, and notes what it was told.
    pub async fn drive(&mut self, channels: &[u32], on: bool) -> Result<(), DriverError> {
        self.in_step().await?;
        let drives = self.frames(channels, on)?;
        // Where nothing tells that a frame was lost, it is sent once more: to be in a state twice
        // changes nothing.
        let passes = if self.reads_back() { 1 } else { 2 };
        for _ in 0..passes {
            for drive in &drives {
                if self.reads_back() {
                    self.exchange(&drive.frame).await?;
                } else {
                    for channel in &drive.channels {
                        self.told.remove(channel);
                    }
                    self.link.put(&drive.frame).await?;
                }
            }
        }
        self.told
            .extend(channels.iter().map(|channel| (*channel, on)));
        Ok(())
    }

    /// Drives channels off in an emergency: at once, waiting for no answer.
    pub async fn release_now(&mut self, channels: &[u32]) -> Result<(), DriverError> {
        let frames: Vec<Vec<u8>> = self
            .frames(channels, false)?
            .into_iter()
            .map(|drive| drive.frame)
            .collect();
        for channel in channels {
            self.told.remove(channel);
        }
        let answered = self.reads_back();
        self.link.shout_frames(&frames, answered).await?;
        Ok(())
    }

    /// Which of `channels` are energised: as the board says or, where it can't, as it was told. One
    /// that it was never told is not known.
    pub async fn energised(&mut self, channels: &[u32]) -> Result<Vec<bool>, DriverError> {
        self.in_step().await?;
        if self.reads_back() {
            return self.ask(channels).await;
        }
        let told = channels.iter().map(|channel| {
            let state = self.told.get(channel).copied();
            state.ok_or_else(|| DriverError::NotTold {
                instrument: self.link.name().to_owned(),
                channel: *channel,
            })
        });
        told.collect()
    }

    fn frames(&self, channels: &[u32], on: bool) -> Result<Vec<Drive>, DriverError> {
        let mut drives: Vec<Drive> = Vec::new();
        match self.words.protocol {
            Protocol::FourByte => {
                for &channel in channels {
                    let byte = u8::try_from(channel).map_err(|_| self.no_place(channel))?;
                    drives.push(Drive {
                        frame: four_byte::drive(byte, on),
                        channels: vec![channel],
                    });
                }
            }
            Protocol::FourByteAnswered => {
                // In the order of the first channel of each board.
                let mut masks: Vec<(u8, u8, Vec<u32>)> = Vec::new();
                for &channel in channels {
                    let (address, bit) = self.place(channel)?;
                    match masks.iter_mut().find(|(known, ..)| *known == address) {
                        Some((_, mask, list)) => {
                            *mask |= bit;
                            list.push(channel);
                        }
                        None => masks.push((address, bit, vec![channel])),
                    }
                }
                drives.extend(masks.into_iter().map(|(address, mask, channels)| Drive {
                    frame: answered::drive(address, mask, on),
                    channels,
                }));
            }
            Protocol::ModbusRtu => {
                let next = |pair: &[u32]| pair[0].checked_add(1) == Some(pair[1]);
                let alone = self.words.register.is_some();
                for run in channels.chunk_by(|a, b| !alone && next(&[*a, *b])) {
                    for run in run.chunks(modbus::MOST) {
                        drives.push(Drive {
                            frame: self.modbus_drive(run, on)?,
                            channels: run.to_vec(),
                        });
                    }
                }
            }
        }
        Ok(drives)
    }

    fn modbus_drive(&self, run: &[u32], on: bool) -> Result<Vec<u8>, DriverError> {
        let unit = self.words.unit;
        let first = self.coil(run[0])?;
        self.coil(run[run.len() - 1])?;
        Ok(match (self.words.register, run.len()) {
            (Some(register), _) => {
                modbus::write_register(unit, first, if on { register.on } else { register.off })
            }
            (None, 1) => modbus::write(unit, first, on),
            // A run has at most `MOST` channels.
            (None, count) => modbus::write_run(unit, first, count as u16, on),
        })
    }

    /// Asks for the states of `channels`.
    async fn ask(&mut self, channels: &[u32]) -> Result<Vec<bool>, DriverError> {
        let mut known: BTreeMap<u32, bool> = BTreeMap::new();
        for &channel in channels {
            if known.contains_key(&channel) {
                continue;
            }
            if self.words.protocol == Protocol::FourByteAnswered {
                let (address, _) = self.place(channel)?;
                let data = self.exchange(&answered::ask(address)).await?;
                let states = data.first().copied().unwrap_or_default();
                let first = (u32::from(address) - 1) * 8 + 1;
                known.extend((0..8).map(|bit| (first + bit, states >> bit & 1 == 1)));
                continue;
            }
            // From this one on, as far as one answer reaches.
            let first = self.coil(channel)?;
            let reach = |other: &&u32| (channel..channel + 256).contains(other);
            let last = channels
                .iter()
                .filter(reach)
                .max()
                .copied()
                .unwrap_or(channel);
            self.coil(last)?;
            // At most 256 coils.
            let count = (last - channel + 1) as u16;
            let data = self
                .exchange(&modbus::read(self.words.unit, first, count))
                .await?;
            known.extend((0..u32::from(count)).map(|coil| {
                let byte = data.get(coil as usize / 8).copied().unwrap_or_default();
                (channel + coil, byte >> (coil % 8) & 1 == 1)
            }));
        }
        // Each of them was asked for above.
        Ok(channels
            .iter()
            .filter_map(|channel| known.get(channel).copied())
            .collect())
    }

    /// One frame and the data of its answer.
    async fn exchange(&mut self, frame: &[u8]) -> Result<Vec<u8>, DriverError> {
        let (reply, data) = match self.words.protocol {
            Protocol::FourByteAnswered => {
                let reply = self
                    .link
                    .exchange(frame, |_| Some(answered::LENGTH))
                    .await?;
                let data = answered::data(frame, &reply);
                (reply, data.map(|data| vec![data]).map_err(str::to_owned))
            }
            _ => {
                let reply = self.link.exchange(frame, modbus::length).await?;
                let data = modbus::data(frame, &reply).map(<[u8]>::to_vec);
                (reply, data)
            }
        };
        data.map_err(|problem| {
            self.link.mark_dirty();
            DriverError::Unexpected {
                instrument: self.link.name().to_owned(),
                command: hex(frame),
                reply: hex(&reply),
                wanted: format!("another answer ({problem})"),
            }
        })
    }

    fn place(&self, channel: u32) -> Result<(u8, u8), DriverError> {
        answered::place(channel).ok_or_else(|| self.no_place(channel))
    }

    fn coil(&self, channel: u32) -> Result<u16, DriverError> {
        let coil = channel
            .checked_sub(1)
            .and_then(|coil| u16::try_from(coil).ok());
        coil.ok_or_else(|| self.no_place(channel))
    }

    fn no_place(&self, channel: u32) -> DriverError {
        let highest = match self.words.protocol {
            Protocol::FourByte => 255,
            Protocol::FourByteAnswered => 8 * 255,
            Protocol::ModbusRtu => 65_536,
        };
        DriverError::OutOfRange {
            instrument: self.link.name().to_owned(),
            what: "channel",
            value: channel.to_string(),
            allowed: format!("1 to {highest} in its frames"),
        }
    }
}
