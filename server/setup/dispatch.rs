//! Dispatches: one shipment of a subscription each, its frozen list, and lost parcels to be sent again.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::subscription::{bags_fault, not_offered, style_faults};
use super::{
    Blends, Coffee, Destination, Kept, Link, Product, Record, Style, Subscriber, Subscription,
    fault, unless,
};
use crate::day::{Day, Instant};
use crate::ids::{
    CoffeeId, DestinationId, DispatchId, SiteId, StyleId, SubscriberId, SubscriptionId,
};
use crate::ladder::MOST_COFFEES;
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};
use crate::text::Note;

/// A coffee of a dispatch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Offer {
    /// The coffee.
    pub coffee: CoffeeId,
    /// Only for subscribers of at least so many bags, where it is scarce; others get the coffees after it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 1000)]
    pub from_bags: Option<u16>,
}

/// So many subscribers of so many bags, entered without a list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Headcount {
    /// Bags of each.
    #[schema(minimum = 1, maximum = 1000)]
    pub bags: u16,
    /// In which style; two for mixed.
    #[schema(min_items = 1, max_items = 2)]
    pub styles: Vec<StyleId>,
    /// Where they live.
    pub destination: DestinationId,
    /// How many subscribers.
    #[schema(minimum = 1, maximum = 100_000)]
    pub subscribers: u32,
}

/// One shipment of a subscription.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Dispatch {
    /// Of which subscription.
    pub subscription: SubscriptionId,
    /// When it leaves the house.
    pub ship_day: Day,
    /// Its coffees, in order.
    #[schema(min_items = 1, max_items = 12)]
    pub coffees: Vec<Offer>,
    /// Subscribers beside the list, by number of bags.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 500)]
    pub counts: Vec<Headcount>,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// Called off.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub cancelled: bool,
}

#[async_trait]
impl Record for Dispatch {
    const KIND: &'static str = "dispatch";
    const LABEL_AT: &'static str = "/ship_day";

    fn label(&self) -> Option<String> {
        Some(format!("{} {}", self.ship_day, self.subscription))
    }

    async fn taken(&self, tx: &mut dyn Read, site: SiteId) -> Result<String, StoreError> {
        let of = super::find::<Subscription>(tx, site, self.subscription).await?;
        let name = of.map_or_else(String::new, |kept| kept.fields.name.to_string());
        Ok(format!(
            "{name} has a dispatch on {} already: change that one, or choose another day",
            self.ship_day
        ))
    }

    fn day(&self) -> Option<Day> {
        Some(self.ship_day)
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![Link::new(
            "/subscription",
            Subscription::KIND,
            self.subscription,
        )];
        for (i, offer) in self.coffees.iter().enumerate() {
            let at = format!("/coffees/{i}/coffee");
            links.push(Link::new(at, Coffee::KIND, offer.coffee));
        }
        for (i, count) in self.counts.iter().enumerate() {
            let at = format!("/counts/{i}/destination");
            links.push(Link::new(at, Destination::KIND, count.destination));
            for (j, style) in count.styles.iter().enumerate() {
                let at = format!("/counts/{i}/styles/{j}");
                links.push(Link::new(at, Style::KIND, *style));
            }
        }
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = offer_faults(&self.coffees);
        if self.counts.len() > 500 {
            faults.push(fault("/counts", "at most 500 counts"));
        }
        for (i, count) in self.counts.iter().enumerate() {
            faults.extend(bags_fault(format!("/counts/{i}/bags"), count.bags));
            faults.extend(style_faults(
                &format!("/counts/{i}/styles"),
                &count.styles,
                2,
            ));
            if !(1..=100_000).contains(&count.subscribers) {
                faults.push(fault(
                    format!("/counts/{i}/subscribers"),
                    "a whole number from 1 to 100000",
                ));
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
        for (i, count) in self.counts.iter().enumerate() {
            let at = format!("/counts/{i}/styles");
            faults.extend(not_offered(tx, site, self.subscription, &at, &count.styles).await?);
        }
        let row = super::find::<Subscription>(tx, site, self.subscription).await?;
        if let Some(ladder) = row.and_then(|kept| kept.fields.ladder)
            && ladder.coffees() != self.coffees.len()
        {
            faults.push(fault(
                "/coffees",
                format!(
                    "the ladder of this subscription is for {} coffees: name as many, or change it",
                    ladder.coffees()
                ),
            ));
        }
        if let Some(before) = before {
            faults.extend(self.frozen_fault(tx, site, before).await?);
        }
        if before.is_none_or(|before| before.coffees != self.coffees) {
            faults.extend(self.unsold(tx, site).await?);
        }
        Ok(faults)
    }
}

impl Dispatch {
    /// Coffees that no product has in a style and bag of the subscription: they could be neither planned nor packed.
    async fn unsold(&self, tx: &mut dyn Read, site: SiteId) -> Result<Vec<FieldError>, StoreError> {
        let Some(subscription) = super::find::<Subscription>(tx, site, self.subscription).await?
        else {
            return Ok(Vec::new());
        };
        let products = super::all::<Product>(tx, site).await?;
        let blends = Blends::read(tx, site).await?;
        let mut faults = Vec::new();
        for (i, offer) in self.coffees.iter().enumerate() {
            let parts = blends.parts(offer.coffee);
            for style in &subscription.fields.styles {
                let sold = |kept: &Kept<Product>| {
                    kept.fields
                        .is_bag_of(&parts, *style, subscription.fields.bag_g)
                };
                if products.iter().any(sold) {
                    continue;
                }
                let style = super::find::<Style>(tx, site, *style).await?;
                let style = style.map_or_else(String::new, |kept| kept.fields.name.to_string());
                faults.push(fault(
                    format!("/coffees/{i}/coffee"),
                    format!(
                        "no product is this coffee, {}, as {style} in bags of {}: set one up",
                        if parts.len() > 1 {
                            "in its shares"
                        } else {
                            "alone"
                        },
                        subscription.fields.bag_g
                    ),
                ));
            }
        }
        Ok(faults)
    }

    /// Once its list is frozen, who gets what no longer changes with it.
    async fn frozen_fault(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        before: &Self,
    ) -> Result<Option<FieldError>, StoreError> {
        let same = Self {
            note: self.note.clone(),
            ..before.clone()
        };
        if *self == same {
            return Ok(None);
        }
        // Its id is not told here, but its label names one only.
        let label = before.label().unwrap_or_default();
        let Some(row) = tx.record_labelled(site, Self::KIND, &label).await? else {
            return Ok(None);
        };
        let first = ListPart::label_of(row.id.into(), 0);
        let frozen = tx.record_labelled(site, ListPart::KIND, &first).await?;
        Ok(frozen.map(|_| {
            fault(
                "",
                "the list of this dispatch is frozen: only its remark can change. Let subscribers in one by one, or call its orders off",
            )
        }))
    }
}

/// Bags of a coffee in a style.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(deny_unknown_fields)]
pub struct ParcelLine {
    /// The coffee.
    pub coffee: CoffeeId,
    /// The style.
    pub style: StyleId,
    /// How many bags.
    pub bags: u32,
}

/// A parcel of a frozen list, or so many that are alike.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listed {
    /// Who gets it; nobody in particular where it comes from a count.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subscriber: Option<SubscriberId>,
    /// Where it goes.
    pub destination: DestinationId,
    /// How many of them.
    pub parcels: u32,
    /// What is in each: its place among the contents of the part.
    pub contents: usize,
    /// The lost parcel that it stands in for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaces: Option<uuid::Uuid>,
}

/// Why somebody is left out of a dispatch.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// Begins later.
    NotStarted,
    /// Has ended.
    Ended,
    /// What was paid for is over.
    PrepaidOver,
    /// Wants nothing this month.
    Paused,
    /// Nothing can go to the destination.
    DestinationClosed,
    /// The way is longer than the coffee stays fresh.
    TooFar,
    /// No coffee of it is wanted there, or may go there.
    NoCoffee,
}

impl Why {
    /// The reason in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::NotStarted => "begins later",
            Self::Ended => "has ended",
            Self::PrepaidOver => "what was paid for is over",
            Self::Paused => "paused this month",
            Self::DestinationClosed => "nothing can go to the destination now",
            Self::TooFar => "the coffee would be too old on arrival",
            Self::NoCoffee => "none of its coffees is wanted or may go there",
        }
    }
}

/// Somebody who is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// Who.
    pub subscriber: SubscriberId,
    /// Why.
    pub why: Why,
}

/// A part of the frozen list of a dispatch. The parts follow each other: a later one takes out whom it names and adds its parcels.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListPart {
    /// Of which dispatch.
    pub dispatch: DispatchId,
    /// Its number, from 0.
    pub part: u32,
    /// When it was written.
    pub at: Instant,
    /// Whose earlier parcel no longer counts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub without: Vec<SubscriberId>,
    /// What is in parcels: each that differs once.
    pub contents: Vec<Vec<ParcelLine>>,
    /// The parcels.
    pub parcels: Vec<Listed>,
    /// Who is left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOut>,
}

impl ListPart {
    /// The label of a part.
    #[must_use]
    pub fn label_of(dispatch: DispatchId, part: u32) -> String {
        format!("{dispatch} {part:05}")
    }
}

impl Record for ListPart {
    const KIND: &'static str = "list_part";
    const LABEL_AT: &'static str = "/part";

    fn label(&self) -> Option<String> {
        Some(Self::label_of(self.dispatch, self.part))
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![Link::new("/dispatch", Dispatch::KIND, self.dispatch)];
        for (i, parcel) in self.parcels.iter().enumerate() {
            if let Some(lost) = parcel.replaces {
                let at = format!("/parcels/{i}/replaces");
                links.push(Link::new(at, Replacement::KIND, lost));
            } else if let Some(subscriber) = parcel.subscriber {
                let at = format!("/parcels/{i}/subscriber");
                links.push(Link::new(at, Subscriber::KIND, subscriber));
            }
        }
        links
    }
}

/// A lost or spoiled parcel, to be sent again with the next dispatch.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Replacement {
    /// Whose.
    pub subscriber: SubscriberId,
    /// How many bags.
    #[schema(minimum = 1, maximum = 1000)]
    pub bags: u16,
    /// Why.
    pub reason: Note,
    /// The dispatch it went out with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sent_with: Option<DispatchId>,
    /// No longer wanted.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub cancelled: bool,
}

impl Record for Replacement {
    const KIND: &'static str = "replacement";

    fn label(&self) -> Option<String> {
        None
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![Link::new("/subscriber", Subscriber::KIND, self.subscriber)];
        links.extend(
            self.sent_with
                .map(|dispatch| Link::new("/sent_with", Dispatch::KIND, dispatch)),
        );
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        bags_fault("/bags", self.bags).into_iter().collect()
    }
}

/// What is wrong with the coffees of a dispatch.
#[must_use]
pub fn offer_faults(offers: &[Offer]) -> Vec<FieldError> {
    let mut faults = Vec::new();
    if offers.is_empty() || offers.len() > MOST_COFFEES {
        faults.push(fault("/coffees", "name one to twelve coffees"));
    }
    for (i, offer) in offers.iter().enumerate() {
        if offers[..i].iter().any(|other| other.coffee == offer.coffee) {
            faults.push(fault(
                format!("/coffees/{i}/coffee"),
                "this coffee is named twice",
            ));
        }
        if let Some(bags) = offer.from_bags {
            faults.extend(bags_fault(format!("/coffees/{i}/from_bags"), bags));
        }
    }
    faults
}
