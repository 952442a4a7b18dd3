//! Coffee goes into bags: roasted -> packed. It is drawn from runs, the oldest that will do first, and of a run's batches in proportion.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::beyond::beyond_order;
use super::prepack::BagCheck;
use super::roasted::{Roasted, Run, of_row, roasted, runs};
use super::{Window, bags, claims, label_code, window};
use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::floor::batch::{Batch, State};
use crate::green::PostingView;
use crate::ids::{BatchId, CoffeeId, LotId, OrderId, PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal, ToConfirm};
use crate::setup::{self, Lot, Order, Product, ShipDay, Style, Weighed, Weight};
use crate::store::{BagsRow, BatchFilter, Read};
use crate::text::Name;

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
        /// How the coffee was ground; left out for whole beans.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grind: Option<Name>,
        /// The runs that were taken, each by one of its batches, in this order; left out: the oldest that will do.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(max_items = 100)]
        batches: Option<Vec<BatchId>>,
        /// Bags that were weighed, one reading for each, with the empty bag as its container; left out where none was.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        weighed: Option<Weight>,
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
    /// The weighed bags against their label, where some were weighed.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub check: Option<BagCheck>,
    /// The code on the label.
    pub code: String,
}

/// Bags on the scale, to be held against their label before they are booked.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BagQuestion {
    /// The product.
    pub product: ProductId,
    /// How many bags are filled.
    #[schema(minimum = 1, maximum = 1_000_000)]
    pub bags: u32,
    /// Those that were weighed, one reading for each.
    pub weighed: Weight,
}

impl BagQuestion {
    /// What the rules say of them.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] for readings that cannot be.
    pub async fn answer(&self, tx: &mut dyn Read, site: SiteId) -> Outcome<BagCheck> {
        let product = setup::named::<Product>(tx, site, "/product", self.product).await?;
        let checked = Checked::of(tx, site, &product.fields, self.bags, &self.weighed).await?;
        Ok(checked.check)
    }
}

/// Bags that were weighed, and what the rules say of them.
struct Checked {
    weighed: Weighed,
    nets: Vec<Mass>,
    check: BagCheck,
}

/// Coffee taken from a batch, and how much of it the book did not have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Take {
    batch: BatchId,
    lot: LotId,
    mass: Mass,
    beyond: Mass,
}

impl Checked {
    async fn of(
        tx: &mut dyn Read,
        site: SiteId,
        product: &Product,
        bags: u32,
        weight: &Weight,
    ) -> Outcome<Self> {
        if !matches!(weight, Weight::Weighed { .. }) {
            return Err(Refusal::field(
                "/weighed/basis",
                "bags are weighed: give a reading for each",
            ));
        }
        let weighed = weight.positive(tx, site, "/weighed").await?;
        let nets = weighed.nets();
        if nets.len() > usize::try_from(bags).unwrap_or(usize::MAX) {
            return Err(Refusal::field(
                "/weighed/readings",
                "there are more readings than bags: one for each bag",
            ));
        }
        let check = BagCheck::of(product.bag_g, bags, &nets)
            .ok_or_else(|| Refusal::field("/weighed/readings", "give a reading for each bag"))?;
        Ok(Self {
            weighed,
            nets,
            check,
        })
    }
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
        let window = match self.order {
            Some(order) => {
                let asked = (self.product, &product, &self.grind);
                asked_window(book, order, asked).await?
            }
            None => None,
        };
        let checked = match &self.weighed {
            Some(weight) => Some(Checked::of(book.tx(), site, &product, self.bags, weight).await?),
            None => None,
        };
        let whole = self.whole(book, &product, checked.as_ref()).await?;
        let stock = roasted(book.tx(), site).await?;
        let stock = claims::carrying(book, &product, stock).await?;
        let mut takes = Vec::new();
        for (part, mass) in product.parts.iter().zip(product.split(whole)) {
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
        let asked = self.asked(book, &takes, checked.as_ref()).await?;
        asked.ask(|confirm| self.common().confirms(confirm))?;
        self.book(book, id.into(), &takes, (checked, asked)).await
    }
}

impl Packing {
    /// What all bags hold: as weighed where all were, at the mean of the weighed where some were, else label and usual overfill.
    async fn whole(
        &self,
        book: &mut Book,
        product: &Product,
        checked: Option<&Checked>,
    ) -> Outcome<Mass> {
        let site = book.site();
        let Some(checked) = checked else {
            let site = setup::site(book.tx(), site).await?.fields;
            let bag = product.bag_g.plus(site.overfill_g)?;
            return Ok(bag.times(i64::from(self.bags))?);
        };
        let sum = Mass::sum(checked.nets.iter().copied())?;
        if checked.check.weighed == self.bags {
            return Ok(sum);
        }
        let n = i64::from(checked.check.weighed);
        let all = sum.times(i64::from(self.bags))?;
        Ok(Mass::from_mg((all.mg() + n / 2) / n)?)
    }

    /// The runs to take a coffee from, in order: those that a person named, else those inside the order's window, then the fresher, then
    /// the staler, each the oldest first.
    async fn candidates(
        &self,
        book: &mut Book,
        product: &Product,
        coffee: CoffeeId,
        window: Option<Window>,
        stock: &[Roasted],
    ) -> Outcome<Vec<Run>> {
        if let Some(batches) = &self.batches {
            return self.named(book, product, coffee, batches, stock).await;
        }
        let fit: Vec<Roasted> = stock
            .iter()
            .filter(|roasted| roasted.coffee == coffee && fits(product, roasted))
            .copied()
            .collect();
        let mut fit = runs(&fit);
        fit.sort_by_key(|run| {
            let first = run.first();
            let rank = match window {
                Some(window) if first.day > window.to => 1,
                Some(window) if first.day < window.from => 2,
                _ => 0,
            };
            (rank, first.day, first.batch)
        });
        Ok(fit)
    }

    /// The named runs of a coffee. A person may give another style to a product; what is on hold must be passed first.
    async fn named(
        &self,
        book: &mut Book,
        product: &Product,
        coffee: CoffeeId,
        batches: &[BatchId],
        stock: &[Roasted],
    ) -> Outcome<Vec<Run>> {
        let mut found: Vec<Run> = Vec::new();
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
            let taken = found.iter().any(|run| run.first().shares_bin(&roasted));
            if roasted.coffee == coffee && !taken {
                let mut batches: Vec<Roasted> = stock
                    .iter()
                    .filter(|other| other.shares_bin(&roasted))
                    .copied()
                    .collect();
                if batches.is_empty() {
                    batches.push(roasted);
                }
                found.push(Run { batches });
            }
        }
        Ok(found)
    }

    /// Takes a mass of a coffee from runs in order; what none of them has is taken from the last all the same.
    async fn take(
        &self,
        book: &mut Book,
        product: &Product,
        coffee: CoffeeId,
        mass: Mass,
        candidates: &[Run],
    ) -> Outcome<Vec<Take>> {
        let mut left = mass;
        let mut takes: Vec<Take> = Vec::new();
        for run in candidates {
            let part = left.min(run.mass());
            let shares = run.shares(part).into_iter();
            takes.extend(
                shares
                    .filter(|(_, mass)| mass.is_positive())
                    .map(|(batch, mass)| Take {
                        batch,
                        lot: run.first().lot,
                        mass,
                        beyond: Mass::ZERO,
                    }),
            );
            left = left.minus(part)?;
        }
        if !left.is_positive() {
            return Ok(takes);
        }
        let last = match candidates.last().and_then(|run| run.batches.last()) {
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

    /// What a person is asked about: more than the book has, bags that are too light, more bags than the order lacks.
    async fn asked(
        &self,
        book: &mut Book,
        takes: &[Take],
        checked: Option<&Checked>,
    ) -> Outcome<ToConfirm> {
        let mut asked = ToConfirm::default();
        let beyond = Mass::sum(takes.iter().map(|take| take.beyond))?;
        if beyond.is_positive() {
            let sentence = format!(
                "these bags hold {beyond} more than the book has roasted of this coffee and not on hold"
            );
            let facts = Map::from_iter([("beyond_book_g".to_owned(), json!(beyond))]);
            asked.add(Confirm::BeyondBook, sentence, facts);
        }
        let light = checked.map(|checked| &checked.check);
        if let Some(check) = light.filter(|check| !check.faults.is_empty()) {
            let facts = Map::from_iter([("check".to_owned(), json!(check))]);
            asked.add(Confirm::LightBags, check.sentence(), facts);
        }
        if let Some(order) = self.order {
            let bags = (self.product, &self.grind);
            beyond_order(book, order, bags, self.bags, &mut asked).await?;
        }
        Ok(asked)
    }

    async fn book(
        &self,
        book: &mut Book,
        id: PostingId,
        takes: &[Take],
        (checked, asked): (Option<Checked>, ToConfirm),
    ) -> Outcome<Packed> {
        let from: Vec<FromBatch> = takes
            .iter()
            .map(|take| FromBatch {
                batch: take.batch,
                mass_g: take.mass,
            })
            .collect();
        let draft = Draft {
            id,
            kind: Kind::Pack,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts: self.facts(&from, takes, checked.as_ref(), &asked)?,
            movements: movements(takes, id),
            weighings: Vec::new(),
        };
        let row = BagsRow {
            order: self.order,
            product: self.product,
            bags: self.bags,
            grind: self.grind.clone(),
            packing: None,
        };
        let posting = bags::post(book, draft, &[row]).await?;
        Ok(Packed {
            posting: (&posting).into(),
            from,
            check: checked.map(|checked| checked.check),
            code: label_code(id),
        })
    }

    /// What the posting says beside its movements. The weighing stands there, since it covers bags and not one movement.
    fn facts(
        &self,
        from: &[FromBatch],
        takes: &[Take],
        checked: Option<&Checked>,
        asked: &ToConfirm,
    ) -> Outcome<Value> {
        let beyond = Mass::sum(takes.iter().map(|take| take.beyond))?;
        let mut facts = json!({ "batches": from });
        if beyond.is_positive() {
            facts["beyond_book_g"] = json!(beyond);
        }
        if let Some(checked) = checked {
            facts["check"] = json!(checked.check);
            facts["weighing"] = json!(checked.weighed.weighing(0));
        }
        if !asked.is_empty() {
            facts["confirmed"] = json!(self.confirmed);
            facts["kept"] = Value::Bool(self.kept);
        }
        Ok(facts)
    }
}

/// The roasting days that will do for an order's bags of a product in a grind; none where its ship day is not set up.
///
/// # Errors
/// [`Refusal::Conflict`] where the order is called off, [`Refusal::Invalid`] where it asks for no such bags.
pub(super) async fn asked_window(
    book: &mut Book,
    order: OrderId,
    (id, product, grind): (ProductId, &Product, &Option<Name>),
) -> Outcome<Option<Window>> {
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
    let asked = order.lines.iter().filter(|line| line.product == id);
    let asked: Vec<_> = asked.map(|line| &line.grind).collect();
    if asked.is_empty() {
        return Err(Refusal::field(
            "/product",
            format!("order {} does not ask for {}", order.number, product.name),
        ));
    }
    if !asked.contains(&grind) {
        return Err(Refusal::field(
            "/grind",
            format!(
                "order {} asks for {} in another grind",
                order.number, product.name
            ),
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
    let row = book.tx().batch(site, id).await?;
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
    Ok(of_row(&row, lot.coffee, Mass::ZERO))
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
            let found = of_row(&row, coffee, Mass::ZERO);
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
