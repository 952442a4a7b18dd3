//! What the store answers about where coffee came from and went.

use async_trait::async_trait;
use uuid::Uuid;

use super::{BagsRow, Result};
use crate::book::place::Place;
use crate::day::Day;
use crate::ids::{LotId, OrderId, PostingId, ProductId, SiteId};
use crate::mass::Mass;

/// What went from one place of a lot to another in all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Way {
    /// Whose coffee.
    pub lot: LotId,
    /// Where it was.
    pub from: Place,
    /// Where it went.
    pub to: Place,
    /// How much, whatever of it came back.
    pub mass: Mass,
    /// The first day on which any went.
    pub day: Day,
}

/// A line of bags with the posting that packed or shipped them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PostedBags {
    /// The posting.
    pub posting: PostingId,
    /// Its day.
    pub day: Day,
    /// The bags.
    pub bags: BagsRow,
}

/// Reads for tracing.
#[async_trait]
pub trait ReadTrace {
    /// What went from place to place, of these lots.
    async fn ways(&mut self, site: SiteId, lots: &[LotId]) -> Result<Vec<Way>>;
    /// Lots that have been at a place of this key.
    async fn lots_at(&mut self, site: SiteId, key: Uuid) -> Result<Vec<LotId>>;
    /// The bags of postings that packed or shipped, but for what was undone.
    async fn bags_of_postings(
        &mut self,
        site: SiteId,
        postings: &[PostingId],
    ) -> Result<Vec<PostedBags>>;
    /// Bags of packings for the shelf that became an order's, but for what was undone.
    async fn bags_allotted(&mut self, site: SiteId, packings: &[PostingId])
    -> Result<Vec<BagsRow>>;
    /// How many bags of products were filled, but for what was undone.
    async fn bags_of_products(
        &mut self,
        site: SiteId,
        products: &[ProductId],
    ) -> Result<Vec<(ProductId, u32)>>;
    /// The packings and shipments that an order's bags were filled by and left with, but for what was undone.
    async fn postings_of_order(&mut self, site: SiteId, order: OrderId) -> Result<Vec<PostingId>>;
}
