//! guard.
