//! What is written down for the next start: how far the log was followed, and what had been learned then.

use crate::book::merkle::Frontier;
use crate::loss::{Learner, Settings};
use crate::store::{HeadRow, LogRow, StoreError};

/// How far a log was followed. It holds the tree of the leaves up to there, so that it cannot be taken for a place in another log.
#[derive(Debug, Clone)]
pub struct Followed {
    /// Leaves followed.
    pub size: i64,
    tree: Frontier,
}

impl Followed {
    /// To the head.
    pub fn to(head: &HeadRow) -> Result<Self, StoreError> {
        Self::read(head.size, &head.frontier)
            .ok_or_else(|| StoreError::Damaged("the log's frontier".to_owned()))
    }

    fn read(size: i64, tree: &[u8]) -> Option<Self> {
        let tree = Frontier::from_bytes(u64::try_from(size).ok()?, tree)?;
        Some(Self { size, tree })
    }

    /// Goes on over further leaves.
    pub fn go_on(&mut self, leaves: &[LogRow]) -> Result<(), StoreError> {
        for leaf in leaves {
            let hash = leaf.hash.as_slice().try_into();
            let wrong = |_| StoreError::Damaged(format!("the hash of leaf {}", leaf.position));
            self.tree.push(hash.map_err(wrong)?);
            self.size = leaf.position + 1;
        }
        Ok(())
    }

    /// Whether it has come to the head of this log.
    pub fn is_at(&self, head: &HeadRow) -> bool {
        self.size == head.size && self.tree.root()[..] == head.root
    }
}

/// The bytes that are written down.
pub fn image(followed: &Followed, learner: &Learner) -> Vec<u8> {
    let place = postcard::to_extend(&(followed.size, followed.tree.bytes()), Vec::new());
    learner.image(place.unwrap_or_default())
}

/// What was written down; none if that is not sound, or of another program or other settings.
pub fn read(image: &[u8], settings: &Settings) -> Option<(Followed, Learner)> {
    let ((size, tree), rest) = postcard::take_from_bytes::<(i64, Vec<u8>)>(image).ok()?;
    Some((
        Followed::read(size, &tree)?,
        Learner::of_image(rest, settings)?,
    ))
}
