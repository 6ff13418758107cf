//! Plans, and the one engine that runs them.
//!
//! A plan is data: a generator of [`Step`]s that is fed what each step led to. It holds no
//! instrument and can't name one; it can be printed, or fed from a model, before any current
//! flows. The engine passes its proposals to the guard.

mod characterize;
mod engine;
mod needle;
mod plan;

pub use characterize::{Depth, characterize};
pub use engine::{Progress, RunEnd, run};
pub use plan::{Answer, Outcome, Plan, Step, Stopped, Turn, Voice};
