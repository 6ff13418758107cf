//! Whether a picture is new, or the last one come again.

use std::hash::{DefaultHasher, Hash, Hasher};

/// Remembers the last picture by its bytes.
#[derive(Debug, Default)]
pub struct Novelty {
    last: Option<u64>,
}

impl Novelty {
    /// Whether these bytes differ from the last picture's; they are the last picture from now on.
    pub fn is_new(&mut self, bytes: &[u8]) -> bool {
        let mut hasher = DefaultHasher::new();
        bytes.hash(&mut hasher);
        let this = hasher.finish();
        self.last.replace(this) != Some(this)
    }
}
