//! Subscriptions: what is offered, where parcels go, and who takes it.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Coffee, Link, Record, Style, fault, unless};
use crate::calendar::{MOST_DAYS, ShipRule};
use crate::day::{Day, Month};
use crate::ids::{CoffeeId, DestinationId, SiteId, StyleId, SubscriptionId};
use crate::ladder::Ladder;
use crate::mass::Mass;
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};
use crate::text::{Name, Note};

/// The most bags of a subscriber.
pub const MOST_BAGS: u16 = 1_000;

/// Where parcels go: how long they take, and what may not go there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Destination {
    /// Its name.
    pub name: Name,
    /// Days on the way.
    #[schema(maximum = 60)]
    pub transit_days: u16,
    /// Coffees that may not go there, for instance by customs.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 100)]
    pub excluded: Vec<CoffeeId>,
    /// Why nothing can go there now; while this says something, nothing does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<Note>,
    /// No longer offered for choice.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Record for Destination {
    const KIND: &'static str = "destination";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn links(&self) -> Vec<Link> {
        coffees("/excluded", &self.excluded).collect()
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        if self.transit_days > 60 {
            faults.push(fault("/transit_days", "at most 60 days on the way"));
        }
        if self.excluded.len() > 100 {
            faults.push(fault("/excluded", "at most 100 coffees"));
        }
        faults
    }
}

/// A subscription as it is offered: when it leaves, in what bags and styles, and which coffees a subscriber of so many bags gets.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Subscription {
    /// Its name.
    pub name: Name,
    /// When it leaves the house.
    pub ships: ShipRule,
    /// Its list is frozen at the end of the day so many days before the ship day.
    #[schema(maximum = 60)]
    pub cut_off_before: u8,
    /// The styles it comes in. A mixed subscriber gets the first two, half and half, and the odd bag in the first.
    #[schema(min_items = 1, max_items = 12)]
    pub styles: Vec<StyleId>,
    /// The label weight of a bag.
    pub bag_g: Mass,
    /// Which coffees a subscriber of so many bags gets; left out: the usual ladder of as many coffees as a dispatch has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ladder: Option<Ladder>,
    /// Weight of what would be short: 1 or more.
    #[schema(minimum = 1, maximum = 1000)]
    pub priority: u16,
    /// No longer offered.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Record for Subscription {
    const KIND: &'static str = "subscription";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn links(&self) -> Vec<Link> {
        self.styles
            .iter()
            .enumerate()
            .map(|(i, style)| Link::new(format!("/styles/{i}"), Style::KIND, *style))
            .collect()
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = ship_faults("/ships", &self.ships);
        if self.cut_off_before > 60 {
            faults.push(fault("/cut_off_before", "at most 60 days before"));
        }
        faults.extend(style_faults("/styles", &self.styles, 12));
        if self.bag_g < Mass::GRAM || self.bag_g.whole_grams() > 100_000 {
            faults.push(fault("/bag_g", "a bag holds between 1 g and 100 kg"));
        }
        faults.extend(ladder_fault(self.ladder.as_ref()));
        faults.extend(priority_fault(self.priority));
        faults
    }
}

/// Who takes a subscription.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Subscriber {
    /// Their number, by which they are known.
    pub number: Name,
    /// Their name.
    pub name: Name,
    /// What they take.
    pub subscription: SubscriptionId,
    /// How many bags of each dispatch.
    #[schema(minimum = 1, maximum = 1000)]
    pub bags: u16,
    /// In which style; two for mixed: half and half, the odd bag in the first.
    #[schema(min_items = 1, max_items = 2)]
    pub styles: Vec<StyleId>,
    /// Where it goes.
    pub destination: DestinationId,
    /// The first day on which they are served.
    pub start: Day,
    /// The last day that is paid for, such as of a gift.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub prepaid_until: Option<Day>,
    /// The last day on which they want it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ended: Option<Day>,
    /// Months in which they want nothing.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 100)]
    pub paused: Vec<Month>,
    /// Coffees they do not want.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 100)]
    pub left_out: Vec<CoffeeId>,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}

#[async_trait]
impl Record for Subscriber {
    const KIND: &'static str = "subscriber";
    const LABEL_AT: &'static str = "/number";

    fn label(&self) -> Option<String> {
        Some(self.number.to_string())
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![
            Link::new("/subscription", Subscription::KIND, self.subscription),
            Link::new("/destination", Destination::KIND, self.destination),
        ];
        links.extend(
            self.styles
                .iter()
                .enumerate()
                .map(|(i, style)| Link::new(format!("/styles/{i}"), Style::KIND, *style)),
        );
        links.extend(coffees("/left_out", &self.left_out));
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = style_faults("/styles", &self.styles, 2);
        faults.extend(bags_fault("/bags", self.bags));
        for (at, end) in [
            ("/prepaid_until", self.prepaid_until),
            ("/ended", self.ended),
        ] {
            if end.is_some_and(|end| end < self.start) {
                faults.push(fault(at, "not before the start"));
            }
        }
        if self.paused.len() > 100 || self.left_out.len() > 100 {
            faults.push(fault("", "at most 100 paused months and left-out coffees"));
        }
        faults
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        _id: Uuid,
        _before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        Ok(not_offered(tx, site, self.subscription, "/styles", &self.styles).await?)
    }
}

/// What is wrong with the days by rule.
pub(super) fn ship_faults(at: &str, ships: &ShipRule) -> Vec<FieldError> {
    let mut faults = Vec::new();
    if let Some(wrong) = ships.rule.fault() {
        faults.push(fault(format!("{at}/rule"), wrong));
    }
    if ships.avoid.len() > MOST_DAYS {
        faults.push(fault(format!("{at}/avoid"), "at most 400 days to avoid"));
    }
    if ships.packed_before > 30 {
        faults.push(fault(
            format!("{at}/packed_before"),
            "at most 30 days before",
        ));
    }
    faults
}

/// What is wrong with a priority.
pub(super) fn priority_fault(priority: u16) -> Option<FieldError> {
    (!(1..=1_000).contains(&priority))
        .then(|| fault("/priority", "a whole number from 1 to 1000; 1 is ordinary"))
}

pub(super) fn bags_fault(at: impl Into<String>, bags: u16) -> Option<FieldError> {
    (!(1..=MOST_BAGS).contains(&bags)).then(|| fault(at, "a whole number of bags from 1 to 1000"))
}

pub(super) fn style_faults(at: &str, styles: &[StyleId], most: usize) -> Vec<FieldError> {
    if styles.is_empty() || styles.len() > most {
        return vec![fault(at, format!("name one to {most} styles"))];
    }
    let twice = (1..styles.len()).find(|i| styles[..*i].contains(&styles[*i]));
    twice
        .map(|i| fault(format!("{at}/{i}"), "this style is named twice"))
        .into_iter()
        .collect()
}

fn ladder_fault(ladder: Option<&Ladder>) -> Option<FieldError> {
    let (rung, detail) = ladder?.fault()?;
    Some(fault(format!("/ladder/{rung}"), detail))
}

fn coffees<'a>(at: &'a str, coffees: &'a [CoffeeId]) -> impl Iterator<Item = Link> + 'a {
    coffees
        .iter()
        .enumerate()
        .map(move |(i, coffee)| Link::new(format!("{at}/{i}"), Coffee::KIND, *coffee))
}

/// Styles that a subscription does not come in.
pub(super) async fn not_offered(
    tx: &mut dyn Read,
    site: SiteId,
    subscription: SubscriptionId,
    at: &str,
    styles: &[StyleId],
) -> Result<Vec<FieldError>, StoreError> {
    let Some(subscription) = super::find::<Subscription>(tx, site, subscription).await? else {
        return Ok(Vec::new());
    };
    let missing = styles
        .iter()
        .position(|style| !subscription.fields.styles.contains(style));
    Ok(missing
        .map(|i| {
            fault(
                format!("{at}/{i}"),
                format!("{} does not come in this style", subscription.fields.name),
            )
        })
        .into_iter()
        .collect())
}
