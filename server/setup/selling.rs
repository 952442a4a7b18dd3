//! Ship days and orders.

use std::collections::BTreeMap;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Dispatch, Link, Product, Record, StandingOrder, Unusual, fault, unless};
use crate::book::leaf::Kind;
use crate::day::{Day, TimeOfDay};
use crate::ids::{DispatchId, ProductId, SiteId, StandingOrderId};
use crate::refusal::{Confirm, FieldError};
use crate::store::{Read, StoreError};
use crate::text::{Name, Note};

/// A day on which coffee leaves the house.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ShipDay {
    /// The day.
    pub day: Day,
    /// The day by whose end everything is packed.
    pub packing_day: Day,
    /// When the carrier comes.
    pub carrier_at: TimeOfDay,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// Called off.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Record for ShipDay {
    const KIND: &'static str = "ship_day";
    const LABEL_AT: &'static str = "/day";

    fn label(&self) -> Option<String> {
        Some(self.day.to_string())
    }

    fn day(&self) -> Option<Day> {
        Some(self.day)
    }

    fn faults(&self) -> Vec<FieldError> {
        if self.packing_day > self.day {
            vec![fault(
                "/packing_day",
                "packing ends on the ship day or before",
            )]
        } else {
            Vec::new()
        }
    }
}

/// A line of an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OrderLine {
    /// Its number in the order.
    #[schema(minimum = 1)]
    pub line: u16,
    /// What is wanted.
    pub product: ProductId,
    /// How many bags.
    #[schema(minimum = 1, maximum = 1_000_000)]
    pub bags: u32,
    /// How the coffee is to be ground; left out for whole beans.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grind: Option<Name>,
}

/// An order for one ship day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Order {
    /// Its number, by which it is known.
    pub number: Name,
    /// Who wants it.
    pub customer: Name,
    /// When it leaves the house.
    pub ship_day: Day,
    /// Days on the way.
    #[schema(maximum = 60)]
    pub transit_days: u16,
    /// Weight of what would be short: 1 or more.
    #[schema(minimum = 1, maximum = 1000)]
    pub priority: u16,
    /// What is wanted.
    #[schema(min_items = 1, max_items = 500)]
    pub lines: Vec<OrderLine>,
    /// Called off.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub cancelled: bool,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// The dispatch that it is part of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dispatch: Option<DispatchId>,
    /// The standing order that it comes from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub standing: Option<StandingOrderId>,
}

/// What is wrong with the lines of an order.
pub(super) fn line_faults(lines: &[OrderLine]) -> Vec<FieldError> {
    let mut faults = Vec::new();
    if lines.is_empty() || lines.len() > 500 {
        faults.push(fault("/lines", "give one to 500 lines"));
    }
    for (i, line) in lines.iter().enumerate() {
        if !(1..=1_000_000).contains(&line.bags) {
            faults.push(fault(
                format!("/lines/{i}/bags"),
                "a whole number of bags, at least 1",
            ));
        }
        if line.line == 0 || lines[..i].iter().any(|other| other.line == line.line) {
            faults.push(fault(
                format!("/lines/{i}/line"),
                "number the lines 1, 2, 3 ... each once",
            ));
        }
    }
    faults
}

impl Order {
    /// How many bags of a product in a grind it asks for.
    fn asks_for(&self, filled: &(ProductId, Option<Name>)) -> u32 {
        let same = |line: &&OrderLine| (line.product, &line.grind) == (filled.0, &filled.1);
        self.lines.iter().filter(same).map(|line| line.bags).sum()
    }

    /// Lines that are cut to fewer bags than stand packed for them: the rest would leave with them.
    async fn fewer_than_packed(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        id: Uuid,
        before: &Self,
    ) -> Result<Option<Unusual>, StoreError> {
        let mut packed: BTreeMap<(ProductId, Option<Name>), i64> = BTreeMap::new();
        for sum in tx.bags_of_orders(site, &[id.into()]).await? {
            let bags = packed.entry((sum.product, sum.grind)).or_default();
            match Kind::of_word(&sum.kind) {
                Some(Kind::Allot | Kind::Pack) => *bags += sum.bags,
                Some(Kind::TakeBack | Kind::Waste) => *bags -= sum.bags,
                _ => {}
            }
        }
        let mut words = Vec::new();
        for (filled, packed) in packed {
            let asks = self.asks_for(&filled);
            if asks >= before.asks_for(&filled) || packed <= i64::from(asks) {
                continue;
            }
            let product = super::find::<Product>(tx, site, filled.0).await?;
            let name = product.map_or_else(String::new, |kept| kept.fields.name.to_string());
            words.push(format!(
                "{packed} bags of {name} are packed for it, and it would ask for {asks}"
            ));
        }
        Ok((!words.is_empty()).then(|| Unusual {
            confirm: Confirm::FewerThanPacked,
            words: format!(
                "{}: what is packed leaves with the order. Ask for as many, or confirm it",
                words.join(", and ")
            ),
        }))
    }
}

#[async_trait]
impl Record for Order {
    const KIND: &'static str = "order";
    const LABEL_AT: &'static str = "/number";

    fn label(&self) -> Option<String> {
        Some(self.number.to_string())
    }

    fn day(&self) -> Option<Day> {
        Some(self.ship_day)
    }

    fn links(&self) -> Vec<Link> {
        let lines = self.lines.iter().enumerate();
        let mut links: Vec<Link> = lines
            .map(|(i, line)| Link::new(format!("/lines/{i}/product"), Product::KIND, line.product))
            .collect();
        links.extend(
            self.dispatch
                .map(|dispatch| Link::new("/dispatch", Dispatch::KIND, dispatch)),
        );
        links.extend(
            self.standing
                .map(|standing| Link::new("/standing", StandingOrder::KIND, standing)),
        );
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        if self.transit_days > 60 {
            faults.push(fault("/transit_days", "at most 60 days on the way"));
        }
        if !(1..=1_000).contains(&self.priority) {
            faults.push(fault(
                "/priority",
                "a whole number from 1 to 1000; 1 is ordinary",
            ));
        }
        faults.extend(line_faults(&self.lines));
        faults
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        _id: Uuid,
        before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        if before.is_some_and(|before| before.ship_day == self.ship_day) {
            return Ok(Vec::new());
        }
        let known = tx
            .record_labelled(site, ShipDay::KIND, &self.ship_day.to_string())
            .await?;
        let open = known.is_some_and(|row| {
            serde_json::from_str::<ShipDay>(&row.body).is_ok_and(|day| !day.retired)
        });
        Ok(if open {
            Vec::new()
        } else {
            vec![fault(
                "/ship_day",
                format!(
                    "{} is no ship day: set one up for it, or choose another",
                    self.ship_day
                ),
            )]
        })
    }

    async fn unusual(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        id: Uuid,
        before: Option<&Self>,
        today: Day,
    ) -> Result<Vec<Unusual>, StoreError> {
        let mut unusual = Vec::new();
        let moved = before.is_none_or(|before| before.ship_day != self.ship_day);
        if moved && self.ship_day < today && !self.cancelled {
            unusual.push(Unusual {
                confirm: Confirm::DayOver,
                words: format!(
                    "{} is over, today is {today}: choose a later ship day, or confirm it if the order left then",
                    self.ship_day
                ),
            });
        }
        if let Some(before) = before.filter(|_| !self.cancelled) {
            unusual.extend(self.fewer_than_packed(tx, site, id, before).await?);
        }
        Ok(unusual)
    }
}
