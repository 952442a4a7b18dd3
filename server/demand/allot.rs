//! Bags on the shelf become an order's: nothing moves, they only stand for somebody now.

use std::collections::HashMap;
use std::collections::hash_map::Entry;

use async_trait::async_trait;
use serde_json::json;
use uuid::Uuid;

use super::bags::{self, Leaving};
use super::beyond::beyond_order;
use super::filled::Filled;
use super::packing::asked_window;
use super::{Window, claims};
use crate::app::App;
use crate::book::leaf::Kind;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::day::Day;
use crate::green::Posted;
use crate::ids::{BatchId, LotId, OrderId, PostingId, ProductId, SiteId};
use crate::refusal::{Outcome, Refusal, ToConfirm};
use crate::setup::{self, Delivery, Lot, Product};
use crate::store::{BagsRow, BagsStanding, Read};
use crate::text::Name;

command! {
    /// Bags on the shelf were taken for an order.
    Allotment {
        /// The order.
        order: OrderId,
        /// The product.
        product: ProductId,
        /// How many bags.
        #[schema(minimum = 1, maximum = 1_000_000)]
        bags: u32,
        /// How the coffee in them is ground; left out for whole beans.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grind: Option<Name>,
        /// The packing that they are of, roasted in the order's window or not; left out: the oldest of its window.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        packing: Option<PostingId>,
    }
}

/// Bags of one packing on the shelf, and what decides whether an order may have them.
pub(super) struct OnShelf {
    /// The bags.
    pub of: BagsStanding,
    /// The first and last day on which their coffee was roasted.
    roasted: Option<(Day, Day)>,
    /// Whether no batch in them nor its delivery is on hold, and all lots carry what the product is sold as.
    may_leave: bool,
}

impl OnShelf {
    /// Whether they are bags of a product in a grind that may be sent to somebody.
    pub fn are(&self, product: ProductId, grind: Option<&Name>) -> bool {
        self.may_leave && self.of.product == product && self.of.grind.as_ref() == grind
    }

    /// Whether all their coffee was roasted inside a window; any will do where there is none.
    pub fn lie_in(&self, window: Option<Window>) -> bool {
        let Some((window, (first, last))) = window.zip(self.roasted) else {
            return window.is_none();
        };
        window.contains(first) && window.contains(last)
    }
}

/// The bags on the shelf, the oldest roasted first.
pub(super) async fn on_shelf(
    tx: &mut dyn Read,
    site: SiteId,
    standing: &[BagsStanding],
) -> Outcome<Vec<OnShelf>> {
    let mut known: HashMap<PostingId, Vec<BatchId>> = HashMap::new();
    let mut shelf = Vec::new();
    for of in standing.iter().filter(|of| of.order.is_none()) {
        let batches = match known.entry(of.packing) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(unread) => unread.insert(batches_in(tx, site, of.packing).await?),
        };
        shelf.push(looked_at(tx, site, of.clone(), batches).await?);
    }
    shelf.sort_by_key(|bags| (bags.roasted, bags.of.packing));
    Ok(shelf)
}

/// The batches whose coffee a packing holds.
async fn batches_in(tx: &mut dyn Read, site: SiteId, packing: PostingId) -> Outcome<Vec<BatchId>> {
    let filled = Filled::read(tx, site, packing).await?;
    let drawn = filled.into_iter().flat_map(|filled| filled.drawn);
    Ok(drawn.map(|drawn| drawn.batch).collect())
}

async fn looked_at(
    tx: &mut dyn Read,
    site: SiteId,
    of: BagsStanding,
    batches: &[BatchId],
) -> Outcome<OnShelf> {
    let product = setup::need::<Product>(tx, site, of.product).await?.fields;
    let rows = tx.batches_by_id(site, batches).await?;
    let mut held = rows.iter().any(|row| row.held);
    for lot in rows.iter().map(|row| row.lot) {
        held |= on_hold(tx, site, lot).await?;
    }
    let days = || rows.iter().map(|row| row.day);
    Ok(OnShelf {
        roasted: days().min().zip(days().max()),
        may_leave: !held && claims::lacking(tx, site, &product, &rows).await?.is_none(),
        of,
    })
}

/// Whether the delivery of a lot is on hold.
async fn on_hold(tx: &mut dyn Read, site: SiteId, lot: LotId) -> Outcome<bool> {
    let lot = setup::need::<Lot>(tx, site, lot).await?.fields;
    let delivery = setup::need::<Delivery>(tx, site, lot.delivery).await?;
    Ok(delivery.fields.hold.is_some())
}

#[async_trait]
impl Command for Allotment {
    const NAME: &'static str = "allotments";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let site = book.site();
        let product = setup::named::<Product>(book.tx(), site, "/product", self.product)
            .await?
            .fields;
        let asked = (self.product, &product, &self.grind);
        let window = asked_window(book, self.order, asked).await?;
        self.check_wanted(book).await?;
        let leaving = self.leaving(book, window).await?;
        let draft = Draft {
            id: id.into(),
            kind: Kind::Allot,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts: json!({ "order": self.order }),
            movements: Vec::new(),
            weighings: Vec::new(),
        };
        // Each packing's bags twice over: off the shelf, and to the order.
        let mut rows: Vec<BagsRow> = leaving.iter().map(Leaving::row).collect();
        let taken = leaving.iter().map(|leaving| BagsRow {
            order: Some(self.order),
            ..leaving.row()
        });
        rows.extend(taken);
        Ok(Posted::from(&bags::post(book, draft, &rows).await?))
    }
}

impl Allotment {
    /// Asks once about more bags than the order still lacks.
    async fn check_wanted(&self, book: &mut Book) -> Outcome<()> {
        if self.bags == 0 {
            return Err(Refusal::field(
                "/bags",
                "a whole number of bags, at least 1",
            ));
        }
        let bags = (self.product, &self.grind);
        let mut asked = ToConfirm::default();
        beyond_order(book, self.order, bags, self.bags, &mut asked).await?;
        asked.ask(|confirm| self.common().confirms(confirm))
    }

    /// The bags that are taken off the shelf.
    async fn leaving(&self, book: &mut Book, window: Option<Window>) -> Outcome<Vec<Leaving>> {
        let site = book.site();
        let standing = bags::standing(book.tx(), site).await?;
        let shelf = on_shelf(book.tx(), site, &standing).await?;
        let fit = shelf.into_iter().filter(|bags| {
            bags.are(self.product, self.grind.as_ref())
                && match self.packing {
                    Some(packing) => packing == bags.of.packing,
                    None => bags.lie_in(window),
                }
        });
        let leaving = bags::first(fit.map(|bags| bags.of), self.bags);
        let there: u32 = leaving.iter().map(|leaving| leaving.bags).sum();
        if there == self.bags {
            return Ok(leaving);
        }
        let of = if self.packing.is_some() {
            "of this packing"
        } else {
            "that were roasted in time for the order"
        };
        Err(Refusal::field(
            "/bags",
            format!(
                "{there} such bags {of} stand on the shelf and are not on hold: fill the rest anew"
            ),
        ))
    }
}
