//! What a packing filled: bags, and the coffee in them.

use crate::book::leaf::{Kind, Posting};
use crate::book::place::Place;
use crate::book::{damaged, find_posting};
use crate::ids::{BatchId, LotId, PostingId, SiteId};
use crate::mass::Mass;
use crate::store::{BagsRow, Read, StoreError};

/// A packing with what it filled.
#[derive(Debug, Clone, PartialEq)]
pub struct Filled {
    /// The posting.
    pub posting: Posting,
    /// Its bags.
    pub lines: Vec<BagsRow>,
    /// The coffee in them, in the order in which it was drawn.
    pub drawn: Vec<Drawn>,
}

/// What a packing drew of one batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Drawn {
    /// The batch.
    pub batch: BatchId,
    /// The lot that it was held to be of then.
    pub lot: LotId,
    /// How much.
    pub mass: Mass,
}

impl Filled {
    /// What a packing filled; none where there is no such packing.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        packing: PostingId,
    ) -> Result<Option<Self>, StoreError> {
        let posting = find_posting(tx, site, packing).await?;
        let packing = posting.filter(|posting| posting.kind == Kind::Pack);
        packing.map(Self::of).transpose()
    }

    fn of(posting: Posting) -> Result<Self, StoreError> {
        let lines = serde_json::from_value(posting.facts["bags"].clone()).map_err(damaged)?;
        let mut drawn = Vec::new();
        for movement in &posting.movements {
            if let (Place::Roasted(batch), Place::Packed(_)) = (movement.from, movement.to) {
                let mass = Mass::from_mg(movement.mass_mg);
                drawn.push(Drawn {
                    batch,
                    lot: movement.lot,
                    mass: mass.map_err(|beyond| StoreError::Damaged(beyond.to_string()))?,
                });
            }
        }
        Ok(Self {
            posting,
            lines,
            drawn,
        })
    }

    /// How many bags it filled.
    #[must_use]
    pub fn bags(&self) -> u32 {
        self.lines.iter().map(|line| line.bags).sum()
    }
}

/// How many bags a mass is, to the nearest, where so many hold so much.
#[must_use]
pub fn bags_in(left: Mass, bags: u32, hold: Mass) -> u32 {
    let whole = i128::from(hold.mg().max(1));
    let count = i128::from(bags) * i128::from(left.mg());
    u32::try_from((count + whole / 2) / whole).unwrap_or(0)
}
