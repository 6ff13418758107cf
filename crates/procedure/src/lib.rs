//! procedure.
