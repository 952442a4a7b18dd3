//! Bags in the house, packing by packing: how many stand there for whom, and the coffee that leaves with some of them.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::filled::bags_in;
use crate::book::leaf::{Movement, Posting};
use crate::book::place::Place;
use crate::book::{Book, Draft, damaged};
use crate::ids::{PostingId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::store::{BagsRow, BagsStanding, Read, StoreError};

/// Books a posting that packs, ships, takes back or throws away bags, and its lines of bags.
pub(super) async fn post(book: &mut Book, mut draft: Draft, bags: &[BagsRow]) -> Outcome<Posting> {
    let mut facts: Map<String, Value> = draft.facts.as_object().cloned().unwrap_or_default();
    if !bags.is_empty() {
        facts.insert("bags".to_owned(), json!(bags));
    }
    draft.facts = Value::Object(facts);
    let posting = book.post(draft).await?;
    store(book, &posting).await?;
    Ok(posting)
}

/// Stores the lines of bags that a posting's facts say, if any: the one rule by which they follow from the log.
pub(crate) async fn store(book: &mut Book, posting: &Posting) -> Outcome<()> {
    let Some(bags) = posting.facts.get("bags") else {
        return Ok(());
    };
    let bags = Vec::<BagsRow>::deserialize(bags).map_err(damaged)?;
    for (line, row) in bags.iter().enumerate() {
        book.tx().insert_bags(posting.id, line, row).await?;
    }
    Ok(())
}

/// Bags that stand in the house, in order of their packings. What a count found missing or too much follows from the mass that stands: bags
/// for nobody go and come first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn standing(tx: &mut dyn Read, site: SiteId) -> Result<Vec<BagsStanding>, StoreError> {
    let mut standing = tx.bags_standing(site).await?;
    for filled in tx.bags_filled(site).await? {
        let there = bags_in(filled.left, filled.of.bags, filled.filled);
        let ours = standing
            .iter()
            .filter(|standing| standing.packing == filled.of.packing);
        let said: u32 = ours.map(|standing| standing.bags).sum();
        let mut missing = said.saturating_sub(there);
        for of in [true, false] {
            let ours = standing.iter_mut().filter(|standing| {
                standing.packing == filled.of.packing && standing.order.is_none() == of
            });
            for standing in ours {
                let gone = missing.min(standing.bags);
                standing.bags -= gone;
                missing -= gone;
            }
        }
        if there > said {
            standing.push(BagsStanding {
                order: None,
                bags: there - said,
                ..filled.of
            });
        }
    }
    standing.retain(|standing| standing.bags > 0);
    standing.sort_by_key(|standing| (standing.packing, standing.order, standing.product));
    Ok(standing)
}

/// Checks that the bags of a posting that was just undone are not missing elsewhere: those that came back may have gone on since.
///
/// # Errors
/// [`Refusal::Conflict`] when they have.
pub async fn check_undone(book: &mut Book, posting: &Posting) -> Outcome<()> {
    let rows: Vec<BagsRow> =
        serde_json::from_value(posting.facts["bags"].clone()).unwrap_or_default();
    for row in rows {
        if book
            .tx()
            .bags_overdrawn(row.packing.unwrap_or(posting.id))
            .await?
        {
            return Err(Refusal::conflict(
                "some of these bags have gone on since, so it cannot be undone: undo that first",
            ));
        }
    }
    Ok(())
}

/// Bags that leave where they stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Leaving {
    /// Where they stand.
    pub of: BagsStanding,
    /// How many leave.
    pub bags: u32,
}

impl Leaving {
    /// The line of bags that says so.
    pub fn row(&self) -> BagsRow {
        BagsRow {
            order: self.of.order,
            product: self.of.product,
            bags: self.bags,
            grind: self.of.grind.clone(),
            packing: Some(self.of.packing),
        }
    }
}

/// Takes so many bags from those that stand, in their order; fewer where fewer stand.
pub(super) fn first(standing: impl IntoIterator<Item = BagsStanding>, bags: u32) -> Vec<Leaving> {
    let mut left = bags;
    let mut leaving = Vec::new();
    for of in standing {
        let bags = left.min(of.bags);
        if bags > 0 {
            leaving.push(Leaving { of, bags });
            left -= bags;
        }
    }
    leaving
}

/// The coffee that leaves with bags: of each lot in a packing its part by number of bags, and all that is left with the last bag.
pub(super) async fn movements(
    book: &mut Book,
    leaving: &[Leaving],
    to: Place,
) -> Outcome<Vec<Movement>> {
    let site = book.site();
    let mut of: BTreeMap<PostingId, (u32, u32)> = BTreeMap::new();
    for standing in standing(book.tx(), site).await? {
        of.entry(standing.packing).or_default().1 += standing.bags;
    }
    for each in leaving {
        of.entry(each.of.packing).or_default().0 += each.bags;
    }
    let mut movements = Vec::new();
    for standing in book.tx().standing(site, "packed").await? {
        let Place::Packed(packing) = standing.place else {
            continue;
        };
        let (bags, all) = of.get(&packing).copied().unwrap_or_default();
        let mass = part(standing.mass, bags, all);
        if mass.is_positive() {
            movements.push(Movement {
                lot: standing.lot,
                from: standing.place,
                to,
                mass_mg: mass.mg(),
            });
        }
    }
    Ok(movements)
}

/// What `bags` of `all` bags hold of a mass, to the milligram.
pub(super) fn part(mass: Mass, bags: u32, all: u32) -> Mass {
    if bags >= all && bags > 0 {
        return mass;
    }
    let weight = |bags: u32| Mass::from_mg(i64::from(bags)).unwrap_or_default();
    let parts = mass.split(&[weight(bags), weight(all.saturating_sub(bags))]);
    if bags == 0 { Mass::ZERO } else { parts[0] }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// However bags leave, a few at a time, together they take exactly what the packing holds, and nobody's share is off by a milligram
        /// or more for each time that some left.
        #[test]
        fn parts_add_up(mg in 1i64..50_000_000, takes in prop::collection::vec(1u32..9, 1..20)) {
            let all: u32 = takes.iter().sum();
            let whole = Mass::from_mg(mg).unwrap();
            let (mut left, mut standing) = (whole, all);
            for (n, bags) in (1i64..).zip(&takes) {
                let gone = part(left, *bags, standing);
                let fair = i128::from(mg) * i128::from(*bags) / i128::from(all);
                prop_assert!((i128::from(gone.mg()) - fair).abs() <= i128::from(n) + 1, "{gone} for {bags} of {all}");
                left = left.minus(gone).unwrap();
                standing -= bags;
            }
            prop_assert_eq!(left, Mass::ZERO);
        }
    }
}
