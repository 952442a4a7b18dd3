//! Bags: rows and what may be asked of them.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};

use super::Result;
use crate::day::Instant;
use crate::ids::{OrderId, PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::text::Name;

/// Bags that a posting packed or shipped, took back to the shelf, threw away, or took off the shelf for an order: two lines, one for each.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BagsRow {
    /// For which order; none for the shelf.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<OrderId>,
    /// Of which product.
    pub product: ProductId,
    /// How many.
    pub bags: u32,
    /// How the coffee was ground; none for whole beans.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grind: Option<Name>,
    /// The packing that filled them, where that is another posting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub packing: Option<PostingId>,
}

/// Bags of one packing that stand in the house.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BagsStanding {
    /// The packing that filled them.
    pub packing: PostingId,
    /// For which order; none for the shelf.
    pub order: Option<OrderId>,
    /// Of which product.
    pub product: ProductId,
    /// How the coffee was ground; none for whole beans.
    pub grind: Option<Name>,
    /// How many.
    pub bags: u32,
}

/// What a packing filled, and the mass that stands of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BagsFilled {
    /// The packing, with all its bags.
    pub of: BagsStanding,
    /// What they held.
    pub filled: Mass,
    /// What stands of it.
    pub left: Mass,
}

/// Bags that a posting shipped, by the packing that filled them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BagsShipped {
    /// Where the shipment stands in the log.
    pub position: i64,
    /// The posting that shipped them.
    pub shipment: PostingId,
    /// What was shipped.
    pub row: BagsRow,
}

/// Bags of a packing that a posting took from the shelf for an order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BagsAllotted {
    /// The posting.
    pub posting: PostingId,
    /// When it was done.
    pub taken_at: Instant,
    /// For which order.
    pub order: OrderId,
    /// Of which product.
    pub product: ProductId,
    /// How the coffee was ground; none for whole beans.
    pub grind: Option<Name>,
    /// The packing that filled them.
    pub packing: PostingId,
    /// How many.
    pub bags: u32,
}

/// How many bags of a product have been packed, taken off the shelf, shipped or thrown away for an order, less what was undone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BagsSum {
    /// The order.
    pub order: OrderId,
    /// The product.
    pub product: ProductId,
    /// How the coffee was ground; none for whole beans.
    pub grind: Option<Name>,
    /// The postings' kind.
    pub kind: String,
    /// How many.
    pub bags: i64,
}

/// Reads of bags.
#[async_trait]
pub trait ReadBags {
    /// What has been packed, taken off the shelf, shipped and thrown away for orders.
    async fn bags_of_orders(&mut self, site: SiteId, orders: &[OrderId]) -> Result<Vec<BagsSum>>;
    /// What was taken from the shelf for orders, less what was undone, in order of the log.
    async fn bags_allotted_to(
        &mut self,
        site: SiteId,
        orders: &[OrderId],
    ) -> Result<Vec<BagsAllotted>>;
    /// Bags that stand in the house by what was packed, shipped, taken back, thrown away and allotted, less what was undone, in order of their packings.
    async fn bags_standing(&mut self, site: SiteId) -> Result<Vec<BagsStanding>>;
    /// Whether more bags of a packing have left than stood there, for an order or for the shelf.
    async fn bags_overdrawn(&mut self, packing: PostingId) -> Result<bool>;
    /// All packings of which something stands, in order.
    async fn bags_filled(&mut self, site: SiteId) -> Result<Vec<BagsFilled>>;
    /// Bags of a product that were shipped to an order, less what was undone, the last shipped first.
    async fn bags_shipped(
        &mut self,
        site: SiteId,
        order: OrderId,
        product: ProductId,
    ) -> Result<Vec<BagsShipped>>;
    /// Bags of a product in the last so many sales over the counter before a place in the log, less what was undone, the last sold first.
    async fn bags_sold(
        &mut self,
        site: SiteId,
        product: ProductId,
        before: i64,
        sales: i64,
    ) -> Result<Vec<BagsShipped>>;
    /// All postings that packed, less what was undone, the last first.
    async fn packings(&mut self, site: SiteId) -> Result<Vec<PostingId>>;
}

/// Changes of bags.
#[async_trait]
pub trait WriteBags: ReadBags {
    /// Stores a line of a posting's bags.
    async fn insert_bags(&mut self, posting: PostingId, line: usize, row: &BagsRow) -> Result<()>;
}
