//! Instruments on their wires: links with deadlines, dialects as data, and what a supply, a
//! voltmeter and a switch unit can do.
//!
//! The layers, from the wire up:
//! * [`Resource`]: where an instrument is found, as a VISA resource name;
//! * [`Link`]: one instrument's wire. A link that missed an answer is *dirty* and must be brought
//!   back into step before anything else is said, so that a late answer is never taken for the
//!   answer to a later question;
//! * [`Dialect`]: what an instrument says, as a TOML file;
//! * [`Supply`], [`Meter`], [`Switch`], [`Pots`]: what it can do. Nothing here decides whether it *may*.
//!
//! Every exchange is logged at trace level under the target `needlerig::wire`.

pub mod ask;
mod board;
mod channels;
mod dialect;
mod echo;
mod error;
mod frame;
mod link;
mod meter;
mod picture;
mod port;
mod pots;
pub mod readers;
mod reading;
mod resource;
mod serial;
mod session;
mod supply;
mod switch;
mod text;
mod usb;
mod words;

pub use board::{BoardWords, Protocol, Register};
pub use channels::ChannelForm;
pub use dialect::{Common, Dialect, DialectError, Kind, Words};
pub use error::{DriverError, LinkError};
pub use frame::{Ending, Framing, Wire};
pub use link::{Link, LinkState, Stream};
pub use meter::{Meter, MeterWords};
pub use picture::Picture;
pub use pots::{PotWords, Pots};
pub use reading::{Numbers, Reading, ReadingError, parse_reading};
pub use resource::{Resource, ResourceError};
pub use serial::{DataBits, Parity, Serial, StopBits, lasting_names};
pub use supply::{Limits, Supply, SupplyWords};
pub use switch::{Switch, SwitchWords};
pub use text::parse_error_entry;
pub use usb::{Usb, usb_name};
pub use words::{Command, Flag, Query, Template};
