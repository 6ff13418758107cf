//! Movement mathematics: circuit algebra, fits, scale laws, dynamics and standards, all pure.

pub mod analysis;
pub mod circuit;
pub mod class;
pub mod copper;
pub mod dynamics;
pub mod fit;
pub mod scale;
pub mod statistics;
