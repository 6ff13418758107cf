//! Shared helpers of the whole-program checks.
