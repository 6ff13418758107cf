//! Asking who is there, and nothing else.

use crate::error::LinkError;
use crate::frame::Wire;
use crate::link::Link;
use crate::resource::Resource;
use tracing::warn;

/// Opens `resource`, asks `question`, which must be an identity question, gives the instrument back
/// to its front panel where the bus can, and lets go again. Nothing else is sent, and any answer
/// counts.
///
/// # Errors
/// When it can't be opened, or nothing answers.
pub async fn identity(
    resource: &Resource,
    wire: &Wire,
    question: &str,
) -> Result<String, LinkError> {
    // Waiting for a banner would only lengthen the silence of what has none.
    let wire = Wire {
        banner: String::new(),
        ..wire.clone()
    };
    let mut link = Link::open(resource, &wire).await?;
    let asked = link.identify(question, "any answer", |reply| !reply.trim().is_empty());
    let asked = asked.await;
    if let Err(error) = link.give_back().await {
        warn!(%error, "the front panel may still be locked");
    }
    asked
}
