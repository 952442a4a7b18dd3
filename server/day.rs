//! Days and instants. A day is a local date of the site; an instant is a point of time, in whole milliseconds.

use std::fmt;
use std::str::FromStr;

use chrono::{
    DateTime, Datelike, Days, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, SecondsFormat,
    TimeZone, Timelike, Utc,
};
use chrono_tz::Tz;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// A calendar day between 1970 and 9999, written `2026-11-25` (ISO 8601).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(NaiveDate);

/// A text that names no day or time.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct CalendarText(&'static str);

impl Day {
    /// The day `days` later, or earlier if negative; stops at the ends of the calendar.
    #[must_use]
    pub fn plus(self, days: i64) -> Self {
        let n = Days::new(days.unsigned_abs());
        let moved = if days < 0 {
            self.0.checked_sub_days(n)
        } else {
            self.0.checked_add_days(n)
        };
        Self(moved.unwrap_or(self.0))
    }

    /// Days from `earlier` to this one.
    #[must_use]
    pub fn since(self, earlier: Self) -> i64 {
        self.0.signed_duration_since(earlier.0).num_days()
    }

    /// Monday is 0, Sunday 6.
    #[must_use]
    pub fn weekday(self) -> usize {
        self.0
            .weekday()
            .num_days_from_monday()
            .try_into()
            .unwrap_or(0)
    }

    /// The month as `2026-11`.
    #[must_use]
    pub fn month(self) -> String {
        self.0.format("%Y-%m").to_string()
    }

    /// The first day of its month.
    #[must_use]
    pub fn month_start(self) -> Self {
        self.plus(1 - i64::from(self.0.day()))
    }

    /// The week as `2026-W48` (ISO 8601).
    #[must_use]
    pub fn iso_week(self) -> String {
        let week = self.0.iso_week();
        format!("{:04}-W{:02}", week.year(), week.week())
    }

    /// The `n`-th (1..) given weekday (Monday 0) of this day's month; none if the month has fewer.
    #[must_use]
    pub fn nth_weekday(self, weekday: usize, n: i64) -> Option<Self> {
        let first = self.month_start();
        let offset = (7 + i64::try_from(weekday).ok()? - i64::try_from(first.weekday()).ok()?) % 7;
        let day = first.plus(offset + 7 * (n - 1));
        (day.month() == self.month()).then_some(day)
    }

    /// The short English name and date for people: `Wed 25 Nov`.
    #[must_use]
    pub fn short(self) -> String {
        self.0.format("%a %-d %b").to_string()
    }

    /// The same for people who read it on a day, with the year instead of the weekday where that is another: `25 Nov 2025`.
    #[must_use]
    pub fn short_on(self, today: Self) -> String {
        if self.0.year() == today.0.year() {
            self.short()
        } else {
            self.0.format("%-d %b %Y").to_string()
        }
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.format("%Y-%m-%d").fmt(f)
    }
}

impl FromStr for Day {
    type Err = CalendarText;

    fn from_str(text: &str) -> Result<Self, CalendarText> {
        let plain = text.len() == 10
            && text.bytes().enumerate().all(|(i, b)| {
                if i == 4 || i == 7 {
                    b == b'-'
                } else {
                    b.is_ascii_digit()
                }
            });
        let day = plain
            .then(|| NaiveDate::parse_from_str(text, "%Y-%m-%d").ok())
            .flatten();
        day.filter(|d| (1970..=9999).contains(&d.year()))
            .map(Self)
            .ok_or(CalendarText("write the day as 2026-11-25"))
    }
}

/// A calendar month, written `2026-11` (ISO 8601).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Month(Day);

impl Month {
    /// The month of a day.
    #[must_use]
    pub fn of(day: Day) -> Self {
        Self(day.month_start())
    }
}

impl fmt::Display for Month {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.month())
    }
}

impl FromStr for Month {
    type Err = CalendarText;

    fn from_str(text: &str) -> Result<Self, CalendarText> {
        format!("{text}-01")
            .parse()
            .map(Self)
            .map_err(|_| CalendarText("write the month as 2026-11"))
    }
}

/// A time of day in whole minutes, written `07:30`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TimeOfDay(u32);

impl TimeOfDay {
    /// `minutes` after midnight, up to 24:00.
    #[must_use]
    pub fn from_minutes(minutes: u32) -> Self {
        Self(minutes.min(24 * 60))
    }

    /// Minutes after midnight.
    #[must_use]
    pub const fn minutes(self) -> u32 {
        self.0
    }
}

impl fmt::Display for TimeOfDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}:{:02}", self.0 / 60, self.0 % 60)
    }
}

impl FromStr for TimeOfDay {
    type Err = CalendarText;

    fn from_str(text: &str) -> Result<Self, CalendarText> {
        let why = CalendarText("write the time as 07:30");
        let (h, m) = text
            .split_once(':')
            .filter(|(h, m)| h.len() == 2 && m.len() == 2)
            .ok_or(why.clone())?;
        let plain = |part: &str| {
            part.bytes()
                .all(|b| b.is_ascii_digit())
                .then(|| part.parse::<u32>().ok())
                .flatten()
        };
        let (h, m) = plain(h).zip(plain(m)).ok_or(why.clone())?;
        if m < 60 && h * 60 + m <= 24 * 60 {
            Ok(Self(h * 60 + m))
        } else {
            Err(why)
        }
    }
}

/// An instant in whole Unix milliseconds, between 1970 and 9999.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Instant(i64);

impl Instant {
    const LAST_MS: i64 = 253_402_300_799_999;

    /// The instant `ms` milliseconds after 1970 began (UTC), brought into range.
    #[must_use]
    pub fn from_ms(ms: i64) -> Self {
        Self(ms.clamp(0, Self::LAST_MS))
    }

    /// Unix milliseconds.
    #[must_use]
    pub const fn ms(self) -> i64 {
        self.0
    }

    /// Milliseconds since its minute began.
    #[must_use]
    pub fn millisecond(self) -> u32 {
        u32::try_from(self.0.rem_euclid(60_000)).unwrap_or(0)
    }

    /// Minutes later, or earlier.
    #[must_use]
    pub fn plus_minutes(self, minutes: i64) -> Self {
        Self::from_ms(self.0.saturating_add(minutes.saturating_mul(60_000)))
    }

    fn utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(self.0).unwrap_or_default()
    }
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.utc().to_rfc3339_opts(SecondsFormat::Millis, true))
    }
}

impl FromStr for Instant {
    type Err = CalendarText;

    fn from_str(text: &str) -> Result<Self, CalendarText> {
        let at = DateTime::parse_from_rfc3339(text).map_err(|_| {
            CalendarText("write the time with its offset: 2026-11-25T10:23:06+01:00 (RFC 3339)")
        })?;
        let ms = at.timestamp_millis();
        if (0..=Self::LAST_MS).contains(&ms) {
            Ok(Self(ms))
        } else {
            Err(CalendarText("the time must lie between 1970 and 9999"))
        }
    }
}

/// A time zone of the IANA database, such as `Europe/Lisbon`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone(Tz);

impl Zone {
    /// Coordinated universal time.
    pub const UTC: Self = Self(Tz::UTC);

    /// The local day of an instant.
    #[must_use]
    pub fn day(self, at: Instant) -> Day {
        Day(self.local(at).date())
    }

    /// Minutes after local midnight of an instant.
    #[must_use]
    pub fn time_of_day(self, at: Instant) -> TimeOfDay {
        let local = self.local(at);
        TimeOfDay::from_minutes(local.hour() * 60 + local.minute())
    }

    /// The instant's local minute since 1970, which orders batches for the learner as a wall clock does.
    #[must_use]
    pub fn local_minute(self, at: Instant) -> i64 {
        self.local(at).and_utc().timestamp().div_euclid(60)
    }

    /// The first instant of a local day (where midnight is skipped by summer time: the first that exists).
    #[must_use]
    pub fn start_of(self, day: Day) -> Instant {
        self.at(day, TimeOfDay(0))
    }

    /// The instant of a wall-clock time; the earlier of two, and the first after a gap.
    #[must_use]
    pub fn at(self, day: Day, time: TimeOfDay) -> Instant {
        let midnight = NaiveDateTime::new(day.0, NaiveTime::MIN);
        let mut wanted = midnight + chrono::Duration::minutes(i64::from(time.0));
        for _ in 0..=24 {
            match self.0.from_local_datetime(&wanted) {
                LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => {
                    return Instant::from_ms(at.timestamp_millis());
                }
                LocalResult::None => wanted += chrono::Duration::minutes(15),
            }
        }
        Instant::from_ms(wanted.and_utc().timestamp_millis())
    }

    fn local(self, at: Instant) -> NaiveDateTime {
        at.utc().with_timezone(&self.0).naive_local()
    }
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.name())
    }
}

impl FromStr for Zone {
    type Err = CalendarText;

    fn from_str(text: &str) -> Result<Self, CalendarText> {
        text.parse()
            .map(Self)
            .map_err(|_| CalendarText("name a time zone such as Europe/Lisbon"))
    }
}

macro_rules! as_text {
    ($($name:ident: $format:expr, $example:expr);* $(;)?) => {$(
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
                text.parse().map_err(de::Error::custom)
            }
        }

        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .format(Some($format))
                    .examples([serde_json::json!($example)])
                    .into()
            }
        }

        impl utoipa::ToSchema for $name {}
    )*};
}

use utoipa::openapi::schema::{KnownFormat, SchemaFormat};

as_text! {
    Day: SchemaFormat::KnownFormat(KnownFormat::Date), "2026-11-25";
    Month: SchemaFormat::Custom("month".to_owned()), "2026-11";
    Instant: SchemaFormat::KnownFormat(KnownFormat::DateTime), "2026-11-25T09:23:06.000Z";
    TimeOfDay: SchemaFormat::Custom("time-of-day".to_owned()), "07:30";
    Zone: SchemaFormat::Custom("time-zone".to_owned()), "Europe/Lisbon";
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        text.parse().unwrap()
    }

    #[test]
    fn a_day_is_written_one_way() {
        assert_eq!(day("2026-11-25").to_string(), "2026-11-25");
        for text in [
            "2026-1-1",
            "2026-13-01",
            "2026-02-30",
            "26-11-25",
            "2026-11-25 ",
            "+2026-11-2",
            "1969-12-31",
        ] {
            assert!(text.parse::<Day>().is_err(), "{text}");
        }
    }

    #[test]
    fn summer_time_neither_skips_nor_repeats_a_day() {
        // Europe/Lisbon 2026: clocks go forward on 29 March at 01:00, back on 25 October at 02:00 (EU Directive 2000/84/EC).
        let zone: Zone = "Europe/Lisbon".parse().unwrap();
        assert_eq!(
            zone.start_of(day("2026-03-30")).ms() - zone.start_of(day("2026-03-29")).ms(),
            23 * 3_600_000
        );
        assert_eq!(
            zone.start_of(day("2026-10-26")).ms() - zone.start_of(day("2026-10-25")).ms(),
            25 * 3_600_000
        );
        let skipped = zone.at(day("2026-03-29"), "01:30".parse().unwrap());
        assert_eq!(zone.time_of_day(skipped).to_string(), "02:00");
        assert_eq!(zone.day(skipped), day("2026-03-29"));
    }

    #[test]
    fn instants_read_any_offset() {
        let a: Instant = "2026-11-25T10:23:06+01:00".parse().unwrap();
        let b: Instant = "2026-11-25T09:23:06.000Z".parse().unwrap();
        assert_eq!(a, b);
        assert_eq!(a.to_string(), "2026-11-25T09:23:06.000Z");
        for text in [
            "2026-11-25",
            "2026-11-25T10:23:06",
            "1969-01-01T00:00:00Z",
            "now",
        ] {
            assert!(text.parse::<Instant>().is_err(), "{text}");
        }
    }
}
