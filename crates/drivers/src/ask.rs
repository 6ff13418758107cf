//! Asking who is there, and nothing else.

use crate::error::LinkError;
use crate::frame::Wire;
use crate::link::Link;
use crate::resource::Resource;

/// Opens `resource`, asks `question`, which must be an identity question, and lets go again. Nothing
/// else is sent, and any answer counts.
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
    link.identify(question, "any answer", |reply| !reply.trim().is_empty())
        .await
}
