//! How numbers and days are written in a sheet: learned from its unmistakable cells, applied to the others.

use crate::day::{Day, TimeOfDay};

/// The sign before the decimals.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// 12.5
    Point,
    /// 12,5
    Comma,
}

/// Which of the first two numbers of a day such as 3/4/2026 is the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DayOrder {
    /// 3 April.
    DayFirst,
    /// 4 March.
    MonthFirst,
}

/// What a sheet's unmistakable cells show; nothing where there are none, or where they disagree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Forms {
    /// The sign before the decimals.
    pub decimal: Option<Sign>,
    /// The order of day and month.
    pub days: Option<DayOrder>,
}

impl Forms {
    /// Learns the forms from cells.
    pub fn of<'a>(cells: impl Iterator<Item = &'a str>) -> Self {
        let (mut signs, mut orders) = ((false, false), (false, false));
        for cell in cells {
            match shape(cell) {
                Some(Shape::Decimal(Sign::Point)) => signs.0 = true,
                Some(Shape::Decimal(Sign::Comma)) => signs.1 = true,
                _ => {}
            }
            match numbers_of_day(cell) {
                Some((first, _, _)) if first > 12 => orders.0 = true,
                Some((_, second, _)) if second > 12 => orders.1 = true,
                _ => {}
            }
        }
        let one = |(a, b): (bool, bool)| a != b;
        Self {
            decimal: one(signs).then_some(if signs.0 { Sign::Point } else { Sign::Comma }),
            days: one(orders).then_some(if orders.0 {
                DayOrder::DayFirst
            } else {
                DayOrder::MonthFirst
            }),
        }
    }

    /// A number with a point before its decimals and nothing between its thousands.
    ///
    /// # Errors
    /// What would be right, where it is no number or could be two.
    pub fn number(self, text: &str) -> Result<String, String> {
        let text = tidy(text);
        let decimal = match shape(&text) {
            None => return Err("a number such as 12.5".to_owned()),
            Some(Shape::Whole) => return Ok(text),
            Some(Shape::Decimal(sign)) => sign,
            Some(Shape::Either(_)) if self.decimal.is_some() => self.decimal.unwrap_or(Sign::Point),
            Some(Shape::Either(sign)) => {
                let (joined, apart) = (text.replace(sign, ""), text.replace(sign, "."));
                return Err(format!(
                    "this could be {joined} or {apart}0: write it as {joined} or as {apart}0"
                ));
            }
        };
        let (point, thousands) = match decimal {
            Sign::Point => ('.', ','),
            Sign::Comma => (',', '.'),
        };
        Ok(text.replace(thousands, "").replace(point, "."))
    }

    /// A day, with its time where one is written behind it.
    ///
    /// # Errors
    /// What would be right, where it is no day or could be two.
    pub fn moment(self, text: &str) -> Result<(Day, Option<TimeOfDay>), String> {
        const RIGHT: &str = "a day such as 2026-11-25";
        let text = text.trim();
        let (day, rest) = split_day(text);
        let time = match rest {
            "" => None,
            rest => Some(time(rest).ok_or("a time such as 07:30 behind the day")?),
        };
        let day = if let Some(day) = year_first(day).or_else(|| with_month_name(day)) {
            day
        } else {
            let (first, second, year) = numbers_of_day(day).ok_or(RIGHT)?;
            let order = if day.contains('.') || first == second {
                Some(DayOrder::DayFirst)
            } else {
                sure_order(first, second).or(self.days)
            };
            let (day, month) = match order {
                Some(DayOrder::DayFirst) => (first, second),
                Some(DayOrder::MonthFirst) => (second, first),
                None => {
                    return Err(format!(
                        "this could be {year}-{second:02}-{first:02} or {year}-{first:02}-{second:02}: write it so"
                    ));
                }
            };
            calendar(year, month, day).ok_or(RIGHT)?
        };
        Ok((day, time))
    }
}

/// A time of day such as `7:30`, `07:30:15` or `7:30 pm`.
pub fn time(text: &str) -> Option<TimeOfDay> {
    let lower = text.trim().to_lowercase();
    let (clock, later) = match (lower.strip_suffix("am"), lower.strip_suffix("pm")) {
        (Some(clock), _) => (clock, Some(0)),
        (_, Some(clock)) => (clock, Some(12)),
        _ => (lower.as_str(), None),
    };
    let mut parts = clock.trim().split(':').map(|part| part.parse::<u32>().ok());
    let (hour, minute) = (parts.next()??, parts.next()??);
    let seconds_fit = parts
        .next()
        .is_none_or(|second| second.is_some_and(|s| s < 60));
    let hour = match later {
        None => hour,
        Some(later) => (1..=12).contains(&hour).then_some(hour % 12 + later)?,
    };
    (hour < 24 && minute < 60 && seconds_fit && parts.next().is_none())
        .then(|| TimeOfDay::from_minutes(hour * 60 + minute))
}

/// What the signs in a number say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shape {
    /// Digits alone.
    Whole,
    /// This sign stands before the decimals.
    Decimal(Sign),
    /// One sign with three digits behind it: before decimals or between thousands.
    Either(char),
}

fn tidy(text: &str) -> String {
    text.trim()
        .chars()
        .filter(|c| !matches!(c, ' ' | '\u{a0}' | '\u{202f}' | '\'' | '\u{2019}'))
        .collect()
}

fn shape(text: &str) -> Option<Shape> {
    let text = tidy(text);
    let digits = text.strip_prefix('-').unwrap_or(&text);
    let known = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',');
    if !digits.chars().all(known) || !digits.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let sign_of = |c: char| if c == '.' { Sign::Point } else { Sign::Comma };
    let other = |c: char| if c == '.' { Sign::Comma } else { Sign::Point };
    let Some(last) = digits.rfind(['.', ',']) else {
        return Some(Shape::Whole);
    };
    let sign = char::from(digits.as_bytes()[last]);
    let (before, behind) = (&digits[..last], &digits[last + 1..]);
    let in_threes = |whole: &str, sign: char| {
        let mut groups = whole.split(sign);
        let first = groups.next().unwrap_or_default();
        (1..=3).contains(&first.len()) && groups.all(|group| group.len() == 3)
    };
    let between = if sign == '.' { ',' } else { '.' };
    if before.contains(sign) {
        // Several of one sign stand between thousands: 1.234.567.
        return (!before.contains(between) && in_threes(digits, sign))
            .then_some(Shape::Decimal(other(sign)));
    }
    if before.contains(between) {
        return in_threes(before, between).then_some(Shape::Decimal(sign_of(sign)));
    }
    let may_be_thousands =
        behind.len() == 3 && (1..=3).contains(&before.len()) && !before.starts_with('0');
    Some(if may_be_thousands {
        Shape::Either(sign)
    } else {
        Shape::Decimal(sign_of(sign))
    })
}

fn sure_order(first: u32, second: u32) -> Option<DayOrder> {
    match (first > 12, second > 12) {
        (true, false) => Some(DayOrder::DayFirst),
        (false, true) => Some(DayOrder::MonthFirst),
        _ => None,
    }
}

/// A text's day and what stands behind it.
fn split_day(text: &str) -> (&str, &str) {
    let named = text.chars().any(char::is_alphabetic) && !text.contains('T');
    let at = if named {
        text.find(':').and_then(|colon| text[..colon].rfind(' '))
    } else {
        text.find([' ', 'T'])
    };
    at.map_or((text, ""), |at| (&text[..at], text[at + 1..].trim()))
}

fn calendar(year: u32, month: u32, day: u32) -> Option<Day> {
    format!("{year:04}-{month:02}-{day:02}").parse().ok()
}

/// 2026-11-25, 2026/11/25, 2026.11.25.
fn year_first(text: &str) -> Option<Day> {
    let parts: Vec<&str> = text.split(['-', '/', '.']).collect();
    let [year, month, day] = parts[..] else {
        return None;
    };
    let number = |text: &str| text.parse::<u32>().ok();
    (year.len() == 4).then(|| calendar(number(year)?, number(month)?, number(day)?))?
}

/// 25 Nov 2026, 25-Nov-26, Nov 25, 2026.
fn with_month_name(text: &str) -> Option<Day> {
    const MONTHS: [&str; 12] = [
        "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec",
    ];
    let lower = text.to_lowercase();
    let parts: Vec<&str> = lower
        .split([' ', '-', '/', ',', '.'])
        .filter(|part| !part.is_empty())
        .collect();
    let [first, second, year] = parts[..] else {
        return None;
    };
    let month = |text: &str| {
        MONTHS
            .iter()
            .zip(1..)
            .find(|(name, _)| text.starts_with(**name))
            .map(|(_, n)| n)
    };
    let (day, month) = match (month(first), month(second)) {
        (None, Some(month)) => (first, month),
        (Some(month), None) => (second, month),
        _ => return None,
    };
    calendar(full_year(year)?, month, day.parse().ok()?)
}

/// First, second and year of 25.11.2026, 25/11/26 or 11-25-2026.
fn numbers_of_day(text: &str) -> Option<(u32, u32, u32)> {
    let (day, _) = split_day(text.trim());
    let sign = day
        .chars()
        .find(|c| !c.is_ascii_digit())
        .filter(|c| matches!(c, '.' | '/' | '-'))?;
    let parts: Vec<&str> = day.split(sign).collect();
    let [first, second, year] = parts[..] else {
        return None;
    };
    let short = |part: &str| {
        (1..=2)
            .contains(&part.len())
            .then(|| part.parse::<u32>().ok())?
    };
    Some((short(first)?, short(second)?, full_year(year)?))
}

fn full_year(text: &str) -> Option<u32> {
    let year: u32 = text.parse().ok()?;
    match text.len() {
        2 => Some(2000 + year),
        4 => Some(year),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn forms(cells: &[&str]) -> Forms {
        Forms::of(cells.iter().copied())
    }

    #[test]
    fn numbers_in_either_form() {
        let unsure = Forms::default();
        for (text, right) in [
            ("12", "12"),
            ("12.5", "12.5"),
            ("12,5", "12.5"),
            ("1.234,5", "1234.5"),
            ("1,234.5", "1234.5"),
            ("1'234.50", "1234.50"),
            ("1 234,5", "1234.5"),
            ("1.234.567", "1234567"),
            ("0,125", "0.125"),
            ("-0.250", "-0.250"),
            ("12.5000", "12.5000"),
            (".5", ".5"),
        ] {
            assert_eq!(unsure.number(text).as_deref(), Ok(right), "{text}");
        }
        for text in [
            "", "twelve", "12 kg", "1.2.3", "1,23.4", "1.2,3.4", "12.500", "12,500", "--1",
        ] {
            assert!(unsure.number(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_sheet_says_how_its_numbers_are_written() {
        let german = forms(&["12,5", "Kivu", "12.500", "2026-11-25"]);
        assert_eq!(german.decimal, Some(Sign::Comma));
        assert_eq!(
            (
                german.number("12.500").as_deref(),
                german.number("12,500").as_deref()
            ),
            (Ok("12500"), Ok("12.500"))
        );
        let english = forms(&["12.5", "12,500"]);
        assert_eq!(
            (
                english.number("12,500").as_deref(),
                english.number("12.500").as_deref()
            ),
            (Ok("12500"), Ok("12.500"))
        );
        assert_eq!(forms(&["12.5", "12,5"]).decimal, None, "they disagree");
        let both = forms(&[]).number("12.500").unwrap_err();
        assert!(both.contains("12500") && both.contains("12.5000"), "{both}");
    }

    #[test]
    fn days_as_people_write_them() {
        let right = Ok(("2026-11-05".parse().unwrap(), None));
        let by_day = forms(&["25/11/2026"]);
        for text in [
            "2026-11-05",
            "2026/11/05",
            "05.11.2026",
            "5.11.26",
            "5/11/2026",
            "05-11-2026",
            "5 Nov 2026",
            "05-Nov-26",
            "Nov 5, 2026",
            "5 November 2026",
        ] {
            assert_eq!(by_day.moment(text), right, "{text}");
        }
        assert_eq!(forms(&["11/25/2026"]).moment("11/5/2026"), right);
        let both = Forms::default().moment("11/5/2026").unwrap_err();
        assert!(
            both.contains("2026-05-11") && both.contains("2026-11-05"),
            "{both}"
        );
        for text in [
            "",
            "yesterday",
            "2026-02-30",
            "31.11.2026",
            "13/13/2026",
            "2026-11",
            "45987",
        ] {
            assert!(by_day.moment(text).is_err(), "{text}");
        }
    }

    #[test]
    fn times_behind_a_day_or_alone() {
        let at = |text: &str| {
            Forms::default()
                .moment(text)
                .map(|(_, time)| time.map(TimeOfDay::minutes))
        };
        for text in [
            "2026-11-25 07:30",
            "2026-11-25T07:30:00",
            "25.11.2026 7:30",
            "25 Nov 2026 7:30 am",
        ] {
            assert_eq!(at(text), Ok(Some(450)), "{text}");
        }
        assert!(at("2026-11-25 half past seven").is_err());
        assert_eq!(time("12:05 AM").map(TimeOfDay::minutes), Some(5));
        assert_eq!(time("12:05 pm").map(TimeOfDay::minutes), Some(725));
        for text in ["24:00", "7", "7:60", "13:00 pm", "7:30:61", "7:30:1:1"] {
            assert_eq!(time(text), None, "{text}");
        }
    }
}
