//! Asking who is there, and commanding nothing.

use crate::error::LinkError;
use crate::frame::Wire;
use crate::link::Link;
use crate::resource::Resource;
use tracing::warn;

/// Opens `resource`, asks `question`, which must be an identity question, and lets go again. Any
/// answer counts. A USB test instrument is put under remote control and cleared first, asked once more
/// after another clear where it gave no answer, and given back to its front panel, where the bus can;
/// on other wires nothing but the question is sent.
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
