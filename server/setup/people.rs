//! The site and its people.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{CostLine, DayHours, Record, fault, unless};
use crate::day::Zone;
use crate::fraction::Fraction;
use crate::ids::SiteId;
use crate::mass::Mass;
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};
use crate::text::Name;

/// The unit in which people read masses away from the scales.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum MassUnit {
    /// Kilograms.
    Kg,
    /// Pounds.
    Lb,
}

/// When bags are packed, and how fast.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PackingHours {
    /// How many bags are filled in an hour.
    #[schema(minimum = 1, maximum = 100_000)]
    pub bags_per_hour: u32,
    /// Hours by weekday, Monday first; null where nothing is packed.
    #[schema(value_type = Vec<Option<DayHours>>, min_items = 7, max_items = 7)]
    pub hours: [Option<DayHours>; 7],
}

/// A roastery, or one of its sites.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Site {
    /// Its name.
    pub name: Name,
    /// Its time zone, fixed by the first posting.
    pub zone: Zone,
    /// The currency of its costs (ISO 4217).
    #[schema(pattern = "^[A-Z]{3}$")]
    pub currency: String,
    /// The unit in which people read masses.
    pub mass_unit: MassUnit,
    /// How certain a plan is to cover what is promised.
    pub service_level: Fraction,
    /// How often a sound batch may be called odd.
    pub false_flag_rate: Fraction,
    /// What a bag holds above its label, on average.
    pub overfill_g: Mass,
    /// Roasted coffee of each batch that does not come into bags: the sample for cupping, and what packing loses.
    #[serde(default, skip_serializing_if = "unless::zero")]
    pub kept_back_g: Mass,
    /// Minutes that the people have for roasting on a day, over all roasters together (one person at two drums has one person's
    /// minutes); left out: no limit beside the roasters' hours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(maximum = 100_000)]
    pub crew_min: Option<u32>,
    /// Whether a count is booked only when a second person approves it.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub second_person: bool,
    /// From what mass on an undone posting is a finding; 10 kg unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub large_reversal_g: Option<Mass>,
    /// When bags are packed, and how fast; left out where packing takes any number on its day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub packing: Option<PackingHours>,
    /// No longer used.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

#[async_trait]
impl Record for Site {
    const KIND: &'static str = "site";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        if self.currency.len() != 3 || !self.currency.bytes().all(|b| b.is_ascii_uppercase()) {
            faults.push(fault(
                "/currency",
                "name the currency by its three letters, such as EUR (ISO 4217)",
            ));
        }
        if !(500_000..=999_000).contains(&self.service_level.ppm()) {
            faults.push(fault(
                "/service_level",
                "between 0.5 (even chance) and 0.999",
            ));
        }
        if !(10..=100_000).contains(&self.false_flag_rate.ppm()) {
            faults.push(fault(
                "/false_flag_rate",
                "between 0.00001 and 0.1; 0.0027 is one sound batch in 370",
            ));
        }
        if self.overfill_g < Mass::ZERO || self.overfill_g.whole_grams() > 1_000 {
            faults.push(fault("/overfill_g", "between 0 and 1000 g"));
        }
        if self.kept_back_g < Mass::ZERO || self.kept_back_g.whole_grams() > 10_000 {
            faults.push(fault("/kept_back_g", "between 0 and 10000 g"));
        }
        if self.crew_min.is_some_and(|minutes| minutes > 100_000) {
            faults.push(fault("/crew_min", "at most 100000 minutes a day"));
        }
        if self.large_reversal_g.is_some_and(|mass| mass < Mass::ZERO) {
            faults.push(fault("/large_reversal_g", "a mass of nothing or more"));
        }
        if let Some(packing) = &self.packing {
            if !(1..=100_000).contains(&packing.bags_per_hour) {
                faults.push(fault(
                    "/packing/bags_per_hour",
                    "a whole number of bags, at least 1",
                ));
            }
            for (i, hours) in packing.hours.iter().enumerate() {
                if hours.is_some_and(|hours| hours.minutes() == 0) {
                    faults.push(fault(
                        format!("/packing/hours/{i}"),
                        "packing ends after it begins; use null for a day without",
                    ));
                }
            }
        }
        faults
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        _id: Uuid,
        before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        let mut faults = Vec::new();
        let moved = before.is_some_and(|before| before.zone != self.zone);
        if moved && tx.has_postings(site).await? {
            faults.push(fault(
                "/zone",
                "the zone is fixed: days have been booked in it",
            ));
        }
        let exchanged = before.is_some_and(|before| before.currency != self.currency);
        if exchanged && !tx.records(site, CostLine::KIND, None, 1).await?.is_empty() {
            faults.push(fault(
                "/currency",
                "the currency is fixed: costs have been written in it",
            ));
        }
        let own = self.name.as_str().to_lowercase();
        for other in tx.sites().await?.into_iter().filter(|one| *one != site) {
            let there = super::find::<Self>(tx, other, other).await?;
            let same = |there: &Self| there.name.as_str().to_lowercase() == own;
            if there.is_some_and(|there| same(&there.fields)) {
                faults.push(fault("/name", "another site has this name: choose another"));
            }
        }
        Ok(faults)
    }
}

/// What a person may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Everything.
    Owner,
    /// Plans, orders, green, set-up.
    Planner,
    /// The floor.
    Operator,
    /// Reads everything; counts.
    Auditor,
}

/// A person who works with the book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// Their name.
    pub name: Name,
    /// What they may do.
    pub role: Role,
    /// No longer here.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Person {
    const fn may_rule(&self) -> bool {
        matches!(self.role, Role::Owner) && !self.retired
    }
}

#[async_trait]
impl Record for Person {
    const KIND: &'static str = "person";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    /// Somebody must be left who can let others in.
    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        _id: Uuid,
        before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        if self.may_rule() || !before.is_some_and(Self::may_rule) {
            return Ok(Vec::new());
        }
        let people = super::all::<Self>(tx, site).await?;
        if people.iter().filter(|one| one.fields.may_rule()).count() > 1 {
            return Ok(Vec::new());
        }
        let field = if self.retired { "/retired" } else { "/role" };
        Ok(vec![fault(
            field,
            "this is the only owner: make another person one first",
        )])
    }
}
