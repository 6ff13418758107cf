//! Whole-program, published and structural checks.
