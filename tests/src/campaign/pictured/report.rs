//! What a campaign of pictures shows.

use super::Pictured;
use std::fmt;

/// A campaign summed up.
pub struct Report<'a>(pub &'a [Pictured]);

impl fmt::Display for Report<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} scenes", self.0.len())
    }
}
