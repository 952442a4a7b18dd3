//! Green comes in: supplier -> store.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use super::Posted;
use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::ids::{DeliveryId, LotId, StoreroomId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Delivery, Lot, Storeroom, Weight};
use crate::store::is_of_sites;

/// A lot of a delivery as it came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReceiptLine {
    /// The lot.
    pub lot: LotId,
    /// Where it is put.
    pub storeroom: StoreroomId,
    /// How much.
    pub weight: Weight,
}

command! {
    /// Lots of a delivery came in.
    Receipt {
        /// The delivery.
        delivery: DeliveryId,
        /// What came of each lot.
        #[schema(min_items = 1, max_items = 200)]
        lines: Vec<ReceiptLine>,
    }
}

#[async_trait]
impl Command for Receipt {
    const NAME: &'static str = "receipts";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        if self.lines.is_empty() || self.lines.len() > 200 {
            return Err(Refusal::field(
                "/lines",
                "enter what came of at least one lot, and of 200 at most",
            ));
        }
        let site = book.site();
        setup::named::<Delivery>(book.tx(), site, "/delivery", self.delivery).await?;
        let (mut movements, mut weighings) = (Vec::new(), Vec::new());
        for (i, line) in self.lines.iter().enumerate() {
            let lot =
                setup::named::<Lot>(book.tx(), site, &format!("/lines/{i}/lot"), line.lot).await?;
            if lot.fields.delivery != self.delivery {
                return Err(Refusal::field(
                    &format!("/lines/{i}/lot"),
                    format!("{} came with another delivery", lot.fields.name),
                ));
            }
            let receipts = book.tx().receipts(site, Some(line.lot)).await?;
            if is_of_sites(&receipts) {
                return Err(Refusal::field(
                    &format!("/lines/{i}/lot"),
                    "it comes from another site: take in what is on the way instead",
                ));
            }
            setup::named::<Storeroom>(
                book.tx(),
                site,
                &format!("/lines/{i}/storeroom"),
                line.storeroom,
            )
            .await?;
            let weighed = line
                .weight
                .positive(book.tx(), site, &format!("/lines/{i}/weight"))
                .await?;
            movements.push(Movement {
                lot: line.lot,
                from: Place::Supplier(self.delivery),
                to: Place::Store(line.storeroom),
                mass_mg: weighed.mass.mg(),
            });
            weighings.push(weighed.weighing(i));
        }
        let draft = Draft {
            id: id.into(),
            kind: Kind::Receive,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts: Value::Null,
            movements,
            weighings,
        };
        Ok(Posted::from(&book.post(draft).await?))
    }
}
