//! On which days coffee leaves the house, by rule: the n-th or last weekday of the month, every so many weeks, or days that are named.
//!
//! Weekdays are those of ISO 8601: 1 is Monday, 7 is Sunday.

use serde::{Deserialize, Serialize};

use crate::day::{Day, TimeOfDay};

/// A ship day that is to be avoided is moved by at most so many days.
const MOST_MOVED: i64 = 14;
/// At most so many named days, days to avoid or skips.
pub const MOST_DAYS: usize = 400;

/// Which days.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(tag = "every", rename_all = "snake_case", deny_unknown_fields)]
pub enum Rule {
    /// The n-th of a weekday in each month, such as the second Tuesday; months without a fifth are left out.
    NthWeekday {
        /// 1 is Monday, 7 is Sunday (ISO 8601).
        #[schema(minimum = 1, maximum = 7)]
        weekday: u8,
        /// 1 is the first, 5 the fifth.
        #[schema(minimum = 1, maximum = 5)]
        nth: u8,
    },
    /// The last of a weekday in each month.
    LastWeekday {
        /// 1 is Monday, 7 is Sunday (ISO 8601).
        #[schema(minimum = 1, maximum = 7)]
        weekday: u8,
    },
    /// Every so many weeks, counted from a day.
    Weeks {
        /// 1 is every week, 2 every other.
        #[schema(minimum = 1, maximum = 52)]
        weeks: u8,
        /// The first of the days.
        from: Day,
    },
    /// The days that are named.
    Days {
        /// Which.
        #[schema(max_items = 400)]
        days: Vec<Day>,
    },
}

/// Where a ship day goes that is to be avoided.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Moved {
    /// To the last working day before.
    #[default]
    Before,
    /// To the first working day after.
    After,
    /// It falls out.
    Out,
}

/// The days by rule, with holidays to avoid, and how long before them packing ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ShipRule {
    /// Which days.
    pub rule: Rule,
    /// Days on which nothing leaves, such as public holidays.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 400)]
    pub avoid: Vec<Day>,
    /// Where a day to avoid goes.
    #[serde(default)]
    pub moved: Moved,
    /// Packing ends so many days before the ship day.
    #[schema(maximum = 30)]
    pub packed_before: u8,
    /// When the carrier comes.
    pub carrier_at: TimeOfDay,
}

impl Rule {
    /// Its days from one to another, in order, before any is moved.
    #[must_use]
    pub fn days(&self, from: Day, to: Day) -> Vec<Day> {
        let mut days: Vec<Day> = match self {
            Self::NthWeekday { weekday, nth } => months(from, to)
                .filter_map(|month| month.nth_weekday(monday_0(*weekday), i64::from(*nth)))
                .collect(),
            Self::LastWeekday { weekday } => months(from, to)
                .filter_map(|month| {
                    let nth = |n| month.nth_weekday(monday_0(*weekday), n);
                    nth(5).or_else(|| nth(4))
                })
                .collect(),
            Self::Weeks { weeks, from: first } => weekly(*weeks, *first, from, to),
            Self::Days { days } => days.clone(),
        };
        days.retain(|day| (from..=to).contains(day));
        days.sort_unstable();
        days.dedup();
        days
    }

    /// What is wrong with it, in words; nothing if it will do.
    #[must_use]
    pub fn fault(&self) -> Option<&'static str> {
        let weekday = |weekday: &u8| (1..=7).contains(weekday);
        match self {
            Self::NthWeekday { weekday: on, .. } | Self::LastWeekday { weekday: on }
                if !weekday(on) =>
            {
                Some("a weekday from 1 (Monday) to 7 (Sunday)")
            }
            Self::NthWeekday { nth, .. } if !(1..=5).contains(nth) => {
                Some("the first to the fifth: a number from 1 to 5")
            }
            Self::Weeks { weeks, .. } if !(1..=52).contains(weeks) => Some("every 1 to 52 weeks"),
            Self::Days { days } if days.is_empty() || days.len() > MOST_DAYS => {
                Some("name one to 400 days")
            }
            _ => None,
        }
    }
}

impl ShipRule {
    /// The ship days from one day to another, in order: those to avoid are moved.
    #[must_use]
    pub fn days(&self, from: Day, to: Day) -> Vec<Day> {
        let near = self.rule.days(from.plus(-MOST_MOVED), to.plus(MOST_MOVED));
        let mut days: Vec<Day> = near
            .into_iter()
            .filter_map(|day| self.settle(day))
            .collect();
        days.retain(|day| (from..=to).contains(day));
        days.sort_unstable();
        days.dedup();
        days
    }

    /// Where a day of the rule ends up: itself, or the nearest working day on the side that is said; none where it falls out.
    fn settle(&self, day: Day) -> Option<Day> {
        if !self.avoid.contains(&day) {
            return Some(day);
        }
        let step = match self.moved {
            Moved::Before => -1,
            Moved::After => 1,
            Moved::Out => return None,
        };
        (1..=MOST_MOVED)
            .map(|n| day.plus(n * step))
            .find(|day| day.weekday() < 5 && !self.avoid.contains(day))
    }

    /// The day by whose end everything is packed that leaves on a ship day.
    #[must_use]
    pub fn packing_day(&self, ship_day: Day) -> Day {
        ship_day.plus(-i64::from(self.packed_before))
    }
}

fn monday_0(weekday: u8) -> usize {
    usize::from(weekday.saturating_sub(1))
}

/// The first day of each month that touches the days.
fn months(from: Day, to: Day) -> impl Iterator<Item = Day> {
    std::iter::successors(Some(from.month_start()), |month| {
        Some(month.plus(31).month_start()).filter(|next| next > month)
    })
    .take_while(move |month| *month <= to)
}

/// Every so many weeks, counted from the first.
fn weekly(weeks: u8, first: Day, from: Day, to: Day) -> Vec<Day> {
    let step = 7 * i64::from(weeks.max(1));
    let begun = (from.since(first) + step - 1).div_euclid(step).max(0);
    (begun..)
        .map(|n| first.plus(n * step))
        .take_while(|day| *day <= to)
        .take(10_000)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Days by rule as institutions publish them in their own calendars; the source stands in each row.
    const PUBLISHED: &str = include_str!("../tests/calendar/rules.csv");

    fn day(text: &str) -> Day {
        text.parse().unwrap()
    }

    fn ships(rule: Rule, avoid: &[&str], moved: Moved) -> ShipRule {
        ShipRule {
            rule,
            avoid: avoid.iter().map(|text| day(text)).collect(),
            moved,
            packed_before: 1,
            carrier_at: TimeOfDay::from_minutes(15 * 60),
        }
    }

    #[test]
    fn days_are_those_of_published_calendars() {
        let mut reader = csv::Reader::from_reader(PUBLISHED.as_bytes());
        let mut checked = 0;
        for row in reader.records().map(Result::unwrap) {
            let weekday = row[1].parse().unwrap();
            let rule = match &row[0] {
                "last" => Rule::LastWeekday { weekday },
                nth => Rule::NthWeekday {
                    weekday,
                    nth: nth.parse().unwrap(),
                },
            };
            let expected = day(&row[2]);
            let month = expected.month_start();
            let last = month.plus(31).month_start().plus(-1);
            assert_eq!(rule.days(month, last), [expected], "{row:?}");
            checked += 1;
        }
        assert!(checked >= 30, "{checked}");
    }

    #[test]
    fn a_month_without_a_fifth_tuesday_is_left_out() {
        let rule = Rule::NthWeekday { weekday: 2, nth: 5 };
        // By ISO 8601 week dates: 2026-09-29 is 2026-W40-2, 2026-12-29 is 2026-W53-2; October and November have four Tuesdays.
        let days = rule.days(day("2026-09-01"), day("2026-12-31"));
        assert_eq!(days, [day("2026-09-29"), day("2026-12-29")]);
        assert_eq!(days[1].iso_week(), "2026-W53");
    }

    #[test]
    fn every_other_week_crosses_the_53rd_week() {
        let rule = Rule::Weeks {
            weeks: 2,
            from: day("2026-12-02"),
        };
        let days = rule.days(day("2026-11-01"), day("2027-01-31"));
        let weeks: Vec<String> = days.iter().map(|day| day.iso_week()).collect();
        assert_eq!(
            weeks,
            ["2026-W49", "2026-W51", "2026-W53", "2027-W02", "2027-W04"]
        );
        let late = rule.days(day("2027-01-01"), day("2027-01-13"));
        assert_eq!(late, [day("2027-01-13")]);
    }

    #[test]
    fn a_holiday_is_avoided_on_the_side_that_is_said() {
        // Friday 25 December 2026 and the Monday after, as public holidays.
        let rule = || Rule::LastWeekday { weekday: 5 };
        let avoid = ["2026-12-25", "2026-12-28"];
        let days = |moved| ships(rule(), &avoid, moved).days(day("2026-12-01"), day("2026-12-31"));
        assert_eq!(days(Moved::Before), [day("2026-12-24")]);
        assert_eq!(days(Moved::After), [day("2026-12-29")]);
        assert_eq!(days(Moved::Out), []);
    }

    #[test]
    fn a_day_that_is_moved_across_the_range_is_found_once() {
        let ships = ships(
            Rule::Days {
                days: vec![day("2027-01-01")],
            },
            &["2027-01-01"],
            Moved::Before,
        );
        assert_eq!(
            ships.days(day("2026-12-01"), day("2026-12-31")),
            [day("2026-12-31")]
        );
        assert_eq!(ships.days(day("2027-01-01"), day("2027-01-31")), []);
        assert_eq!(ships.packing_day(day("2026-12-31")), day("2026-12-30"));
    }

    proptest! {
        /// Each month has its last weekday within its last seven days, and its n-th within the n-th seven.
        #[test]
        fn a_weekday_of_the_month_stands_in_its_seven_days(start in 0_i64..36_000, weekday in 1_u8..=7, nth in 1_u8..=5) {
            let month = day("1980-01-01").plus(start).month_start();
            let next = month.plus(31).month_start();
            let last = Rule::LastWeekday { weekday }.days(month, next.plus(-1));
            prop_assert_eq!(last.len(), 1);
            prop_assert!(next.since(last[0]) <= 7);
            prop_assert_eq!(last[0].weekday(), monday_0(weekday));
            for found in (Rule::NthWeekday { weekday, nth }).days(month, next.plus(-1)) {
                let within = found.since(month) - 7 * (i64::from(nth) - 1);
                prop_assert!((0..7).contains(&within));
            }
        }

        /// Weekly days do not depend on where one begins to look.
        #[test]
        fn weeks_are_counted_from_their_first_day(weeks in 1_u8..=8, cut in 0_i64..200) {
            let first = day("2026-11-25");
            let rule = Rule::Weeks { weeks, from: first };
            let whole = rule.days(first, first.plus(300));
            let mut parts = rule.days(first, first.plus(cut));
            parts.extend(rule.days(first.plus(cut + 1), first.plus(300)));
            prop_assert!(whole.windows(2).all(|two| two[1].since(two[0]) == 7 * i64::from(weeks)));
            prop_assert_eq!(whole, parts);
        }

        /// No ship day is one to avoid.
        #[test]
        fn no_day_is_one_to_avoid(avoid in proptest::collection::vec(0_i64..60, 0..20), after in proptest::bool::ANY) {
            let first = day("2026-11-25");
            let mut ships = ships(Rule::Weeks { weeks: 1, from: first }, &[], if after { Moved::After } else { Moved::Before });
            ships.avoid = avoid.iter().map(|n| first.plus(*n)).collect();
            for found in ships.days(first, first.plus(60)) {
                prop_assert!(!ships.avoid.contains(&found));
            }
        }
    }
}
