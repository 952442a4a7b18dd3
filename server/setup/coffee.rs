//! Coffees, roasting styles, and the products they are sold as.

use std::borrow::Cow;
use std::collections::HashMap;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Link, Lot, Record, fault, same_claim, unless};
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, LotId, SiteId, StyleId};
use crate::mass::Mass;
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};
use crate::text::{Name, Note};

/// A coffee, of which there may be many lots over the years; or a blend of such after roasting, which has no lots and stands in dispatches
/// like a coffee.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Coffee {
    /// Its name.
    pub name: Name,
    /// Of a blend, its coffees with their shares of the roasted weight, which sum to one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 12)]
    pub parts: Vec<Part>,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// Whether it goes into a clean drum, before all others of its day: decaffeinated coffee, or what must not touch others.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub clean_drum: bool,
    /// No longer offered for choice.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

#[async_trait]
impl Record for Coffee {
    const KIND: &'static str = "coffee";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn links(&self) -> Vec<Link> {
        part_links(&self.parts)
    }

    fn faults(&self) -> Vec<FieldError> {
        if self.parts.is_empty() {
            return Vec::new();
        }
        let mut faults = part_faults(&self.parts);
        if self.parts.len() < 2 {
            faults.push(fault("/parts", "a blend is of two coffees or more"));
        }
        faults
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        id: Uuid,
        _before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        if self.parts.is_empty() {
            return Ok(Vec::new());
        }
        let mut faults = blend_in_blend(tx, site, id.into(), &self.parts).await?;
        let lots = super::all::<Lot>(tx, site).await?;
        if lots.iter().any(|lot| lot.fields.coffee.0 == id) {
            faults.push(fault(
                "/parts",
                "there are lots of this coffee, so it is no blend: add the blend under a name of its own",
            ));
        }
        let blends = Blends::read(tx, site).await?;
        if blends.0.values().flatten().any(|part| part.coffee.0 == id) {
            faults.push(fault(
                "/parts",
                "it is part of another blend, so it cannot be one itself",
            ));
        }
        Ok(faults)
    }
}

/// What blends are mixed from.
#[derive(Debug, Clone, Default)]
pub struct Blends(HashMap<CoffeeId, Vec<Part>>);

impl Blends {
    /// Reads them.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let all = super::all::<Coffee>(tx, site).await?;
        let blends = all.into_iter().filter(|kept| !kept.fields.parts.is_empty());
        Ok(blends
            .map(|kept| (kept.id.into(), kept.fields.parts))
            .collect())
    }

    /// What a coffee is made of: the parts of a blend, else itself alone.
    #[must_use]
    pub fn parts(&self, coffee: CoffeeId) -> Cow<'_, [Part]> {
        let alone = || {
            let share = Fraction::from_ppm(1_000_000);
            Cow::Owned(vec![Part { coffee, share }])
        };
        self.0
            .get(&coffee)
            .map_or_else(alone, |parts| Cow::Borrowed(parts.as_slice()))
    }

    /// Whether one of these coffees is this one, or in it.
    #[must_use]
    pub fn any_in(&self, these: &[CoffeeId], coffee: CoffeeId) -> bool {
        !these.is_empty()
            && (these.contains(&coffee)
                || self
                    .0
                    .get(&coffee)
                    .is_some_and(|parts| parts.iter().any(|part| these.contains(&part.coffee))))
    }
}

impl FromIterator<(CoffeeId, Vec<Part>)> for Blends {
    fn from_iter<I: IntoIterator<Item = (CoffeeId, Vec<Part>)>>(blends: I) -> Self {
        Self(blends.into_iter().collect())
    }
}

fn part_links(parts: &[Part]) -> Vec<Link> {
    let link = |(i, part): (usize, &Part)| {
        Link::new(format!("/parts/{i}/coffee"), Coffee::KIND, part.coffee)
    };
    parts.iter().enumerate().map(link).collect()
}

/// What is wrong with coffees and their shares by themselves.
fn part_faults(parts: &[Part]) -> Vec<FieldError> {
    let mut faults = Vec::new();
    if parts.is_empty() || parts.len() > 12 {
        faults.push(fault("/parts", "name one to twelve coffees"));
    }
    if parts.iter().any(|part| part.share.ppm() <= 0) {
        faults.push(fault("/parts", "every share must be more than nothing"));
    }
    let sum: i64 = parts.iter().map(|part| i64::from(part.share.ppm())).sum();
    if sum != 1_000_000 {
        let sum = Fraction::from_ppm(sum).value();
        faults.push(fault(
            "/parts",
            format!("the shares must sum to 1; they sum to {sum}"),
        ));
    }
    let twice = |(i, part): &(usize, &Part)| {
        let mut before = parts[..*i].iter();
        before.any(|other| other.coffee == part.coffee)
    };
    if let Some((i, _)) = parts.iter().enumerate().find(twice) {
        faults.push(fault(
            format!("/parts/{i}/coffee"),
            "this coffee is named twice: give it one share",
        ));
    }
    faults
}

/// Parts that are blends themselves.
async fn blend_in_blend(
    tx: &mut dyn Read,
    site: SiteId,
    own: CoffeeId,
    parts: &[Part],
) -> Result<Vec<FieldError>, StoreError> {
    let mut faults = Vec::new();
    for (i, part) in parts.iter().enumerate() {
        let of = super::find::<Coffee>(tx, site, part.coffee).await?;
        if part.coffee == own || of.is_some_and(|kept| !kept.fields.parts.is_empty()) {
            faults.push(fault(
                format!("/parts/{i}/coffee"),
                "this is a blend: name the coffees in it",
            ));
        }
    }
    Ok(faults)
}

/// A roasting style.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Style {
    /// Its name.
    pub name: Name,
    /// The loss the owner expects of it at ordinary moisture: where learning starts.
    pub nominal_loss: Fraction,
    /// Whole days between roasting and packing.
    pub rest_days: u16,
    /// The oldest a bag may be when it arrives, in days after roasting.
    pub fresh_days: u16,
    /// Its place in a day's order: light first.
    pub shade: u16,
    /// No longer offered for choice.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Record for Style {
    const KIND: &'static str = "style";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        if !(40_000..=300_000).contains(&self.nominal_loss.ppm()) {
            faults.push(fault("/nominal_loss", "a roast loses between 4 % and 30 %"));
        }
        if self.rest_days > self.fresh_days {
            faults.push(fault(
                "/fresh_days",
                "a bag stays fresh at least as long as it rests",
            ));
        }
        if self.fresh_days > 366 {
            faults.push(fault("/fresh_days", "at most 366 days"));
        }
        faults
    }
}

/// What goes into a product: a coffee with its share of the roasted weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Part {
    /// The coffee.
    pub coffee: CoffeeId,
    /// Its share of the roasted weight.
    pub share: Fraction,
}

/// A coffee or blend as it is sold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Product {
    /// Its name.
    pub name: Name,
    /// Its coffees, with shares that sum to one.
    #[schema(min_items = 1, max_items = 12)]
    pub parts: Vec<Part>,
    /// The style it is roasted in.
    pub style: StyleId,
    /// The label weight of a bag.
    pub bag_g: Mass,
    /// Only coffee of these lots will do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lots: Option<Vec<LotId>>,
    /// What it is sold as, such as organic: only coffee of lots with all of these claims will do.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 10)]
    pub claims: Vec<Name>,
    /// No longer sold.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Product {
    /// A roasted mass by the shares of its coffees, to the milligram.
    #[must_use]
    pub fn split(&self, whole: Mass) -> Vec<Mass> {
        let weight = |part: &Part| Mass::from_mg(i64::from(part.share.ppm())).unwrap_or_default();
        let shares: Vec<Mass> = self.parts.iter().map(weight).collect();
        whole.split(&shares)
    }

    /// Whether it is a bag of these coffees in these shares, in a style, of this label weight.
    #[must_use]
    pub fn is_bag_of(&self, parts: &[Part], style: StyleId, bag: Mass) -> bool {
        let same =
            self.parts.len() == parts.len() && parts.iter().all(|part| self.parts.contains(part));
        same && self.style == style && self.bag_g == bag
    }
}

#[async_trait]
impl Record for Product {
    const KIND: &'static str = "product";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![Link::new("/style", Style::KIND, self.style)];
        links.extend(part_links(&self.parts));
        links.extend(
            self.lots
                .iter()
                .flatten()
                .enumerate()
                .map(|(i, lot)| Link::new(format!("/lots/{i}"), super::Lot::KIND, *lot)),
        );
        links
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        _id: Uuid,
        _before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        blend_in_blend(tx, site, Uuid::nil().into(), &self.parts).await
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = part_faults(&self.parts);
        if self.bag_g < Mass::GRAM || self.bag_g.whole_grams() > 100_000 {
            faults.push(fault("/bag_g", "a bag holds between 1 g and 100 kg"));
        }
        let twice = |(i, claim): (usize, &Name)| {
            let before = &self.claims[..i];
            before.iter().any(|other| same_claim(other, claim))
        };
        if self.claims.len() > 10 || self.claims.iter().enumerate().any(twice) {
            faults.push(fault("/claims", "name at most ten claims, each once"));
        }
        if self.lots.as_ref().is_some_and(Vec::is_empty) {
            faults.push(fault(
                "/lots",
                "name at least one lot, or leave it out for any lot",
            ));
        }
        faults
    }
}
