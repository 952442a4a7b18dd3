//! Standing orders: the same bags on every ship day of a rule.

use serde::{Deserialize, Serialize};

use super::selling::line_faults;
use super::subscription::{priority_fault, ship_faults};
use super::{Link, OrderLine, Product, Record, fault, unless};
use crate::calendar::{MOST_DAYS, ShipRule};
use crate::day::Day;
use crate::refusal::FieldError;
use crate::text::{Name, Note};

/// An order that comes again, every week or by another rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StandingOrder {
    /// Its number, by which it is known; its orders carry it with their ship day.
    pub number: Name,
    /// Who wants it.
    pub customer: Name,
    /// When it leaves the house.
    pub ships: ShipRule,
    /// The first day on which it is wanted.
    pub start: Day,
    /// The last day on which it is wanted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<Day>,
    /// Ship days on which nothing is wanted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 400)]
    pub skips: Vec<Day>,
    /// Days on the way.
    #[schema(maximum = 60)]
    pub transit_days: u16,
    /// Weight of what would be short: 1 or more.
    #[schema(minimum = 1, maximum = 1000)]
    pub priority: u16,
    /// What is wanted each time.
    #[schema(min_items = 1, max_items = 500)]
    pub lines: Vec<OrderLine>,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// Called off.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub cancelled: bool,
}

impl StandingOrder {
    /// Its ship days from one day to another.
    #[must_use]
    pub fn days(&self, from: Day, to: Day) -> Vec<Day> {
        if self.cancelled {
            return Vec::new();
        }
        let last = self.end.map_or(to, |end| end.min(to));
        let mut days = self.ships.days(from.max(self.start), last);
        days.retain(|day| !self.skips.contains(day));
        days
    }
}

impl Record for StandingOrder {
    const KIND: &'static str = "standing_order";
    const LABEL_AT: &'static str = "/number";

    fn label(&self) -> Option<String> {
        Some(self.number.to_string())
    }

    fn links(&self) -> Vec<Link> {
        self.lines
            .iter()
            .enumerate()
            .map(|(i, line)| Link::new(format!("/lines/{i}/product"), Product::KIND, line.product))
            .collect()
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = ship_faults("/ships", &self.ships);
        faults.extend(priority_fault(self.priority));
        faults.extend(line_faults(&self.lines));
        if self.number.as_str().chars().count() > 100 {
            faults.push(fault(
                "/number",
                "at most 100 characters: its orders add their day",
            ));
        }
        if self.end.is_some_and(|end| end < self.start) {
            faults.push(fault("/end", "not before the start"));
        }
        if self.transit_days > 60 {
            faults.push(fault("/transit_days", "at most 60 days on the way"));
        }
        if self.skips.len() > MOST_DAYS {
            faults.push(fault("/skips", "at most 400 days"));
        }
        faults
    }
}
