//! drivers.
