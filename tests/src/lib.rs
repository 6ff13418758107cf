//! Shared parts of the whole-program checks and campaigns.

pub mod campaign;
pub mod kills;
