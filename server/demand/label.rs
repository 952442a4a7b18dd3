//! What the label of a bag says, and the list by which a ship day is packed.

use std::collections::HashMap;

use serde::Serialize;
use uuid::Uuid;

use super::allot::{OnShelf, on_shelf};
use super::allotted::{AllotmentView, allotted};
use super::bags;
use super::filled::{Drawn, Filled};
use super::prepack::BagCheck;
use super::{LineView, Progress, Window, window};
use crate::book::damaged;
use crate::day::{Day, Instant, TimeOfDay};
use crate::floor::view::Named;
use crate::ids::{BatchId, OrderId, PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Claim, Coffee, Kept, Lot, Order, Product, Record, ShipDay, Style};
use crate::store::{BagsStanding, Read};
use crate::text::Name;

/// Digits of codes on labels: base 32 without letters that look like digits (Crockford).
const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Digits of a code.
const CODE: usize = 8;

/// The code on the label of a packing: the last 40 bits of its id, which are random, as `7K3M-Q2XD`.
#[must_use]
pub fn label_code(packing: PostingId) -> String {
    let bits = packing.0.as_u128();
    let digit = |n: usize| {
        let five = (bits >> (5 * n)) & 31;
        char::from(DIGITS[usize::try_from(five).unwrap_or(0)])
    };
    let digits: Vec<char> = (0..CODE).rev().map(digit).collect();
    let (front, back) = digits.split_at(CODE / 2);
    format!("{}-{}", String::from_iter(front), String::from_iter(back))
}

/// The same code, however a person types it: without the hyphen, in small letters, with O for 0 or I and L for 1.
fn same_code(typed: &str) -> String {
    let digits: Vec<char> = typed
        .chars()
        .filter(char::is_ascii_alphanumeric)
        .map(|c| match c.to_ascii_uppercase() {
            'O' => '0',
            'I' | 'L' => '1',
            c => c,
        })
        .collect();
    let (front, back) = digits.split_at(digits.len().min(CODE / 2));
    format!("{}-{}", String::from_iter(front), String::from_iter(back))
}

/// What a packing holds of one batch.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BagPart {
    /// The batch.
    pub batch: BatchId,
    /// Its lot.
    pub lot: Named,
    /// Its coffee.
    pub coffee: Named,
    /// Its size grade.
    pub grade: Name,
    /// Its style.
    pub style: Name,
    /// When it was roasted.
    pub roasted_on: Day,
    /// How much of it is in all bags together.
    pub mass_g: Mass,
}

/// For whom bags are.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BagsFor {
    /// The order.
    pub order: OrderId,
    /// Its number.
    pub number: Name,
    /// Who wants it.
    pub customer: Name,
}

/// Bags of a packing that stand in the house for somebody.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BagsStand {
    /// For whom; null for the shelf.
    pub r#for: Option<BagsFor>,
    /// How many.
    pub bags: u32,
}

/// A packing as it is answered: what stands on its label.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PackingView {
    /// The posting.
    pub id: PostingId,
    /// The code on the label.
    pub code: String,
    /// The day it was packed.
    pub day: Day,
    /// When it was packed.
    pub packed_at: Instant,
    /// The product.
    pub product: Named,
    /// The label weight.
    pub bag_g: Mass,
    /// How many bags were filled.
    pub bags: u32,
    /// How the coffee is ground; null for whole beans.
    pub grind: Option<Name>,
    /// For whom they were filled; null for the shelf.
    pub r#for: Option<BagsFor>,
    /// The first day on which coffee in it was roasted, which is the date on the label.
    pub roasted_on: Option<Day>,
    /// What is in it, batch by batch.
    pub parts: Vec<BagPart>,
    /// What all its coffee may be sold as, as of the day it was packed.
    pub claims: Vec<Claim>,
    /// The bags that were weighed, against their label.
    pub check: Option<BagCheck>,
    /// How many of its bags stand in the house.
    pub standing_bags: u32,
    /// For whom these stand now: bags on the shelf may have become an order's.
    pub stand: Vec<BagsStand>,
    /// Whether it was undone.
    pub undone: bool,
}

/// One packing.
///
/// # Errors
/// [`Refusal::NotFound`] if there is none.
pub async fn packing(tx: &mut dyn Read, site: SiteId, id: PostingId) -> Outcome<PackingView> {
    let standing = bags::standing(tx, site).await?;
    view(tx, site, id, &standing).await
}

/// The packing whose label shows a code, the last where several do.
///
/// # Errors
/// [`Refusal::NotFound`] if there is none.
pub async fn packing_of_code(tx: &mut dyn Read, site: SiteId, code: &str) -> Outcome<PackingView> {
    let wanted = same_code(code);
    let all = tx.packings(site).await?;
    let found = all.into_iter().find(|id| label_code(*id) == wanted);
    let found = found.ok_or(Refusal::NotFound("packing", Uuid::nil()))?;
    packing(tx, site, found).await
}

/// The last packings, and all whose bags stand in the house, the last first.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn packings(tx: &mut dyn Read, site: SiteId, last: usize) -> Outcome<Vec<PackingView>> {
    let standing = bags::standing(tx, site).await?;
    let all = tx.packings(site).await?;
    let wanted = all
        .into_iter()
        .enumerate()
        .filter(|(n, id)| *n < last || standing.iter().any(|standing| standing.packing == *id));
    let wanted: Vec<PostingId> = wanted.map(|(_, id)| id).collect();
    let mut views = Vec::with_capacity(wanted.len());
    for id in wanted {
        views.push(view(tx, site, id, &standing).await?);
    }
    Ok(views)
}

async fn view(
    tx: &mut dyn Read,
    site: SiteId,
    id: PostingId,
    standing: &[BagsStanding],
) -> Outcome<PackingView> {
    let missing = || Refusal::NotFound("packing", id.0);
    let filled = Filled::read(tx, site, id).await?.ok_or_else(missing)?;
    let row = filled.lines.first().ok_or_else(missing)?;
    let product = setup::need::<Product>(tx, site, row.product).await?;
    let (parts, lots) = parts(tx, site, &filled.drawn).await?;
    let posting = &filled.posting;
    let r#for = bags_for(tx, site, row.order).await?;
    let mut stand = Vec::new();
    for of in standing.iter().filter(|standing| standing.packing == id) {
        stand.push(BagsStand {
            r#for: bags_for(tx, site, of.order).await?,
            bags: of.bags,
        });
    }
    Ok(PackingView {
        id,
        code: label_code(id),
        day: posting.day,
        packed_at: Instant::from_ms(posting.happened_at),
        product: Named {
            id: product.id,
            name: product.fields.name,
        },
        bag_g: product.fields.bag_g,
        bags: row.bags,
        grind: row.grind.clone(),
        r#for,
        roasted_on: parts.iter().map(|part| part.roasted_on).min(),
        claims: common_claims(&lots, posting.day),
        parts,
        check: serde_json::from_value(posting.facts["check"].clone()).ok(),
        standing_bags: stand.iter().map(|of| of.bags).sum(),
        stand,
        undone: tx.reversal_of(id).await?.is_some(),
    })
}

async fn bags_for(
    tx: &mut dyn Read,
    site: SiteId,
    order: Option<OrderId>,
) -> Outcome<Option<BagsFor>> {
    let Some(id) = order else {
        return Ok(None);
    };
    let order = setup::need::<Order>(tx, site, id).await?.fields;
    Ok(Some(BagsFor {
        order: id,
        number: order.number,
        customer: order.customer,
    }))
}

/// What was drawn of each batch, and the lots of it.
async fn parts(
    tx: &mut dyn Read,
    site: SiteId,
    drawn: &[Drawn],
) -> Outcome<(Vec<BagPart>, Vec<Lot>)> {
    let (mut parts, mut lots) = (Vec::new(), Vec::new());
    for &Drawn { batch, mass, .. } in drawn {
        let row = tx.batch(site, batch).await?;
        let row = row.ok_or(Refusal::NotFound("batch", batch.0))?;
        // As it is known now: a batch whose lot was put right has another than the packing said.
        let lot = setup::need::<Lot>(tx, site, row.lot).await?.fields;
        let coffee = setup::need::<Coffee>(tx, site, lot.coffee).await?;
        parts.push(BagPart {
            batch,
            lot: Named {
                id: row.lot.0,
                name: lot.name.clone(),
            },
            coffee: Named {
                id: coffee.id,
                name: coffee.fields.name,
            },
            grade: lot.grade.clone(),
            style: setup::need::<Style>(tx, site, row.style).await?.fields.name,
            roasted_on: row.day,
            mass_g: mass,
        });
        lots.push(lot);
    }
    Ok((parts, lots))
}

/// Claims that every one of the lots may be sold under on a day, with the first lot's certificate.
fn common_claims(lots: &[Lot], day: Day) -> Vec<Claim> {
    let holds = |lot: &Lot, claim: &Claim| {
        lot.claims
            .iter()
            .any(|other| other.claim == claim.claim && other.valid_to >= day)
    };
    let Some(first) = lots.first() else {
        return Vec::new();
    };
    let mut claims: Vec<Claim> = first.claims.clone();
    claims.retain(|claim| lots.iter().all(|lot| holds(lot, claim)));
    claims.dedup_by(|a, b| a.claim == b.claim);
    claims
}

/// A line of an order as the packing bench has it.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PackLine {
    /// The line with what is packed and shipped of it.
    #[serde(flatten)]
    pub line: LineView,
    /// The product's name.
    pub product_name: Name,
    /// The first roasting day that will do; null where the ship day is not set up.
    pub roast_from: Option<Day>,
    /// The last roasting day that will do.
    pub roast_to: Option<Day>,
    /// Codes on the labels of its bags that stand packed.
    pub codes: Vec<String>,
    /// Bags on the shelf that would do for it: roasted in time, not on hold, and sold as it is.
    pub shelf_bags: u32,
}

/// An order as the packing bench has it.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PackOrder {
    /// The order.
    pub id: OrderId,
    /// Its number.
    pub number: Name,
    /// Who wants it.
    pub customer: Name,
    /// Days on the way.
    pub transit_days: u16,
    /// Its lines.
    pub lines: Vec<PackLine>,
    /// A remark.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub note: Option<crate::text::Note>,
}

/// All that is to be packed for a ship day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PackingList {
    /// The ship day.
    pub ship_day: Day,
    /// The day by whose end everything is packed.
    pub packing_day: Option<Day>,
    /// When the carrier comes.
    pub carrier_at: Option<TimeOfDay>,
    /// Orders that are not called off, by number.
    pub orders: Vec<PackOrder>,
    /// What was taken from the shelf for orders of the day, the first taken first; also for those that were called off since.
    pub allotments: Vec<AllotmentView>,
}

/// The first ship day from a day on that is not called off; that day itself where none is set up.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn next_ship_day(tx: &mut dyn Read, site: SiteId, from: Day) -> Outcome<Day> {
    let days = setup::all::<ShipDay>(tx, site).await?;
    let open = days.into_iter().filter(|day| !day.fields.retired);
    let next = open.map(|day| day.fields.day).filter(|day| *day >= from);
    Ok(next.min().unwrap_or(from))
}

/// The packing list of a ship day.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn packing_list(tx: &mut dyn Read, site: SiteId, day: Day) -> Outcome<PackingList> {
    let ship = tx
        .record_labelled(site, ShipDay::KIND, &day.to_string())
        .await?;
    let ship: Option<ShipDay> = ship
        .map(|row| serde_json::from_str(&row.body))
        .transpose()
        .map_err(damaged)?;
    let mut orders: Vec<Kept<Order>> = Vec::new();
    for row in tx.records_of_days(site, Order::KIND, day, day).await? {
        orders.push(Kept {
            id: row.id,
            revision: row.revision,
            fields: serde_json::from_str(&row.body).map_err(damaged)?,
        });
    }
    let standing = bags::standing(tx, site).await?;
    let allotments = allotted(tx, site, &orders, &standing).await?;
    orders.retain(|order| !order.fields.cancelled);
    orders.sort_by(|a, b| a.fields.number.cmp(&b.fields.number));
    let bench = Bench {
        shelf: on_shelf(tx, site, &standing).await?,
        standing,
        progress: Progress::of(tx, site, &orders).await?,
        products: by_id(setup::all::<Product>(tx, site).await?),
        styles: by_id(setup::all::<Style>(tx, site).await?),
        ship,
    };
    Ok(PackingList {
        ship_day: day,
        packing_day: bench.ship.as_ref().map(|ship| ship.packing_day),
        carrier_at: bench.ship.as_ref().map(|ship| ship.carrier_at),
        orders: orders.into_iter().map(|order| bench.order(order)).collect(),
        allotments,
    })
}

fn by_id<R>(kept: Vec<Kept<R>>) -> HashMap<Uuid, R> {
    kept.into_iter()
        .map(|kept| (kept.id, kept.fields))
        .collect()
}

/// What the packing bench knows.
struct Bench {
    progress: Progress,
    products: HashMap<Uuid, Product>,
    styles: HashMap<Uuid, Style>,
    standing: Vec<BagsStanding>,
    shelf: Vec<OnShelf>,
    ship: Option<ShipDay>,
}

impl Bench {
    fn order(&self, order: Kept<Order>) -> PackOrder {
        let lines = self.progress.lines(&order);
        let lines = lines
            .into_iter()
            .filter_map(|line| self.line(&order, line))
            .collect();
        PackOrder {
            id: order.id.into(),
            number: order.fields.number,
            customer: order.fields.customer,
            transit_days: order.fields.transit_days,
            lines,
            note: order.fields.note,
        }
    }

    fn line(&self, order: &Kept<Order>, line: LineView) -> Option<PackLine> {
        let product = self.products.get(&line.product.0)?;
        let window = self.window(product, order.fields.transit_days);
        let codes = self.codes(order.id.into(), line.product, line.grind.as_ref());
        Some(PackLine {
            product_name: product.name.clone(),
            roast_from: window.map(|window| window.from),
            roast_to: window.map(|window| window.to),
            codes,
            shelf_bags: self.shelf_bags(&line, window),
            line,
        })
    }

    fn window(&self, product: &Product, transit_days: u16) -> Option<Window> {
        let style = self.styles.get(&product.style.0)?;
        Some(window(self.ship.as_ref()?, transit_days, style))
    }

    fn shelf_bags(&self, line: &LineView, window: Option<Window>) -> u32 {
        let fit = self
            .shelf
            .iter()
            .filter(|bags| bags.are(line.product, line.grind.as_ref()) && bags.lie_in(window));
        fit.map(|bags| bags.of.bags).sum()
    }

    fn codes(&self, order: OrderId, product: ProductId, grind: Option<&Name>) -> Vec<String> {
        let ours = self.standing.iter().filter(|of| {
            of.order == Some(order) && of.product == product && of.grind.as_ref() == grind
        });
        ours.map(|of| label_code(of.packing)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_read_however_it_is_typed() {
        let id = PostingId(Uuid::from_u128(0x0123_4567_89ab_7def_8123_45ff_ffff_ffff));
        assert_eq!(label_code(id), "ZZZZ-ZZZZ");
        let id = PostingId(Uuid::from_u128(0x8000_0000_0000_7000_8000_0000_0000_0020));
        assert_eq!(label_code(id), "0000-0010");
        for typed in ["00000010", "oooo-oolo", " 0000-0010", "0000 0oi0"] {
            assert_eq!(same_code(typed), "0000-0010", "{typed}");
        }
        assert_eq!(same_code(""), "-");
    }

    #[test]
    fn a_claim_is_on_the_label_when_every_lot_bears_it() {
        let lot = |claims: &[(&str, &str)]| -> Lot {
            let claims: Vec<_> = claims
                .iter()
                .map(|(claim, to)| serde_json::json!({"claim": claim, "certificate": "C-1", "valid_to": to}))
                .collect();
            serde_json::from_value(serde_json::json!({
                "name": "A", "delivery": Uuid::max(), "coffee": Uuid::max(), "grade": "AA", "storeroom": Uuid::max(), "expected_g": 1,
                "packing": {"kind": "jute", "sacks": 0, "sack_g": 0, "loose_g": 0}, "moisture": [], "claims": claims, "use_rank": 1,
            }))
            .unwrap()
        };
        let day = "2026-12-01".parse().unwrap();
        let names = |lots: &[Lot]| -> Vec<String> {
            let claims = common_claims(lots, day).into_iter();
            claims.map(|claim| claim.claim.to_string()).collect()
        };
        let both = lot(&[("organic", "2027-01-01"), ("fair", "2027-01-01")]);
        assert_eq!(names(std::slice::from_ref(&both)), ["organic", "fair"]);
        assert_eq!(
            names(&[both.clone(), lot(&[("organic", "2026-12-01")])]),
            ["organic"]
        );
        assert!(names(&[both.clone(), lot(&[("organic", "2026-11-30")])]).is_empty());
        assert!(names(&[both, lot(&[])]).is_empty());
        assert!(names(&[]).is_empty());
    }
}
