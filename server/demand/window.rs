//! On which days coffee may be roasted so that it has rested when it is packed and is fresh when it arrives.

use crate::day::Day;
use crate::setup::{ShipDay, Style};

/// The first and last roasting day that will do; there may be none, and then the first is after the last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// The first day.
    pub from: Day,
    /// The last day.
    pub to: Day,
}

impl Window {
    /// Whether a day lies in it.
    #[must_use]
    pub fn contains(self, day: Day) -> bool {
        self.from <= day && day <= self.to
    }

    /// Whether no day does.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.from > self.to
    }
}

/// The window of coffee that leaves on a ship day: it rests until it is packed, and at most `fresh_days` lie between roasting and arrival.
#[must_use]
pub fn window(ship: &ShipDay, transit_days: u16, style: &Style) -> Window {
    Window {
        from: ship
            .day
            .plus(i64::from(transit_days) - i64::from(style.fresh_days)),
        to: ship.packing_day.plus(-i64::from(style.rest_days)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO week dates by the examples of ISO 8601 and notes on it; the source stands in each row.
    const ISO_WEEK_DATES: &str = include_str!("../../tests/calendar/iso-week-dates.csv");
    /// First Wednesdays of months with their ISO week dates; plain arithmetic on the Gregorian calendar.
    const FIRST_WEDNESDAYS: &str = include_str!("../../tests/calendar/first-wednesdays.csv");

    fn day(text: &str) -> Day {
        text.parse().unwrap()
    }

    fn style(rest_days: u16, fresh_days: u16) -> Style {
        serde_json::from_value(serde_json::json!({
            "name": "Filter", "nominal_loss": 0.14, "rest_days": rest_days, "fresh_days": fresh_days, "shade": 1
        }))
        .unwrap()
    }

    fn ship(day: &str, packing_day: &str) -> ShipDay {
        serde_json::from_value(
            serde_json::json!({"day": day, "packing_day": packing_day, "carrier_at": "15:00"}),
        )
        .unwrap()
    }

    fn rows(text: &'static str) -> impl Iterator<Item = Vec<String>> {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
        rows.into_iter()
            .map(|row| row.iter().map(str::to_owned).collect())
    }

    fn iso_week_date(day: Day) -> String {
        format!("{}-{}", day.iso_week(), day.weekday() + 1)
    }

    #[test]
    fn weeks_are_those_of_iso_8601() {
        let mut checked = 0;
        for row in rows(ISO_WEEK_DATES) {
            assert_eq!(iso_week_date(day(&row[0])), row[1], "{}", row[0]);
            checked += 1;
        }
        assert!(checked >= 20);
    }

    #[test]
    fn a_monthly_ship_day_on_the_first_wednesday() {
        for row in rows(FIRST_WEDNESDAYS) {
            let first = day(&format!("{}-01", row[0]));
            let wednesday = first.nth_weekday(2, 1).unwrap();
            assert_eq!(wednesday.to_string(), row[1]);
            assert_eq!(iso_week_date(wednesday), row[2]);
            // Packed the day before, three days' rest, a day on the way, two weeks fresh: the last roasting day is the Saturday before.
            let packed = wednesday.plus(-1).to_string();
            let found = window(&ship(&row[1], &packed), 1, &style(3, 14));
            assert_eq!(found.to.weekday(), 5, "{found:?}");
            assert_eq!(wednesday.since(found.to), 4);
            assert_eq!(wednesday.since(found.from), 13);
        }
    }

    #[test]
    fn a_window_across_the_turn_of_a_53_week_year() {
        // 2026 has 53 weeks: 31 December is 2026-W53-4 and 3 January 2027 is 2026-W53-7.
        let found = window(&ship("2027-01-05", "2027-01-04"), 2, &style(1, 9));
        assert_eq!(iso_week_date(found.to), "2026-W53-7");
        assert_eq!(found.from, day("2026-12-29"));
        assert!(found.contains(day("2026-12-31")) && !found.contains(day("2027-01-04")));
    }

    #[test]
    fn leap_day_and_windows_without_a_day() {
        let found = window(&ship("2028-03-01", "2028-03-01"), 0, &style(1, 1));
        assert_eq!(
            (found.from, found.to),
            (day("2028-02-29"), day("2028-02-29"))
        );
        assert!(window(&ship("2028-03-01", "2028-03-01"), 4, &style(5, 7)).is_empty());
    }
}
