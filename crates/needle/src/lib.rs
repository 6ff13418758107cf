//! needle.
