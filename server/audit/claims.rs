//! Claims by volume: what was bought, roasted, sold and lost under each, and a warning before more is sold than there is. The second check,
//! beside that of every bag.
//!
//! Masses of coffee follow from movements. What is sold under a claim is the label weight of bags of products that are set up with it now.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;

use crate::day::Day;
use crate::demand::{OrderState, views};
use crate::fraction::Fraction;
use crate::ids::{LotId, ProductId, SiteId, StyleId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Claim, Kept, Lot, Order, Product, Record, Style, same_claim};
use crate::store::Read;
use crate::text::Name;

/// Orders of ship days from so long ago may still be open.
const BACK_DAYS: i64 = 60;
/// Orders of ship days so far ahead are counted as promised.
const AHEAD_DAYS: i64 = 400;

/// A lot under a claim, and where all of it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct ClaimLot {
    /// The lot.
    pub lot: LotId,
    /// Its name.
    pub name: Name,
    /// Its certificates for the claim.
    pub certificates: Vec<Claim>,
    /// Whether one of them holds today.
    pub holds: bool,
    /// Where it is.
    #[serde(flatten)]
    pub masses: Masses,
}

/// Where coffee is that was bought. All sums to what was bought, to the milligram.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Masses {
    /// Bought, less what went back, made up as a blend, or taken in from other sites.
    pub bought_g: Mass,
    /// Green in store or weighed in.
    pub green_g: Mass,
    /// Roasted and not yet bagged.
    pub roasted_g: Mass,
    /// In bags here.
    pub packed_g: Mass,
    /// Gone to customers.
    pub shipped_g: Mass,
    /// Sent to other sites.
    pub sent_g: Mass,
    /// Lost in roasting and drying.
    pub lost_g: Mass,
    /// Samples, waste, count differences, and gone into blends.
    pub other_g: Mass,
}

/// One claim with its volumes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct ClaimVolumes {
    /// The claim.
    pub claim: Name,
    /// All lots together.
    pub masses: Masses,
    /// The lots.
    pub lots: Vec<ClaimLot>,
    /// Label weight of bags that are sold under the claim and were filled.
    pub sold_g: Mass,
    /// Label weight of bags under the claim that open orders still want.
    pub promised_g: Mass,
    /// What can still be filled into such bags: what is roasted, and what green will give that may be roasted under the claim today.
    pub available_g: Mass,
    /// What must be looked at; null if all is well.
    pub warning: Option<String>,
}

/// All claims of lots and products, by name.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn claims(tx: &mut dyn Read, site: SiteId, today: Day) -> Outcome<Vec<ClaimVolumes>> {
    let lots = setup::all::<Lot>(tx, site).await?;
    let products = setup::all::<Product>(tx, site).await?;
    let mut names: BTreeMap<String, Name> = BTreeMap::new();
    let of_lots = lots
        .iter()
        .flat_map(|lot| lot.fields.claims.iter().map(|own| &own.claim));
    let of_products = products.iter().flat_map(|product| &product.fields.claims);
    for name in of_lots.chain(of_products) {
        names
            .entry(name.to_string().to_lowercase())
            .or_insert_with(|| name.clone());
    }
    let filled = filled(tx, site, &products).await?;
    let wanted = wanted(tx, site, today).await?;
    let styles: HashMap<StyleId, Fraction> = setup::all::<Style>(tx, site)
        .await?
        .into_iter()
        .map(|style| (style.id.into(), style.fields.nominal_loss))
        .collect();
    let mut found = Vec::new();
    for claim in names.into_values() {
        let ours: Vec<&Kept<Product>> = products
            .iter()
            .filter(|p| p.fields.claims.iter().any(|own| same_claim(own, &claim)))
            .collect();
        let of = lots_under(tx, site, &lots, &claim, today).await?;
        let weight = |bags: &HashMap<ProductId, u32>| {
            let of = |p: &&Kept<Product>| {
                let bags = bags.get(&p.id.into()).copied().unwrap_or(0);
                p.fields.bag_g.times(i64::from(bags)).unwrap_or(Mass::MAX)
            };
            Mass::sum(ours.iter().map(of))
        };
        let loss = ours
            .iter()
            .filter_map(|p| styles.get(&p.fields.style))
            .max()
            .copied();
        let volumes = ClaimVolumes {
            masses: summed(&of)?,
            available_g: available(&of, loss.unwrap_or(Fraction::from_ppm(0)))?,
            lots: of,
            sold_g: weight(&filled)?,
            promised_g: weight(&wanted)?,
            warning: None,
            claim,
        };
        found.push(warned(volumes)?);
    }
    Ok(found)
}

/// The lots under a claim.
async fn lots_under(
    tx: &mut dyn Read,
    site: SiteId,
    lots: &[Kept<Lot>],
    claim: &Name,
    today: Day,
) -> Outcome<Vec<ClaimLot>> {
    let mut found = Vec::new();
    for lot in lots {
        let own = lot
            .fields
            .claims
            .iter()
            .filter(|own| same_claim(&own.claim, claim));
        let certificates: Vec<Claim> = own.cloned().collect();
        if certificates.is_empty() {
            continue;
        }
        found.push(ClaimLot {
            lot: lot.id.into(),
            name: lot.fields.name.clone(),
            holds: certificates.iter().any(|own| own.holds(claim, today)),
            certificates,
            masses: masses(tx, site, lot.id.into()).await?,
        });
    }
    Ok(found)
}

/// Where all of a lot is.
async fn masses(tx: &mut dyn Read, site: SiteId, lot: LotId) -> Outcome<Masses> {
    let mut masses = Masses::default();
    for stands in tx.standing_of_lot(site, lot).await? {
        let mass = stands.mass;
        let own = stands.place.key() == lot.0;
        let (sum, mass) = match stands.place.word() {
            "supplier" => (&mut masses.bought_g, Mass::ZERO.minus(mass)?),
            "blended" if own => (&mut masses.bought_g, Mass::ZERO.minus(mass)?),
            "transit" if mass < Mass::ZERO => (&mut masses.bought_g, Mass::ZERO.minus(mass)?),
            "transit" => (&mut masses.sent_g, mass),
            "store" | "batch" => (&mut masses.green_g, mass),
            "roasted" => (&mut masses.roasted_g, mass),
            "packed" => (&mut masses.packed_g, mass),
            "shipped" => (&mut masses.shipped_g, mass),
            "air" => (&mut masses.lost_g, mass),
            _ => (&mut masses.other_g, mass),
        };
        *sum = sum.plus(mass)?;
    }
    Ok(masses)
}

fn summed(lots: &[ClaimLot]) -> Outcome<Masses> {
    let sum = |of: fn(&Masses) -> Mass| Mass::sum(lots.iter().map(|lot| of(&lot.masses)));
    Ok(Masses {
        bought_g: sum(|m| m.bought_g)?,
        green_g: sum(|m| m.green_g)?,
        roasted_g: sum(|m| m.roasted_g)?,
        packed_g: sum(|m| m.packed_g)?,
        shipped_g: sum(|m| m.shipped_g)?,
        sent_g: sum(|m| m.sent_g)?,
        lost_g: sum(|m| m.lost_g)?,
        other_g: sum(|m| m.other_g)?,
    })
}

/// What is roasted, and what green will give at a loss, of lots whose certificates hold today.
fn available(lots: &[ClaimLot], loss: Fraction) -> Outcome<Mass> {
    let mut sum = Mass::ZERO;
    for lot in lots {
        sum = sum.plus(lot.masses.roasted_g)?;
        if lot.holds {
            let left = i128::from(1_000_000 - loss.ppm()) * i128::from(lot.masses.green_g.mg());
            let gives = Mass::from_mg(i64::try_from(left / 1_000_000).unwrap_or(0))?;
            sum = sum.plus(gives)?;
        }
    }
    Ok(sum)
}

/// Bags of each product that were filled.
async fn filled(
    tx: &mut dyn Read,
    site: SiteId,
    products: &[Kept<Product>],
) -> Outcome<HashMap<ProductId, u32>> {
    let claimed = products.iter().filter(|p| !p.fields.claims.is_empty());
    let ids: Vec<ProductId> = claimed.map(|p| p.id.into()).collect();
    Ok(tx.bags_of_products(site, &ids).await?.into_iter().collect())
}

/// Bags of each product that open orders still want.
async fn wanted(tx: &mut dyn Read, site: SiteId, today: Day) -> Outcome<HashMap<ProductId, u32>> {
    let (from, to) = (today.plus(-BACK_DAYS), today.plus(AHEAD_DAYS));
    let mut orders = Vec::new();
    for row in tx.records_of_days(site, Order::KIND, from, to).await? {
        orders.push(Kept {
            id: row.id,
            revision: row.revision,
            fields: serde_json::from_str::<Order>(&row.body).map_err(crate::book::damaged)?,
        });
    }
    let mut wanted: HashMap<ProductId, u32> = HashMap::new();
    for order in views(tx, site, orders).await? {
        if order.state != OrderState::Open {
            continue;
        }
        for line in order.lines {
            *wanted.entry(line.product).or_default() += line.bags.saturating_sub(line.packed_bags);
        }
    }
    Ok(wanted)
}

/// Says what must be looked at.
fn warned(mut volumes: ClaimVolumes) -> Outcome<ClaimVolumes> {
    let claim = &volumes.claim;
    let in_bags = volumes.masses.packed_g.plus(volumes.masses.shipped_g)?;
    let over = volumes.sold_g.minus(in_bags)?;
    let short = volumes.promised_g.minus(volumes.available_g)?;
    volumes.warning = if over.is_positive() {
        Some(format!(
            "Bags sold as {claim} hold {} by their labels, and only {in_bags} of such coffee went into bags: {over} cannot be shown to be {claim}.",
            volumes.sold_g
        ))
    } else if short.is_positive() {
        Some(format!(
            "Orders want {} as {claim}, and what is here will give {}: {short} would be sold that is not there.",
            volumes.promised_g, volumes.available_g
        ))
    } else {
        None
    };
    Ok(volumes)
}
