//! records.
