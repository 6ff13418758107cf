//! The store: what was observed in each run, how the run ended and what was computed from it.
//!
//! One SQLite file holds many runs. Everything is appended and nothing is altered or deleted,
//! which the file itself enforces; a recomputed result stands beside the older ones. A run whose
//! program was killed is listed as unfinished, and every observation that was acknowledged under
//! [`Durability::Full`] is there.
//!
//! ```
//! use records::{Durability, Outcome, RunHead, Store};
//! let store = Store::in_memory()?;
//! let run = store.begin(&RunHead { label: "tray 3, left".into(), ..RunHead::default() },
//!     Durability::Grouped)?;
//! let id = run.finish(Outcome::Result, &serde_json::json!({"ohms": 1987.0}), &[])?;
//! assert_eq!(id.to_string(), "record 1");
//! assert_eq!(store.list()?[0].label, "tray 3, left");
//! # Ok::<(), records::StoreError>(())
//! ```

mod error;
mod export;
mod run;
mod schema;
mod store;
mod writer;

pub use error::{StoreError, Trouble};
pub use export::{ExportError, write_csv, write_json};
pub use run::{Outcome, Run, RunHead, RunId, RunIdError, RunSummary, StoredResult};
pub use store::Store;
pub use writer::{Durability, RunWriter};
