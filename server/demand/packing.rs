//! Coffee goes into bags: roasted -> packed, the oldest that will do first.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::roasted::{Roasted, roasted};
use super::{Window, claims, post_bags, window};
use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::floor::batch::{Batch, State};
use crate::green::PostingView;
use crate::ids::{BatchId, CoffeeId, LotId, OrderId, PostingId, ProductId, StyleId};
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Lot, Order, Product, ShipDay, Site, Style};
use crate::store::{BagsRow, BatchFilter};

command! {
    /// Bags of a product were filled.
    Packing {
        /// The product.
        product: ProductId,
        /// How many bags.
        #[schema(minimum = 1, maximum = 1_000_000)]
        bags: u32,
        /// The order they are for; left out: for the shelf.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        order: Option<OrderId>,
        /// The batches that were taken, in this order; left out: the oldest that will do.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(max_items = 100)]
        batches: Option<Vec<BatchId>>,
    }
}

/// What a packing took from a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct FromBatch {
    /// The batch.
    pub batch: BatchId,
    /// How much.
    pub mass_g: Mass,
}

/// The answer to a packing.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Packed {
    /// The posting.
    pub posting: PostingView,
    /// What was taken from which batch.
    pub from: Vec<FromBatch>,
}

/// Coffee taken from a batch, and how much of it the book did not have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Take {
    batch: BatchId,
    lot: LotId,
    mass: Mass,
    beyond: Mass,
}

#[async_trait]
impl Command for Packing {
    const NAME: &'static str = "packings";
    type Answer = Packed;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Packed> {
        if !(1..=1_000_000).contains(&self.bags) {
            return Err(Refusal::field(
                "/bags",
                "a whole number of bags, at least 1",
            ));
        }
        let site = book.site();
        let product = setup::named::<Product>(book.tx(), site, "/product", self.product)
            .await?
            .fields;
        let window = self.window(book, &product).await?;
        let overfill = setup::need::<Site>(book.tx(), site, site)
            .await?
            .fields
            .overfill_g;
        let whole = product.bag_g.plus(overfill)?.times(i64::from(self.bags))?;
        let shares: Vec<Mass> = product
            .parts
            .iter()
            .filter_map(|part| Mass::from_mg(i64::from(part.share.ppm())).ok())
            .collect();
        let stock = roasted(book.tx(), site).await?;
        let stock = claims::carrying(book, &product, stock).await?;
        let mut takes = Vec::new();
        for (part, mass) in product.parts.iter().zip(whole.split(&shares)) {
            let candidates = self
                .candidates(book, &product, part.coffee, window, &stock)
                .await?;
            takes.extend(
                self.take(book, &product, part.coffee, mass, &candidates)
                    .await?,
            );
        }
        let batches: Vec<BatchId> = takes.iter().map(|take| take.batch).collect();
        claims::check(book, &product, &batches).await?;
        self.ask(&takes)?;
        self.book(book, id.into(), &takes).await
    }
}

impl Packing {
    /// The roasting days that will do for the order.
    async fn window(&self, book: &mut Book, product: &Product) -> Outcome<Option<Window>> {
        let Some(order) = self.order else {
            return Ok(None);
        };
        let site = book.site();
        let order = setup::named::<Order>(book.tx(), site, "/order", order)
            .await?
            .fields;
        if order.cancelled {
            return Err(Refusal::conflict(format!(
                "order {} is called off: pack for the shelf, without an order",
                order.number
            )));
        }
        if !order.lines.iter().any(|line| line.product == self.product) {
            return Err(Refusal::field(
                "/product",
                format!("order {} does not ask for {}", order.number, product.name),
            ));
        }
        let style = setup::need::<Style>(book.tx(), site, product.style)
            .await?
            .fields;
        let label = order.ship_day.to_string();
        let row = book
            .tx()
            .record_labelled(site, <ShipDay as setup::Record>::KIND, &label)
            .await?;
        let ship: Option<ShipDay> = row
            .map(|row| serde_json::from_str(&row.body))
            .transpose()
            .map_err(crate::book::damaged)?;
        Ok(ship.map(|ship| window(&ship, order.transit_days, &style)))
    }

    /// The batches to take a coffee from, in order: those that a person named, else those inside the order's window, then the fresher, then
    /// the staler, each the oldest first.
    async fn candidates(
        &self,
        book: &mut Book,
        product: &Product,
        coffee: CoffeeId,
        window: Option<Window>,
        stock: &[Roasted],
    ) -> Outcome<Vec<Roasted>> {
        if let Some(batches) = &self.batches {
            return self.named(book, product, coffee, batches, stock).await;
        }
        let mut fit: Vec<Roasted> = stock
            .iter()
            .filter(|roasted| roasted.coffee == coffee && fits(product, roasted))
            .copied()
            .collect();
        fit.sort_by_key(|roasted| {
            let rank = match window {
                Some(window) if roasted.day > window.to => 1,
                Some(window) if roasted.day < window.from => 2,
                _ => 0,
            };
            (rank, roasted.day, roasted.batch)
        });
        Ok(fit)
    }

    /// The named batches of a coffee. A person may give another style to a product; what is on hold must be passed first.
    async fn named(
        &self,
        book: &mut Book,
        product: &Product,
        coffee: CoffeeId,
        batches: &[BatchId],
        stock: &[Roasted],
    ) -> Outcome<Vec<Roasted>> {
        let mut found = Vec::new();
        for (i, id) in batches.iter().enumerate() {
            let at = format!("/batches/{i}");
            if batches[..i].contains(id) || batches.len() > 100 {
                return Err(Refusal::field(&at, "name each batch once, at most 100"));
            }
            let roasted = match stock.iter().find(|roasted| roasted.batch == *id) {
                Some(roasted) => *roasted,
                None => empty(book, &at, *id).await?,
            };
            if !product
                .parts
                .iter()
                .any(|part| part.coffee == roasted.coffee)
            {
                return Err(Refusal::field(
                    &at,
                    format!("{} is not made of this batch's coffee", product.name),
                ));
            }
            found.extend((roasted.coffee == coffee).then_some(roasted));
        }
        Ok(found)
    }

    /// Takes a mass of a coffee from batches in order; what none of them has is taken from the last all the same.
    async fn take(
        &self,
        book: &mut Book,
        product: &Product,
        coffee: CoffeeId,
        mass: Mass,
        candidates: &[Roasted],
    ) -> Outcome<Vec<Take>> {
        let mut left = mass;
        let mut takes: Vec<Take> = Vec::new();
        for roasted in candidates {
            let part = left.min(roasted.mass);
            if part.is_positive() {
                takes.push(Take {
                    batch: roasted.batch,
                    lot: roasted.lot,
                    mass: part,
                    beyond: Mass::ZERO,
                });
                left = left.minus(part)?;
            }
        }
        if !left.is_positive() {
            return Ok(takes);
        }
        let last = match candidates.last() {
            Some(last) => *last,
            None => last_roasted(book, product, coffee).await?,
        };
        match takes.iter_mut().find(|take| take.batch == last.batch) {
            Some(take) => {
                take.mass = take.mass.plus(left)?;
                take.beyond = left;
            }
            None => takes.push(Take {
                batch: last.batch,
                lot: last.lot,
                mass: left,
                beyond: left,
            }),
        }
        Ok(takes)
    }

    /// Asks once about more than the book has.
    fn ask(&self, takes: &[Take]) -> Outcome<()> {
        let beyond = Mass::sum(takes.iter().map(|take| take.beyond))?;
        if !beyond.is_positive() || self.common().confirms(Confirm::BeyondBook) {
            return Ok(());
        }
        Err(Refusal::Confirm {
            confirm: vec![Confirm::BeyondBook],
            sentence: format!(
                "these bags hold {beyond} more than the book has roasted of this coffee and not on hold"
            ),
            facts: Map::from_iter([("beyond_book_g".to_owned(), json!(beyond))]),
        })
    }

    async fn book(&self, book: &mut Book, id: PostingId, takes: &[Take]) -> Outcome<Packed> {
        let beyond = Mass::sum(takes.iter().map(|take| take.beyond))?;
        let from: Vec<FromBatch> = takes
            .iter()
            .map(|take| FromBatch {
                batch: take.batch,
                mass_g: take.mass,
            })
            .collect();
        let mut facts = json!({ "batches": from });
        if beyond.is_positive() {
            facts["beyond_book_g"] = json!(beyond);
            facts["confirmed"] = json!(self.confirmed);
            facts["kept"] = Value::Bool(self.kept);
        }
        let draft = Draft {
            id,
            kind: Kind::Pack,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts,
            movements: movements(takes, id),
            weighings: Vec::new(),
        };
        let row = BagsRow {
            order: self.order,
            product: self.product,
            bags: self.bags,
        };
        let posting = post_bags(book, draft, &[row]).await?;
        Ok(Packed {
            posting: (&posting).into(),
            from,
        })
    }
}

/// Whether roasted coffee will do for a product: its style and, where the product names lots, its lot.
fn fits(product: &Product, roasted: &Roasted) -> bool {
    roasted.style == product.style
        && product
            .lots
            .as_ref()
            .is_none_or(|lots| lots.contains(&roasted.lot))
}

/// What the book does not have comes out of the count difference first, so that no batch falls below nothing.
fn movements(takes: &[Take], id: PostingId) -> Vec<Movement> {
    let mut movements = Vec::new();
    for take in takes {
        let roasted = Place::Roasted(take.batch);
        let way = [
            (Place::Variance, roasted, take.beyond),
            (roasted, Place::Packed(id), take.mass),
        ];
        movements.extend(way.into_iter().filter(|(.., mass)| mass.is_positive()).map(
            |(from, to, mass)| Movement {
                lot: take.lot,
                from,
                to,
                mass_mg: mass.mg(),
            },
        ));
    }
    movements
}

/// A named batch that has nothing left, or may not be taken.
async fn empty(book: &mut Book, at: &str, id: BatchId) -> Outcome<Roasted> {
    let site = book.site();
    let row = book.tx().batch(id).await?;
    let row = row.ok_or_else(|| Refusal::field(at, "there is no such batch"))?;
    if row.held {
        return Err(Refusal::field(
            at,
            "this batch is on hold: pass it before it goes into bags",
        ));
    }
    if Batch::of_row(&row)?.state() != State::WeighedOut {
        return Err(Refusal::field(
            at,
            "this batch has not been weighed out: weigh it first",
        ));
    }
    let lot = setup::named::<Lot>(book.tx(), site, at, row.lot)
        .await?
        .fields;
    let delivery = setup::need::<setup::Delivery>(book.tx(), site, lot.delivery).await?;
    if let Some(why) = delivery.fields.hold {
        return Err(Refusal::field(
            at,
            format!("the delivery of this batch is on hold: {why}"),
        ));
    }
    Ok(Roasted {
        batch: id,
        lot: row.lot,
        coffee: lot.coffee,
        style: StyleId(row.style),
        day: row.day,
        mass: Mass::ZERO,
    })
}

/// The last batch of a product's coffee that was weighed out, though the book has nothing left of it.
async fn last_roasted(book: &mut Book, product: &Product, coffee: CoffeeId) -> Outcome<Roasted> {
    let site = book.site();
    let mut newest: Option<Roasted> = None;
    for lot in setup::all::<Lot>(book.tx(), site).await? {
        if lot.fields.coffee != coffee {
            continue;
        }
        let filter = BatchFilter {
            states: vec![State::WeighedOut.word().to_owned()],
            lot: Some(lot.id.into()),
            ..BatchFilter::default()
        };
        for row in book.tx().batches(site, &filter, 50).await? {
            let found = Roasted {
                batch: row.id,
                lot: row.lot,
                coffee,
                style: StyleId(row.style),
                day: row.day,
                mass: Mass::ZERO,
            };
            let newer = newest.is_none_or(|n| (n.day, n.batch) < (found.day, found.batch));
            if !row.held && fits(product, &found) && newer {
                newest = Some(found);
            }
        }
    }
    newest.ok_or_else(|| {
        Refusal::conflict(format!(
            "no coffee for {} has been roasted that may be packed: weigh a batch out or pass one first",
            product.name
        ))
    })
}
