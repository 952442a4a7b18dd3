//! What a dispatch costs and leaves: as its list and the lots in store say before it leaves, and as the batches in its bags say afterwards.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;

use super::amount::Amount;
use super::margin::{SetMargin, Sums};
use super::{Costs, ProductMargin};
use crate::app::App;
use crate::book::damaged;
use crate::day::Day;
use crate::demand::{self, BackTo, Filled, Parcel, Progress, Returned, Roll, frozen, product_of};
use crate::floor::batch::Batch;
use crate::ids::{BatchId, DispatchId, PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Dispatch, Kept, Order, Record, Subscription, TariffKind};
use crate::store::{BagsRow, BagsShipped, Read, StoreError};

/// Bills that are dated so many days after a dispatch still count: they are for the same green.
const LATER: i64 = 3_650;

/// Parcels of one number of bags.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SetOf {
    /// How many bags are in each.
    pub bags: u32,
    /// How many parcels there are.
    pub parcels: u32,
    /// What all of them cost and leave.
    pub margin: SetMargin,
}

/// What bags that have left cost, minor units, by the batches that are in them.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ShippedMargin {
    /// Bags that have left.
    pub bags: u32,
    /// Bags of the list.
    pub of_bags: u32,
    /// Bags that have left and came back.
    pub came_back: u32,
    /// Those of them that went to the shelf: their coffee and their bag cost the dispatch nothing.
    pub to_shelf: u32,
    /// What the green of their batches cost, by all bills that have come.
    pub green_minor: Option<i64>,
    /// What roasting them cost.
    pub roasting_minor: Option<i64>,
    /// What the empty bags cost.
    pub packaging_minor: Option<i64>,
    /// What sending costs; null until all have left.
    pub postage_minor: Option<i64>,
    /// What is paid; null until all have left.
    pub paid_minor: Option<i64>,
    /// What is reckoned as paid back: the part of what is paid, by number of bags, for those that came back and were not sent again.
    pub paid_back_minor: Option<i64>,
    /// Paid, less what is paid back and all that it costs.
    pub margin_minor: Option<i64>,
    /// What is not known, in words.
    pub missing: Vec<String>,
}

/// What a dispatch costs and leaves.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct DispatchMargin {
    /// The dispatch.
    pub dispatch: DispatchId,
    /// When it leaves: the day whose prices hold.
    pub ship_day: Day,
    /// The currency of all amounts (ISO 4217).
    pub currency: String,
    /// Parcels by number of bags, reckoned with the lots in store.
    pub sets: Vec<SetOf>,
    /// All parcels together, reckoned so.
    pub total: SetOf,
    /// The products in it, those that go out at a loss first.
    pub products: Vec<ProductMargin>,
    /// What has left, by what is in it; null before anything has.
    pub shipped: Option<ShippedMargin>,
}

/// What a dispatch costs and leaves.
///
/// # Errors
/// [`crate::refusal::Refusal::NotFound`] if there is none of this id.
pub async fn dispatch_margin(
    app: &App,
    tx: &mut dyn Read,
    id: DispatchId,
) -> Outcome<DispatchMargin> {
    let site = app.site;
    let dispatch = setup::need::<Dispatch>(tx, site, id).await?.fields;
    let subscription = setup::need::<Subscription>(tx, site, dispatch.subscription).await?;
    let (day, until) = (dispatch.ship_day, dispatch.ship_day.plus(LATER));
    let costs = Costs::with_bills(app, tx, day, until).await?;
    let roll = Roll::read(app, tx).await?;
    let list = match frozen(tx, site, id).await? {
        Some((list, _)) => list,
        None => roll.list(&dispatch, None),
    };
    let reckoning = Reckoning {
        costs: &costs,
        roll: &roll,
        subscription: &subscription.fields,
    };
    let (sets, total) = reckoning.sets(&list.parcels);
    let left = Left::read(tx, app, id, dispatch.ship_day).await?;
    let shipped = left.margin(tx, &costs, &total).await?;
    Ok(DispatchMargin {
        dispatch: id,
        ship_day: dispatch.ship_day,
        products: reckoning.products(&list.parcels),
        sets,
        total,
        shipped,
        currency: costs.currency,
    })
}

/// What a list is reckoned with.
struct Reckoning<'a> {
    costs: &'a Costs,
    roll: &'a Roll,
    subscription: &'a Subscription,
}

impl Reckoning<'_> {
    /// The products of a parcel with their bags.
    fn bags(&self, parcel: &Parcel) -> Vec<(Option<ProductId>, u32)> {
        let of = |line: &setup::ParcelLine| {
            let parts = self.roll.blends.parts(line.coffee);
            let sold = self.costs.products.iter().map(|(id, of)| (*id, of));
            let product = product_of(sold, self.subscription, &parts, line.style);
            (product, line.bags)
        };
        parcel.lines.iter().map(of).collect()
    }

    fn parcel(&self, parcel: &Parcel) -> (u32, Sums) {
        let bags = self.bags(parcel);
        let count = bags.iter().map(|(_, bags)| bags).sum();
        let mut sums = Sums {
            postage: self.costs.postage(count, Some(parcel.destination)),
            ..Sums::default()
        };
        for (product, bags) in bags {
            let fields = product.and_then(|id| self.costs.products.get(&id));
            let line = Sums {
                bags: fields.and_then(|fields| self.costs.bag_cost(fields)),
                postage: Some(Amount::default()),
                paid: product.and_then(|id| self.costs.price(id)),
            };
            sums = sums.plus(line.times(bags));
        }
        let paid = self.costs.set_price(count).or(sums.paid);
        (count, Sums { paid, ..sums })
    }

    /// Parcels by number of bags, and all together.
    fn sets(&self, parcels: &[Parcel]) -> (Vec<SetOf>, SetOf) {
        // Thousands of parcels are alike: each kind is reckoned once.
        let mut alike: HashMap<(&[setup::ParcelLine], _), (&Parcel, u32)> = HashMap::new();
        for parcel in parcels {
            let kind = (&*parcel.lines, parcel.destination);
            let (_, count) = alike.entry(kind).or_insert((parcel, 0));
            *count = count.saturating_add(parcel.parcels);
        }
        let mut sets: BTreeMap<u32, (u32, Sums)> = BTreeMap::new();
        for (parcel, count) in alike.into_values() {
            let (bags, sums) = self.parcel(parcel);
            let of = sets.entry(bags).or_default();
            *of = (of.0.saturating_add(count), of.1.plus(sums.times(count)));
        }
        let (mut bags, mut parcels, mut sums) = (0_u32, 0_u32, Sums::default());
        for (of, (count, all)) in &sets {
            bags = bags.saturating_add(of.saturating_mul(*count));
            parcels = parcels.saturating_add(*count);
            sums = sums.plus(*all);
        }
        let set = |(bags, (parcels, sums)): (u32, (u32, Sums))| SetOf {
            bags,
            parcels,
            margin: sums.margin(),
        };
        (
            sets.into_iter().map(set).collect(),
            set((bags, (parcels, sums))),
        )
    }

    /// The products of the parcels: those at a loss first.
    fn products(&self, parcels: &[Parcel]) -> Vec<ProductMargin> {
        let mut ids: Vec<ProductId> = parcels
            .iter()
            .flat_map(|parcel| self.bags(parcel))
            .filter_map(|(product, _)| product)
            .collect();
        ids.sort_unstable();
        ids.dedup();
        let margin = |id: ProductId| {
            let fields = self.costs.products.get(&id)?;
            Some(self.costs.margin_of(id, fields, self.costs.price(id)))
        };
        let mut products: Vec<ProductMargin> = ids.into_iter().filter_map(margin).collect();
        products
            .sort_by(|a, b| (!a.at_a_loss, &a.product.name).cmp(&(!b.at_a_loss, &b.product.name)));
        products
    }
}

/// Bags of a dispatch that have left.
struct Left {
    lines: Vec<LeftLine>,
    orders: Orders,
}

/// How far the orders of a dispatch have come, line by line.
#[derive(Default)]
struct Orders {
    /// Bags that have left, of those that a line asks for: what is over in one line makes up for none that another lacks.
    filled: u32,
    /// Bags that a line asks for and that have not left.
    lacking: u32,
}

impl Orders {
    async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        orders: &[Kept<Order>],
    ) -> Result<Self, StoreError> {
        let progress = Progress::of(tx, site, orders).await?;
        let mut of = Self::default();
        for line in orders.iter().flat_map(|order| progress.lines(order)) {
            of.filled += line.shipped_bags.min(line.bags);
            of.lacking += line.bags.saturating_sub(line.shipped_bags);
        }
        Ok(of)
    }

    /// Bags of a list that have not left.
    fn not_left(&self, of_list: u32) -> u32 {
        self.lacking.max(of_list.saturating_sub(self.filled))
    }
}

/// Bags of one packing that left with one shipment for an order, and how many of them came back.
struct LeftLine {
    row: BagsRow,
    came_back: u32,
    to_shelf: u32,
}

impl LeftLine {
    fn new(row: BagsRow, returned: &[Returned]) -> Self {
        let back = |to: Option<BackTo>| {
            let ours = returned.iter().filter(|back| {
                back.order == row.order
                    && Some(back.packing) == row.packing
                    && to.is_none_or(|to| to == back.to)
            });
            ours.map(|back| back.bags).sum::<u32>().min(row.bags)
        };
        let (came_back, to_shelf) = (back(None), back(Some(BackTo::Shelf)));
        Self {
            row,
            came_back,
            to_shelf,
        }
    }

    /// Bags whose cost the dispatch bears: all but those that stand on the shelf again, to be sold to somebody else.
    fn borne(&self) -> u32 {
        self.row.bags - self.to_shelf
    }
}

/// What the bags of one packing cost, as far as it is known.
#[derive(Clone, Copy)]
struct PackingCost {
    bags: u32,
    green: Option<Amount>,
    roasting: Option<Amount>,
}

impl Left {
    async fn read(
        tx: &mut dyn Read,
        app: &App,
        dispatch: DispatchId,
        ship_day: Day,
    ) -> Result<Self, StoreError> {
        let site = app.site;
        let mut orders: Vec<Kept<Order>> = Vec::new();
        for row in tx
            .records_of_days(site, Order::KIND, ship_day, ship_day)
            .await?
        {
            let fields: Order = serde_json::from_str(&row.body).map_err(damaged)?;
            orders.extend((fields.dispatch == Some(dispatch)).then_some(Kept {
                id: row.id,
                revision: row.revision,
                fields,
            }));
        }
        let mut shipped: Vec<BagsShipped> = Vec::new();
        for order in &orders {
            let mut products: Vec<ProductId> =
                order.fields.lines.iter().map(|line| line.product).collect();
            products.sort_unstable();
            products.dedup();
            for product in products {
                shipped.extend(tx.bags_shipped(site, order.id.into(), product).await?);
            }
        }
        let mut returned: BTreeMap<PostingId, Vec<Returned>> = BTreeMap::new();
        for BagsShipped { shipment, .. } in &shipped {
            if !returned.contains_key(shipment) {
                returned.insert(*shipment, demand::returned(tx, site, *shipment).await?);
            }
        }
        let line = |of: BagsShipped| LeftLine::new(of.row, &returned[&of.shipment]);
        Ok(Self {
            lines: shipped.into_iter().map(line).collect(),
            orders: Orders::read(tx, site, &orders).await?,
        })
    }

    /// What they cost; none before any have left.
    async fn margin(
        &self,
        tx: &mut dyn Read,
        costs: &Costs,
        list: &SetOf,
    ) -> Result<Option<ShippedMargin>, StoreError> {
        if self.lines.is_empty() {
            return Ok(None);
        }
        let mut missing = Vec::new();
        let cost = self.cost(tx, costs, &mut missing).await?;
        let sum = |of: fn(&LeftLine) -> u32| self.lines.iter().map(of).sum::<u32>();
        let bags = sum(|line| line.row.bags);
        let (came_back, to_shelf) = (sum(|line| line.came_back), sum(|line| line.to_shelf));
        let left = self.orders.not_left(list.bags);
        let all = left == 0;
        if !all {
            let have = if left == 1 { "bag has" } else { "bags have" };
            missing.push(format!("{left} {have} not left yet"));
        }
        missing.sort();
        missing.dedup();
        let minor = |amount: Option<Amount>| amount.map(Amount::rounded);
        let (postage_minor, paid_minor) = (
            list.margin.postage_minor.filter(|_| all),
            list.margin.paid_minor.filter(|_| all),
        );
        // Who gets a bag in place of one that came back pays for it.
        let unpaid = list.bags.saturating_sub(bags - came_back);
        let paid_back_minor = paid_minor.map(|paid| part_of(paid, unpaid, list.bags));
        let whole = minor(cost.all()).zip(postage_minor).zip(paid_minor);
        let whole = whole.zip(paid_back_minor);
        Ok(Some(ShippedMargin {
            bags,
            of_bags: list.bags,
            came_back,
            to_shelf,
            green_minor: minor(cost.green),
            roasting_minor: minor(cost.roasting),
            packaging_minor: minor(cost.packaging),
            margin_minor: whole.map(|(((cost, postage), paid), back)| paid - back - postage - cost),
            paid_back_minor,
            postage_minor,
            paid_minor,
            missing,
        }))
    }

    async fn cost(
        &self,
        tx: &mut dyn Read,
        costs: &Costs,
        missing: &mut Vec<String>,
    ) -> Result<BagsCost, StoreError> {
        let mut filled: BTreeMap<PostingId, PackingCost> = BTreeMap::new();
        let mut sum = BagsCost::nothing();
        for line in self.lines.iter().filter(|line| line.borne() > 0) {
            let (row, bags) = (&line.row, line.borne());
            let empty = costs.packaging(row.product);
            if empty.is_none() {
                missing.push("what the packaging of a bag costs".to_owned());
            }
            let packaging = empty.map(|bag| bag.times(i64::from(bags)));
            let Some(packing) = row.packing else { continue };
            let of = if let Some(of) = filled.get(&packing) {
                *of
            } else {
                let of = PackingCost::read(tx, costs, packing, missing).await?;
                filled.insert(packing, of);
                of
            };
            sum = sum.plus(BagsCost {
                green: of.green.map(|all| of.share(all, bags)),
                roasting: of.roasting.map(|all| of.share(all, bags)),
                packaging,
            });
        }
        Ok(sum)
    }
}

/// A number of bags as a weight to share by.
fn number(bags: u32) -> Mass {
    Mass::from_mg(i64::from(bags)).unwrap_or_default()
}

/// The part of an amount of minor units for so many of all bags.
fn part_of(minor: i64, bags: u32, all: u32) -> i64 {
    Amount::minor(minor)
        .part(number(bags), number(all))
        .rounded()
}

/// What bags cost, each part where it is known.
#[derive(Clone, Copy)]
struct BagsCost {
    green: Option<Amount>,
    roasting: Option<Amount>,
    packaging: Option<Amount>,
}

/// The sum of what is known; none where one of both is not.
fn both(a: Option<Amount>, b: Option<Amount>) -> Option<Amount> {
    a.zip(b).map(|(a, b)| a.plus(b))
}

impl BagsCost {
    fn nothing() -> Self {
        let nothing = Some(Amount::default());
        Self {
            green: nothing,
            roasting: nothing,
            packaging: nothing,
        }
    }

    fn plus(self, other: Self) -> Self {
        Self {
            green: both(self.green, other.green),
            roasting: both(self.roasting, other.roasting),
            packaging: both(self.packaging, other.packaging),
        }
    }

    fn all(self) -> Option<Amount> {
        both(both(self.green, self.roasting), self.packaging)
    }
}

impl PackingCost {
    /// The part of so many of its bags.
    fn share(&self, all: Amount, bags: u32) -> Amount {
        all.part(number(bags), number(self.bags))
    }

    async fn read(
        tx: &mut dyn Read,
        costs: &Costs,
        packing: PostingId,
        missing: &mut Vec<String>,
    ) -> Result<Self, StoreError> {
        let filled = Filled::read(tx, costs.site, packing).await?;
        let filled = filled.ok_or_else(|| StoreError::Damaged(format!("no packing: {packing}")))?;
        let mut cost = Self {
            bags: filled.bags(),
            green: Some(Amount::default()),
            roasting: Some(Amount::default()),
        };
        for drawn in &filled.drawn {
            let of = (drawn.batch, drawn.mass);
            let (green, roasting) = batch_cost(tx, costs, of, missing).await?;
            cost.green = both(cost.green, green);
            cost.roasting = both(cost.roasting, roasting);
        }
        Ok(cost)
    }
}

/// What roasted coffee of a batch cost: its part of the green that went in, at the lot's cost, and of the roaster's minutes.
async fn batch_cost(
    tx: &mut dyn Read,
    costs: &Costs,
    (id, mass): (BatchId, Mass),
    missing: &mut Vec<String>,
) -> Result<(Option<Amount>, Option<Amount>), StoreError> {
    let Some(row) = tx.batch(costs.site, id).await? else {
        return Ok((None, None));
    };
    let batch = Batch::of_row(&row)?;
    let roasted = batch.roasted().unwrap_or_default();
    let green = costs.landed.of(row.lot, batch.charged());
    if green.is_none() {
        let lot = costs.lots.iter().find(|lot| lot.id == row.lot);
        let name = lot.map_or("a lot", |lot| lot.fields.name.as_str());
        missing.push(format!("what lot {name} cost"));
    }
    let roaster = costs.roasters.iter().find(|(id, _)| id.0 == row.roaster);
    let minute = costs.tariff(TariffKind::RoasterMinute, |tariff| {
        tariff
            .roaster
            .is_some_and(|roaster| roaster.0 == row.roaster)
    });
    if minute.is_none() {
        let name = roaster.map_or("the roaster", |(_, roaster)| roaster.name.as_str());
        missing.push(format!("what a minute of {name} costs"));
    }
    let minutes = roaster.map_or(0, |(_, roaster)| i64::from(roaster.cycle_min));
    let part = |all: Amount| all.part(mass, roasted);
    Ok((
        green.map(part),
        minute.map(|minute| part(minute.times(minutes))),
    ))
}
