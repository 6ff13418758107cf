//! hw-sim.
