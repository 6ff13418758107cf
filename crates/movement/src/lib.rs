//! movement.
