//! Faults and refusals: whatever goes wrong, the rig ends safe, the needle was not over-driven, and
//! what had been seen is kept.

mod arbitrary;
mod callers;
mod digipots;
mod diodes;
mod instruments;
mod left;
mod lies;
mod local;
mod other_dial;
mod pace;
mod planned;
mod proxy;
mod reader;
mod refusals;
mod rig;
mod rig_file;
mod scene;
mod unbelieved;
