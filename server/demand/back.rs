//! Bags come back, to the shelf or to waste; and bags in the house are thrown away.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use super::bags::{self, Leaving, part};
use super::filled::Filled;
use crate::app::App;
use crate::book::leaf::{Kind, Leaf, Movement, Posting, words};
use crate::book::place::Place;
use crate::book::{Book, Draft, damaged, find_posting};
use crate::command::{Command, Common, command};
use crate::green::Posted;
use crate::ids::{BatchId, LotId, OrderId, PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Order, Product};
use crate::store::{BagsRow, BagsShipped, PostingFilter, Read, StoreError};
use crate::text::Name;

words! {
    /// Where bags that came back go.
    BackTo {
        /// To the shelf, as bags of the packing that filled them.
        Shelf = "shelf",
        /// They are thrown away.
        Waste = "waste",
    }
}

command! {
    /// Bags came back from a customer.
    TakeBack {
        /// The order they left with; left out: sold over the counter.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        order: Option<OrderId>,
        /// The product.
        product: ProductId,
        /// How many bags.
        #[schema(minimum = 1, maximum = 1_000_000)]
        bags: u32,
        /// How the coffee in them is ground; left out for whole beans.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grind: Option<Name>,
        /// Where they go.
        to: BackTo,
        /// The order gets others in their place, so it lacks them again; left out: it does not, and what was paid for them counts as paid back.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        replace: bool,
    }
}

command! {
    /// Bags in the house were thrown away.
    BagWaste {
        /// The packing that filled them.
        packing: PostingId,
        /// How many bags.
        #[schema(minimum = 1, maximum = 1_000_000)]
        bags: u32,
    }
}

/// Bags of one packing that came back of one shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct CameBack {
    shipment: PostingId,
    packing: PostingId,
    bags: u32,
}

/// Bags of one packing that had left with a shipment for an order, or over the counter, and came back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Returned {
    /// The order they had left with.
    pub order: Option<OrderId>,
    /// The packing that filled them.
    pub packing: PostingId,
    /// How many came back.
    pub bags: u32,
    /// Where they went.
    pub to: BackTo,
}

/// What came back of a shipment, less what was undone, in order.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn returned(
    tx: &mut dyn Read,
    site: SiteId,
    shipment: PostingId,
) -> Result<Vec<Returned>, StoreError> {
    let filter = PostingFilter {
        lot: None,
        batch: Some(BatchId(shipment.0)),
        from: 0,
    };
    let mut found = Vec::new();
    for row in tx.posting_leaves(site, &filter, 10_000).await? {
        let Leaf::Posting(posting) = serde_json::from_str(&row.leaf).map_err(damaged)? else {
            continue;
        };
        if posting.kind != Kind::TakeBack || tx.reversal_of(posting.id).await?.is_some() {
            continue;
        }
        found.extend(returned_by(&posting, shipment).map_err(damaged)?);
    }
    Ok(found)
}

/// What a posting took back of a shipment.
fn returned_by(posting: &Posting, shipment: PostingId) -> serde_json::Result<Vec<Returned>> {
    let back = Vec::<CameBack>::deserialize(&posting.facts["returned"])?;
    let order = posting.facts.get("order").map(OrderId::deserialize);
    let order = order.transpose()?;
    // Bags that stand in the house again have lines of their own, by their packing; what the order lacks again has none.
    let lines = posting.facts.get("bags").map(Vec::<BagsRow>::deserialize);
    let lines = lines.transpose()?.unwrap_or_default();
    let to = if lines.iter().any(|line| line.packing.is_some()) {
        BackTo::Shelf
    } else {
        BackTo::Waste
    };
    let ours = back.into_iter().filter(|back| back.shipment == shipment);
    let returned = ours.map(|back| Returned {
        order,
        packing: back.packing,
        bags: back.bags,
        to,
    });
    Ok(returned.collect())
}

/// Bags of one packing that went with one shipment and have not come back, with their coffee.
struct Gone {
    shipment: PostingId,
    row: BagsRow,
    coffee: BTreeMap<LotId, Mass>,
}

#[async_trait]
impl Command for TakeBack {
    const NAME: &'static str = "take-backs";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let site = book.site();
        setup::named::<Product>(book.tx(), site, "/product", self.product).await?;
        if let Some(order) = self.order {
            setup::named::<Order>(book.tx(), site, "/order", order).await?;
        } else if self.replace {
            return Err(Refusal::field(
                "/replace",
                "say which order gets others: what was sold over the counter has none",
            ));
        }
        let mut taken = Taken::new(self.bags);
        self.take(book, &mut taken).await?;
        if self.bags == 0 || taken.left > 0 {
            return Err(Refusal::field(
                "/bags",
                format!(
                    "{} such bags are with the customer by the book: say how many came back, at least 1",
                    self.bags - taken.left
                ),
            ));
        }
        let mut facts = json!({ "returned": taken.back });
        if let Some(order) = self.order {
            facts["order"] = json!(order);
        }
        taken.rows.extend(self.lacks_again());
        let draft = Draft {
            id: id.into(),
            kind: Kind::TakeBack,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts,
            movements: taken.movements,
            weighings: Vec::new(),
        };
        Ok(Posted::from(&bags::post(book, draft, &taken.rows).await?))
    }
}

/// What has been found of the bags that came back.
struct Taken {
    /// Bags that are still to be found.
    left: u32,
    back: Vec<CameBack>,
    rows: Vec<BagsRow>,
    movements: Vec<Movement>,
    away: Away,
}

impl Taken {
    fn new(bags: u32) -> Self {
        Self {
            left: bags,
            back: Vec::new(),
            rows: Vec::new(),
            movements: Vec::new(),
            away: Away::default(),
        }
    }
}

/// So many sales over the counter are read at once: bags that come back were mostly sold lately.
const SALES: i64 = 32;

impl TakeBack {
    /// Finds what went to the customer and has not come back, the last shipped first, until there are enough bags.
    async fn take(&self, book: &mut Book, taken: &mut Taken) -> Outcome<()> {
        let site = book.site();
        if let Some(order) = self.order {
            let shipped = book.tx().bags_shipped(site, order, self.product).await?;
            return self.take_of(book, shipped, taken).await;
        }
        let mut before = i64::MAX;
        while taken.left > 0 {
            let tx = book.tx();
            let sold = tx.bags_sold(site, self.product, before, SALES).await?;
            let Some(last) = sold.last() else { break };
            before = last.position;
            self.take_of(book, sold, taken).await?;
        }
        Ok(())
    }

    async fn take_of(
        &self,
        book: &mut Book,
        shipped: Vec<BagsShipped>,
        taken: &mut Taken,
    ) -> Outcome<()> {
        for BagsShipped { shipment, row, .. } in shipped {
            if taken.left == 0 {
                break;
            }
            let Some(packing) = row.packing.filter(|_| row.grind == self.grind) else {
                continue;
            };
            let mut gone = Gone::with(book, shipment, row).await?;
            gone.come_back(book).await?;
            gone.put_right(book).await?;
            let bags = taken.left.min(gone.row.bags);
            if bags == 0 {
                continue;
            }
            taken.left -= bags;
            let to = match self.to {
                BackTo::Shelf => Place::Packed(packing),
                BackTo::Waste => Place::Waste,
            };
            let movements = taken.away.give(book, &gone, bags, to).await?;
            taken.movements.extend(movements);
            taken.back.push(CameBack {
                shipment,
                packing,
                bags,
            });
            taken
                .rows
                .extend((self.to == BackTo::Shelf).then_some(BagsRow {
                    order: None,
                    bags,
                    ..gone.row
                }));
        }
        Ok(())
    }

    /// The line of bags that the order gets others for: of no packing, since none stands for it.
    fn lacks_again(&self) -> Option<BagsRow> {
        let order = self.order.filter(|_| self.replace)?;
        Some(BagsRow {
            order: Some(order),
            product: self.product,
            bags: self.bags,
            grind: self.grind.clone(),
            packing: None,
        })
    }
}

impl Gone {
    /// The bags of a line of a shipment, with the coffee that they took out of their packing.
    async fn with(book: &mut Book, shipment: PostingId, row: BagsRow) -> Outcome<Self> {
        let site = book.site();
        let mut coffee = BTreeMap::new();
        if let Some(posting) = find_posting(book.tx(), site, shipment).await? {
            // Bags of one packing may stand in several lines: each has its part.
            let lines: Vec<BagsRow> =
                serde_json::from_value(posting.facts["bags"].clone()).map_err(damaged)?;
            let of_packing = lines.iter().filter(|line| line.packing == row.packing);
            let all = of_packing.map(|line| line.bags).sum();
            let from = row.packing.map(Place::Packed);
            for movement in posting.movements.iter().filter(|m| Some(m.from) == from) {
                let mass = part(Mass::from_mg(movement.mass_mg)?, row.bags, all);
                coffee.insert(movement.lot, mass);
            }
        }
        Ok(Self {
            shipment,
            row,
            coffee,
        })
    }

    /// Takes off what came back already.
    async fn come_back(&mut self, book: &mut Book) -> Outcome<()> {
        let site = book.site();
        let back = returned(book.tx(), site, self.shipment).await?;
        // One packing goes with one shipment in one line for each order, so what came back of it for the order is this line's.
        for back in back
            .iter()
            .filter(|back| back.order == self.row.order && Some(back.packing) == self.row.packing)
        {
            let bags = back.bags.min(self.row.bags);
            for mass in self.coffee.values_mut() {
                *mass = mass.minus(part(*mass, bags, self.row.bags))?;
            }
            self.row.bags -= bags;
        }
        Ok(())
    }

    /// Puts the coffee under the lots that the packing's batches are known to be of now, where one was put right since.
    async fn put_right(&mut self, book: &mut Book) -> Outcome<()> {
        let site = book.site();
        let packing = match self.row.packing {
            Some(packing) => Filled::read(book.tx(), site, packing).await?,
            None => None,
        };
        let Some(packing) = packing else {
            return Ok(());
        };
        let (mut now, mut changed) = (BTreeMap::<LotId, Mass>::new(), false);
        for drawn in packing.drawn {
            let row = book.tx().batch(site, drawn.batch).await?;
            let lot = row.map_or(drawn.lot, |row| row.lot);
            changed |= lot != drawn.lot;
            let of = now.entry(lot).or_default();
            *of = of.plus(drawn.mass)?;
        }
        if changed {
            let whole = Mass::sum(self.coffee.values().copied())?;
            let weights: Vec<Mass> = now.values().copied().collect();
            self.coffee = now.into_keys().zip(whole.split(&weights)).collect();
        }
        Ok(())
    }

    /// What so many of the bags hold.
    fn part(&self, bags: u32) -> impl Iterator<Item = (LotId, Mass)> {
        let held = self.coffee.iter();
        held.map(move |(lot, mass)| (*lot, part(*mass, bags, self.row.bags)))
    }
}

/// What of each shipment is still with the customer, as far as it has been asked for.
#[derive(Default)]
struct Away(BTreeMap<PostingId, BTreeMap<LotId, Mass>>);

impl Away {
    /// The movements by which so many bags come back: of the lots that are in them, and where the book has less of one with the customer, of
    /// the others there, so that what came back is booked whichever lot was put right.
    async fn give(
        &mut self,
        book: &mut Book,
        gone: &Gone,
        bags: u32,
        to: Place,
    ) -> Outcome<Vec<Movement>> {
        let from = Place::Shipped(gone.shipment);
        let there = match self.0.entry(gone.shipment) {
            Entry::Occupied(there) => there.into_mut(),
            Entry::Vacant(unread) => {
                let site = book.site();
                let standing = book.tx().standing_at(site, from).await?;
                unread.insert(standing.into_iter().map(|of| (of.lot, of.mass)).collect())
            }
        };
        let (mut back, mut rest) = (BTreeMap::<LotId, Mass>::new(), Mass::ZERO);
        for (lot, mass) in gone.part(bags) {
            let taken = take(there, lot, mass)?;
            rest = rest.plus(mass.minus(taken)?)?;
            back.insert(lot, taken);
        }
        for lot in there.keys().copied().collect::<Vec<_>>() {
            let taken = take(there, lot, rest)?;
            rest = rest.minus(taken)?;
            let of = back.entry(lot).or_default();
            *of = of.plus(taken)?;
        }
        let back = back.into_iter().filter(|(_, mass)| mass.is_positive());
        let movement = |(lot, mass): (LotId, Mass)| Movement {
            lot,
            from,
            to,
            mass_mg: mass.mg(),
        };
        Ok(back.map(movement).collect())
    }
}

/// Takes at most so much of a lot; answers how much.
fn take(there: &mut BTreeMap<LotId, Mass>, lot: LotId, mass: Mass) -> Outcome<Mass> {
    let Some(left) = there.get_mut(&lot) else {
        return Ok(Mass::ZERO);
    };
    let taken = mass.min(*left).max(Mass::ZERO);
    *left = left.minus(taken)?;
    Ok(taken)
}

#[async_trait]
impl Command for BagWaste {
    const NAME: &'static str = "bag-wastes";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let reason = self
            .common()
            .why()
            .ok_or_else(|| Refusal::field("/reason", "say why, in a few words"))?;
        let site = book.site();
        // What stands for nobody goes first.
        let mut standing = bags::standing(book.tx(), site).await?;
        standing.retain(|of| of.packing == self.packing);
        if standing.is_empty() {
            return Err(Refusal::field(
                "/packing",
                "no bags of such a packing stand in the house",
            ));
        }
        standing.sort_by_key(|of| of.order.is_some());
        let leaving = bags::first(standing, self.bags);
        let there: u32 = leaving.iter().map(|leaving| leaving.bags).sum();
        if self.bags == 0 || there < self.bags {
            return Err(Refusal::field(
                "/bags",
                format!("{there} bags of this packing stand in the house: give 1 to so many"),
            ));
        }
        let rows: Vec<BagsRow> = leaving.iter().map(Leaving::row).collect();
        let draft = Draft {
            id: id.into(),
            kind: Kind::Waste,
            happened_at: self.happened_at,
            reason: Some(reason),
            card: None,
            reverses: None,
            facts: Value::Null,
            movements: bags::movements(book, &leaving, Place::Waste).await?,
            weighings: Vec::new(),
        };
        Ok(Posted::from(&bags::post(book, draft, &rows).await?))
    }
}
