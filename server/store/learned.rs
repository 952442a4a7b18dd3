//! What the store keeps for the learner.

use async_trait::async_trait;

use super::Result;
use crate::ids::SiteId;

/// Reads of what was learned.
#[async_trait]
pub trait ReadLearned {
    /// What the learner wrote down last.
    async fn learned(&mut self, site: SiteId) -> Result<Option<Vec<u8>>>;
}

/// Changes of what was learned.
#[async_trait]
pub trait WriteLearned: ReadLearned {
    /// Keeps what the learner wrote down, in place of what was there.
    async fn put_learned(&mut self, site: SiteId, image: Vec<u8>) -> Result<()>;
}
