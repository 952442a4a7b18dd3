//! Green coffee: storerooms, deliveries, their lots, and requests for samples.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Coffee, Link, Record, Roaster, Screen, Unusual, fault, unless};
use crate::book::damaged;
use crate::book::place::Place;
use crate::day::Day;
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, DeliveryId, LotId, RoasterId, SiteId, StoreroomId};
use crate::mass::Mass;
use crate::money::Money;
use crate::refusal::{Confirm, FieldError};
use crate::store::{Read, Receipts, StoreError};
use crate::text::{Name, Note};

/// A room for green.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Storeroom {
    /// Its name.
    pub name: Name,
    /// No longer used.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Record for Storeroom {
    const KIND: &'static str = "storeroom";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }
}

/// What comes on one bill of lading. Whether it has come follows from its receipts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Delivery {
    /// Who sends it.
    pub supplier: Name,
    /// The number on its papers.
    pub reference: Name,
    /// When it is expected.
    pub expected_day: Day,
    /// Its net mass on the invoice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub invoice_g: Option<Mass>,
    /// Why it is on hold; while this says something, none of it is planned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold: Option<Note>,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// No longer expected or wanted.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Record for Delivery {
    const KIND: &'static str = "delivery";
    const LABEL_AT: &'static str = "/reference";

    fn label(&self) -> Option<String> {
        Some(format!("{} {}", self.supplier, self.reference))
    }

    fn day(&self) -> Option<Day> {
        Some(self.expected_day)
    }

    fn faults(&self) -> Vec<FieldError> {
        if self.invoice_g.is_some_and(|mass| mass < Mass::ZERO) {
            vec![fault("/invoice_g", "a mass of nothing or more")]
        } else {
            Vec::new()
        }
    }
}

/// How green is packed: it decides how fast it dries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum PackingKind {
    /// Jute sacks, which breathe.
    Jute,
    /// Sacks with a tight liner.
    Liner,
    /// Vacuum packs.
    Vacuum,
    /// Loose, in bins.
    Bulk,
}

/// Sacks and what lies loose.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = LotPacking)]
pub struct Packing {
    /// What kind.
    pub kind: PackingKind,
    /// How many.
    pub sacks: u32,
    /// What one holds.
    pub sack_g: Mass,
    /// Loose coffee beside them.
    pub loose_g: Mass,
}

/// A moisture reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Moisture {
    /// When it was measured.
    pub day: Day,
    /// Water as a fraction of the mass.
    pub fraction: Fraction,
    /// The meter's standard uncertainty; 0.003 unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sd: Option<Fraction>,
}

/// What a lot may be sold as.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Claim {
    /// What is claimed, such as organic.
    pub claim: Name,
    /// The certificate's number.
    pub certificate: Name,
    /// The first day it holds; from the beginning unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valid_from: Option<Day>,
    /// The last day it holds.
    pub valid_to: Day,
}

impl Claim {
    /// Whether it is this claim, however people write it, and holds on a day.
    #[must_use]
    pub fn holds(&self, claim: &Name, on: Day) -> bool {
        same_claim(&self.claim, claim)
            && on <= self.valid_to
            && self.valid_from.is_none_or(|from| on >= from)
    }
}

/// Whether two names are of one claim: capitals do not matter.
#[must_use]
pub fn same_claim(one: &Name, other: &Name) -> bool {
    one.to_string().to_lowercase() == other.to_string().to_lowercase()
}

/// Charge limits of a lot on one roaster, where density or bean size ask for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LotLimit {
    /// The roaster.
    pub roaster: RoasterId,
    /// Smallest charge.
    pub min_charge_g: Mass,
    /// Largest charge.
    pub max_charge_g: Mass,
}

/// One coffee of one delivery in one size grade. Grades of a delivery are lots of their own and never share a drum.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Lot {
    /// Its name.
    pub name: Name,
    /// The delivery it came with.
    pub delivery: DeliveryId,
    /// The coffee it is.
    pub coffee: CoffeeId,
    /// Its size grade, such as AA or PB.
    pub grade: Name,
    /// The screens that its beans stay on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub screen: Option<Screen>,
    /// Process, such as washed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub process: Option<Name>,
    /// Crop year, such as 2025/26.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crop_year: Option<Name>,
    /// Where it is kept.
    pub storeroom: StoreroomId,
    /// What is expected to come.
    pub expected_g: Mass,
    /// How it is packed.
    pub packing: Packing,
    /// Moisture readings over time.
    #[schema(max_items = 200)]
    pub moisture: Vec<Moisture>,
    /// The customer whose coffee it is, where it is only roasted for them: it is worth nothing in these books.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owned_by: Option<Name>,
    /// What all of it cost, landed, where no lines of the delivery's costs say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub landed_cost: Option<Money>,
    /// What it may be sold as.
    #[schema(max_items = 20)]
    pub claims: Vec<Claim>,
    /// Its place in the order of use within its coffee: smaller first.
    pub use_rank: u16,
    /// A rest that plans leave.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reserve_g: Option<Mass>,
    /// Charge limits of its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 20)]
    pub charge_limits: Vec<LotLimit>,
    /// No longer offered for choice.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Packing {
    /// What all of it holds; nothing where that is beyond any mass.
    fn holds(&self) -> Mass {
        let sacks = self.sack_g.mg().checked_mul(i64::from(self.sacks));
        let sacks = sacks.and_then(|mg| Mass::from_mg(mg).ok());
        sacks
            .and_then(|sacks| sacks.plus(self.loose_g).ok())
            .unwrap_or_default()
    }
}

/// What is read of a card that would take green.
#[derive(Deserialize)]
struct Taking {
    lot: LotId,
    charge_g: Mass,
    #[serde(default)]
    withdrawn: bool,
}

impl Lot {
    /// Grams for kilograms, one sack for all: what is expected is more than a fifth from what the packing holds. A bound of our own, so
    /// wide that loose coffee and torn sacks are not asked about.
    fn far_from_packing(&self) -> Option<Unusual> {
        let holds = self.packing.holds();
        let off = holds.mg().abs_diff(self.expected_g.mg());
        let far = off > holds.max(self.expected_g).mg().unsigned_abs() / 5;
        let said = self.expected_g.is_positive() && holds.is_positive();
        let loose = if self.packing.loose_g.is_positive() {
            format!(" and {} loose", self.packing.loose_g)
        } else {
            String::new()
        };
        (said && far).then(|| Unusual {
            confirm: Confirm::FarFromPacking,
            words: format!(
                "{} are expected, and {} packs of {}{loose} hold {holds}: put one of them right, or confirm it",
                self.expected_g, self.packing.sacks, self.packing.sack_g
            ),
        })
    }

    /// Green in store and on cards that nobody would see in the choices any more.
    async fn green_left(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        id: LotId,
    ) -> Result<Option<Unusual>, StoreError> {
        let standing = tx.standing_of_lot(site, id).await?;
        let store = standing
            .iter()
            .filter(|one| matches!(one.place, Place::Store(_)))
            .map(|one| one.mass);
        let mut cards = Vec::new();
        for row in tx.open_cards(site).await? {
            let card: Taking = serde_json::from_str(&row.body).map_err(damaged)?;
            if card.lot == id && !card.withdrawn {
                cards.push(card.charge_g);
            }
        }
        let sum =
            |masses: Vec<Mass>| Mass::sum(masses).map_err(|e| StoreError::Damaged(e.to_string()));
        let (left, count) = (sum(store.collect())?, cards.len());
        let carded = sum(cards)?;
        if !left.is_positive() && count == 0 {
            return Ok(None);
        }
        let takes = match count {
            0 => String::new(),
            1 => format!(", and a card takes {carded} of it"),
            n => format!(", and {n} cards take {carded} of it"),
        };
        Ok(Some(Unusual {
            confirm: Confirm::GreenLeft,
            words: format!(
                "{left} of {} are in store{takes}: out of use, no plan takes any. Leave it in use, or confirm it",
                self.name
            ),
        }))
    }

    /// Those of some claims under which coffee of this lot that was roasted on a day may not be sold.
    #[must_use]
    pub fn lacks<'a>(&self, claims: &'a [Name], roasted_on: Day) -> Vec<&'a Name> {
        let carries = |claim: &Name| self.claims.iter().any(|own| own.holds(claim, roasted_on));
        claims.iter().filter(|claim| !carries(claim)).collect()
    }
}

#[async_trait]
impl Record for Lot {
    const KIND: &'static str = "lot";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![
            Link::new("/delivery", Delivery::KIND, self.delivery),
            Link::new("/coffee", Coffee::KIND, self.coffee),
            Link::new("/storeroom", Storeroom::KIND, self.storeroom),
        ];
        links.extend(self.charge_limits.iter().enumerate().map(|(i, limit)| {
            Link::new(
                format!("/charge_limits/{i}/roaster"),
                Roaster::KIND,
                limit.roaster,
            )
        }));
        links
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        id: Uuid,
        before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        let mut faults = Vec::new();
        let coffee = super::find::<Coffee>(tx, site, self.coffee).await?;
        if coffee.is_some_and(|kept| !kept.fields.parts.is_empty()) {
            faults.push(fault(
                "/coffee",
                "this is a blend after roasting: name the coffee that the lot is of",
            ));
        }
        let Some(before) = before else {
            return Ok(faults);
        };
        let whose = before.owned_by.is_some() != self.owned_by.is_some();
        if before.delivery == self.delivery && !whose {
            return Ok(faults);
        }
        let receipts = tx.receipts(site, Some(id.into())).await?;
        if whose && receipts.iter().any(|one| one.first_day.is_some()) {
            faults.push(fault(
                "/owned_by",
                "green of this lot is here, at a cost or at none: undo what brought it first, or make another lot for it",
            ));
        }
        let came =
            |one: &Receipts| !matches!(one.from, Place::Blended(_)) && one.first_day.is_some();
        if before.delivery != self.delivery && receipts.iter().any(came) {
            faults.push(fault(
                "/delivery",
                "green of this lot came with its delivery: undo that receipt first",
            ));
        }
        Ok(faults)
    }

    async fn unusual(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        id: Uuid,
        before: Option<&Self>,
        _today: Day,
    ) -> Result<Vec<Unusual>, StoreError> {
        let mut unusual = Vec::new();
        let said = |lot: &Self| (lot.expected_g, lot.packing.clone());
        if before.is_none_or(|before| said(before) != said(self))
            && tx.receipts(site, Some(id.into())).await?.is_empty()
        {
            unusual.extend(self.far_from_packing());
        }
        if self.retired && before.is_some_and(|before| !before.retired) {
            unusual.extend(self.green_left(tx, site, id.into()).await?);
        }
        Ok(unusual)
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        let masses = [
            ("/expected_g", Some(self.expected_g)),
            ("/packing/sack_g", Some(self.packing.sack_g)),
            ("/packing/loose_g", Some(self.packing.loose_g)),
            ("/reserve_g", self.reserve_g),
        ];
        faults.extend(
            masses
                .into_iter()
                .filter(|(_, mass)| mass.is_some_and(|m| m < Mass::ZERO))
                .map(|(at, _)| fault(at, "a mass of nothing or more")),
        );
        if self.moisture.len() > 200 || self.claims.len() > 20 || self.charge_limits.len() > 20 {
            faults.push(fault(
                "",
                "at most 200 moisture readings, 20 claims and 20 charge limits",
            ));
        }
        for (i, reading) in self.moisture.iter().enumerate() {
            if !(20_000..=250_000).contains(&reading.fraction.ppm()) {
                faults.push(fault(
                    format!("/moisture/{i}/fraction"),
                    "green holds between 0.02 and 0.25 water: write 0.108 for 10.8 %",
                ));
            }
            if reading
                .sd
                .is_some_and(|sd| !(100..=30_000).contains(&sd.ppm()))
            {
                faults.push(fault(
                    format!("/moisture/{i}/sd"),
                    "between 0.0001 and 0.03; a usual meter has 0.003",
                ));
            }
        }
        for (i, claim) in self.claims.iter().enumerate() {
            if claim.valid_from.is_some_and(|from| from > claim.valid_to) {
                faults.push(fault(
                    format!("/claims/{i}/valid_from"),
                    "the first day a certificate holds is not after its last",
                ));
            }
        }
        for (i, limit) in self.charge_limits.iter().enumerate() {
            if !limit.min_charge_g.is_positive() || limit.min_charge_g > limit.max_charge_g {
                faults.push(fault(
                    format!("/charge_limits/{i}"),
                    "the smallest charge is more than nothing and at most the largest",
                ));
            }
        }
        faults
    }
}

/// Green asked for as a sample and not yet drawn: plans leave it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SampleRequest {
    /// The lot.
    pub lot: LotId,
    /// How much.
    pub mass_g: Mass,
    /// What for.
    pub purpose: Note,
    /// Drawn, or no longer wanted.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub done: bool,
}

impl Record for SampleRequest {
    const KIND: &'static str = "sample_request";

    fn label(&self) -> Option<String> {
        None
    }

    fn links(&self) -> Vec<Link> {
        vec![Link::new("/lot", Lot::KIND, self.lot)]
    }

    fn faults(&self) -> Vec<FieldError> {
        if self.mass_g.is_positive() {
            Vec::new()
        } else {
            vec![fault("/mass_g", "more than nothing")]
        }
    }
}
