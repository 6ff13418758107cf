//! Movement mathematics: circuit algebra, fits, scale laws, dynamics and standards, all pure.

pub mod dynamics;
pub mod fit;
