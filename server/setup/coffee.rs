//! Coffees, roasting styles, and the products they are sold as.

use serde::{Deserialize, Serialize};

use super::{Link, Record, fault, same_claim, unless};
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, LotId, StyleId};
use crate::mass::Mass;
use crate::refusal::FieldError;
use crate::text::{Name, Note};

/// A coffee, of which there may be many lots over the years.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Coffee {
    /// Its name.
    pub name: Name,
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

impl Record for Coffee {
    const KIND: &'static str = "coffee";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }
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

    /// Whether it is a bag of this coffee alone, in a style, of this label weight.
    #[must_use]
    pub fn is_bag_of(&self, coffee: CoffeeId, style: StyleId, bag: Mass) -> bool {
        let alone = self.parts.len() == 1 && self.parts[0].coffee == coffee;
        alone && self.style == style && self.bag_g == bag
    }
}

impl Record for Product {
    const KIND: &'static str = "product";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![Link::new("/style", Style::KIND, self.style)];
        links.extend(
            self.parts.iter().enumerate().map(|(i, part)| {
                Link::new(format!("/parts/{i}/coffee"), Coffee::KIND, part.coffee)
            }),
        );
        links.extend(
            self.lots
                .iter()
                .flatten()
                .enumerate()
                .map(|(i, lot)| Link::new(format!("/lots/{i}"), super::Lot::KIND, *lot)),
        );
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        if self.parts.is_empty() || self.parts.len() > 12 {
            faults.push(fault("/parts", "name one to twelve coffees"));
        }
        if self.parts.iter().any(|part| part.share.ppm() <= 0) {
            faults.push(fault("/parts", "every share must be more than nothing"));
        }
        let sum: i64 = self
            .parts
            .iter()
            .map(|part| i64::from(part.share.ppm()))
            .sum();
        if sum != 1_000_000 {
            faults.push(fault(
                "/parts",
                format!(
                    "the shares must sum to 1; they sum to {}",
                    Fraction::from_ppm(sum).value()
                ),
            ));
        }
        let twice = self.parts.iter().enumerate().find(|(i, part)| {
            self.parts[..*i]
                .iter()
                .any(|other| other.coffee == part.coffee)
        });
        if let Some((i, _)) = twice {
            faults.push(fault(
                format!("/parts/{i}/coffee"),
                "this coffee is named twice: give it one share",
            ));
        }
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
