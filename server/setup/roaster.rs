//! Roasters and their hours.

use serde::{Deserialize, Serialize};

use super::{Link, Lot, Record, Scale, Style, fault, unless};
use crate::day::{Day, TimeOfDay};
use crate::ids::{LotId, ScaleId, StyleId};
use crate::mass::Mass;
use crate::refusal::FieldError;
use crate::text::{Name, Note};

/// The hours of one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DayHours {
    /// When work begins.
    pub from: TimeOfDay,
    /// When it ends.
    pub to: TimeOfDay,
}

impl DayHours {
    /// Minutes of work.
    #[must_use]
    pub const fn minutes(self) -> u32 {
        self.to.minutes().saturating_sub(self.from.minutes())
    }
}

/// A day with other hours than its weekday's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Exception {
    /// The day.
    pub day: Day,
    /// Its hours; null where closed.
    pub hours: Option<DayHours>,
    /// Why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}

/// Where roasted coffee is weighed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Weighs {
    /// Stones are still in it.
    BeforeDestoner,
    /// Stones are out of it.
    AfterDestoner,
}

/// Charge limits that differ for a lot or a size grade.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChargeLimit {
    /// For this lot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<LotId>,
    /// For lots of this size grade.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grade: Option<Name>,
    /// Smallest charge.
    pub min_charge_g: Mass,
    /// Largest charge.
    pub max_charge_g: Mass,
}

/// A pause in which a roaster is cleaned: chaff burns, and clogged pipes draw badly.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Cleaning {
    /// After so many batches of a day, and so many again.
    #[schema(minimum = 1, maximum = 1_000)]
    pub batches: u32,
    /// Minutes of it.
    #[schema(minimum = 1, maximum = 1440)]
    pub minutes: u32,
}

impl Cleaning {
    /// Minutes of cleaning before a day's batch of this number, counted from 0.
    #[must_use]
    pub const fn before(self, batch: u32) -> u32 {
        if batch > 0 && batch.is_multiple_of(self.batches) {
            self.minutes
        } else {
            0
        }
    }
}

/// A roaster with its scales and hours.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Roaster {
    /// Its name.
    pub name: Name,
    /// Smallest charge of green.
    pub min_charge_g: Mass,
    /// Largest charge of green.
    pub max_charge_g: Mass,
    /// Charges are whole multiples of this.
    pub step_g: Mass,
    /// Minutes of one batch, charge to charge.
    #[schema(minimum = 1, maximum = 1440)]
    pub cycle_min: u32,
    /// Minutes for changing to another lot or style.
    #[schema(maximum = 1440)]
    pub changeover_min: u32,
    /// Minutes for heating up, once a day.
    #[schema(maximum = 1440)]
    pub startup_min: u32,
    /// When it is cleaned in between; left out: when the day's work is done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cleaning: Option<Cleaning>,
    /// Hours by weekday, Monday first; null where closed.
    #[schema(value_type = Vec<Option<DayHours>>, min_items = 7, max_items = 7)]
    pub hours: [Option<DayHours>; 7],
    /// Days with other hours.
    #[schema(max_items = 1000)]
    pub exceptions: Vec<Exception>,
    /// The styles it roasts; left out: all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub styles: Option<Vec<StyleId>>,
    /// Whether roasted coffee is weighed before or after the destoner.
    pub weighs: Weighs,
    /// The scale for green.
    pub green_scale: ScaleId,
    /// The scale for roasted coffee.
    pub roasted_scale: ScaleId,
    /// Limits that differ for a lot or a grade.
    #[schema(max_items = 200)]
    pub charge_limits: Vec<ChargeLimit>,
    /// Whether it roasts samples only.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub sample_roaster: bool,
    /// No longer used.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Roaster {
    /// The hours of a day; none where closed.
    #[must_use]
    pub fn hours_on(&self, day: Day) -> Option<DayHours> {
        let exception = self
            .exceptions
            .iter()
            .rev()
            .find(|exception| exception.day == day);
        exception.map_or_else(|| self.hours[day.weekday()], |exception| exception.hours)
    }

    fn limit_faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        for (i, limit) in self.charge_limits.iter().enumerate() {
            if limit.lot.is_some() == limit.grade.is_some() {
                faults.push(fault(
                    format!("/charge_limits/{i}"),
                    "name either a lot or a grade",
                ));
            }
            if !limit.min_charge_g.is_positive() || limit.min_charge_g > limit.max_charge_g {
                faults.push(fault(
                    format!("/charge_limits/{i}"),
                    "the smallest charge is more than nothing and at most the largest",
                ));
            }
        }
        faults
    }

    fn hour_faults(&self) -> Vec<FieldError> {
        let hours = self
            .hours
            .iter()
            .enumerate()
            .filter_map(|(i, hours)| hours.map(|h| (format!("/hours/{i}"), h)));
        let exceptions = self
            .exceptions
            .iter()
            .enumerate()
            .filter_map(|(i, e)| e.hours.map(|h| (format!("/exceptions/{i}/hours"), h)));
        hours
            .chain(exceptions)
            .filter(|(_, h)| h.minutes() == 0)
            .map(|(at, _)| fault(at, "work ends after it begins; use null for a closed day"))
            .collect()
    }

    /// Whether it roasts a style.
    #[must_use]
    pub fn roasts(&self, style: StyleId) -> bool {
        self.styles
            .as_ref()
            .is_none_or(|styles| styles.contains(&style))
    }
}

impl Record for Roaster {
    const KIND: &'static str = "roaster";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![
            Link::new("/green_scale", Scale::KIND, self.green_scale),
            Link::new("/roasted_scale", Scale::KIND, self.roasted_scale),
        ];
        links.extend(
            self.styles
                .iter()
                .flatten()
                .enumerate()
                .map(|(i, style)| Link::new(format!("/styles/{i}"), Style::KIND, *style)),
        );
        let limited = self
            .charge_limits
            .iter()
            .enumerate()
            .filter_map(|(i, limit)| limit.lot.map(|lot| (i, lot)));
        links.extend(
            limited.map(|(i, lot)| Link::new(format!("/charge_limits/{i}/lot"), Lot::KIND, lot)),
        );
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        let whole = |mass: Mass| mass.mg() % 1_000 == 0;
        if !self.max_charge_g.is_positive() || self.max_charge_g.whole_grams() > 10_000_000 {
            faults.push(fault(
                "/max_charge_g",
                "the largest charge is more than nothing and at most 10 t",
            ));
        } else if !self.min_charge_g.is_positive() || self.min_charge_g > self.max_charge_g {
            faults.push(fault(
                "/min_charge_g",
                "the smallest charge is more than nothing and at most the largest",
            ));
        }
        if !self.step_g.is_positive()
            || !whole(self.step_g)
            || !whole(self.min_charge_g)
            || !whole(self.max_charge_g)
        {
            faults.push(fault(
                "/step_g",
                "charges and their step are whole grams; the step is at least 1 g",
            ));
        } else if self.max_charge_g.mg() / self.step_g.mg() * self.step_g.mg()
            < self.min_charge_g.mg()
        {
            faults.push(fault(
                "/step_g",
                "no multiple of the step lies between the smallest and the largest charge",
            ));
        }
        if !(1..=1_440).contains(&self.cycle_min)
            || self.changeover_min > 1_440
            || self.startup_min > 1_440
        {
            faults.push(fault(
                "/cycle_min",
                "minutes between 1 and 1440 (change-over and start-up: from 0)",
            ));
        }
        let cleaned = |cleaning: Cleaning| {
            (1..=1_000).contains(&cleaning.batches) && (1..=1_440).contains(&cleaning.minutes)
        };
        if !self.cleaning.is_none_or(cleaned) {
            faults.push(fault(
                "/cleaning",
                "cleaned after 1 to 1000 batches, for 1 to 1440 minutes",
            ));
        }
        faults.extend(self.hour_faults());
        if self.exceptions.len() > 1_000 || self.charge_limits.len() > 200 {
            faults.push(fault("", "at most 1000 exceptions and 200 charge limits"));
        }
        faults.extend(self.limit_faults());
        faults
    }
}
