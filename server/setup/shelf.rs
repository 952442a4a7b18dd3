//! The shelf of the own shop.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};

use super::{Link, Product, Record, fault, unless};
use crate::ids::{ProductId, SiteId};
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};
use crate::text::Name;

/// How many bags of a product ought to stand on the shelf: what is missing is roasted and packed after all orders.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ShelfLevel {
    /// The product.
    pub product: ProductId,
    /// How the coffee is ground; left out for whole beans.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grind: Option<Name>,
    /// How many bags.
    #[schema(minimum = 1, maximum = 100_000)]
    pub bags: u32,
    /// No longer kept.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

#[async_trait]
impl Record for ShelfLevel {
    const KIND: &'static str = "shelf_level";
    const LABEL_AT: &'static str = "/product";

    /// One level for each product and grind.
    fn label(&self) -> Option<String> {
        let grind = self.grind.as_ref().map_or("", Name::as_str);
        Some(format!("{} {grind}", self.product))
    }

    async fn taken(&self, tx: &mut dyn Read, site: SiteId) -> Result<String, StoreError> {
        let of = super::find::<Product>(tx, site, self.product).await?;
        let name = of.map_or_else(String::new, |kept| kept.fields.name.to_string());
        let ground = self
            .grind
            .as_ref()
            .map(|grind| format!(", ground for {grind},"));
        let ground = ground.unwrap_or_default();
        Ok(format!(
            "{name}{ground} has a level on the shelf already: change that one"
        ))
    }

    fn links(&self) -> Vec<Link> {
        vec![Link::new("/product", Product::KIND, self.product)]
    }

    fn faults(&self) -> Vec<FieldError> {
        if (1..=100_000).contains(&self.bags) {
            Vec::new()
        } else {
            vec![fault(
                "/bags",
                "a whole number of bags from 1 to 100000; take the level out of use for none",
            )]
        }
    }
}
