//! How long a lot's green lasts if it goes on being used as in the last weeks.

use serde::Serialize;

use crate::day::Day;
use crate::mass::Mass;

/// The weeks that are looked back on.
pub const WEEKS: i64 = 8;
const WEEK: i64 = 7;
/// Four times out of five it runs out within the range: the 0.9 quantile of the standard normal distribution.
const QUANTILE: f64 = 1.281_551_565_544_6;
/// Beyond so many days nothing is said.
const MOST_DAYS: f64 = 3_650.0;

/// When a lot runs out at the rate of the last weeks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Lasts {
    /// Green used in a week, as the mean of the weeks looked back on.
    pub week_g: Mass,
    /// How many weeks that were.
    pub weeks: i64,
    /// The day on which it runs out at that rate.
    pub day: Day,
    /// Four times out of five it lasts until this day or longer, and no longer than `latest`.
    pub earliest: Day,
    /// See `earliest`.
    pub latest: Day,
}

/// How long `store` lasts.
///
/// Weeks are taken for independent draws of one use with mean `m` and standard deviation `s`, so that `n` weeks use `n m ± z s √n`. What
/// is in store is used up after
///
/// ```text
/// n = ((± z s + √(z² s² + 4 m store)) / 2 m)²   weeks
/// ```
///
/// `used` holds what was used on which day, less what came back; `since` is the day on which the lot came. Weeks end today; only whole ones
/// count, at most [`WEEKS`]. Nothing is said before the first whole week, of a lot that is not used, or beyond ten years.
#[must_use]
pub fn lasts(store: Mass, used: &[(Day, Mass)], since: Day, today: Day) -> Option<Lasts> {
    let weeks = ((today.since(since) + 1) / WEEK).min(WEEKS);
    let by_week: Vec<f64> = (0..weeks)
        .map(|n| (today.plus(-WEEK * n), today.plus(-WEEK * (n + 1))))
        .map(|(last, before)| {
            let within = used.iter().filter(|(day, _)| *day <= last && *day > before);
            within.map(|(_, mass)| mass.grams()).sum::<f64>().max(0.0)
        })
        .collect();
    let n = f64::from(u32::try_from(weeks).ok().filter(|weeks| *weeks > 0)?);
    let mean = by_week.iter().sum::<f64>() / n;
    if mean <= 0.0 || !store.is_positive() {
        return None;
    }
    let spread = by_week
        .iter()
        .map(|week| (week - mean).powi(2))
        .sum::<f64>();
    let sd = if weeks > 1 {
        (spread / (n - 1.0)).sqrt()
    } else {
        mean
    };
    let day = |z: f64| {
        let root = (z * sd).hypot(2.0 * (mean * store.grams()).sqrt());
        let weeks = ((z * sd + root) / (2.0 * mean)).powi(2);
        whole_days(weeks * 7.0).map(|days| today.plus(days))
    };
    Some(Lasts {
        week_g: nearest_gram(mean)?,
        weeks,
        day: day(0.0)?,
        earliest: day(-QUANTILE)?,
        latest: day(QUANTILE)?,
    })
}

/// How long `store` lasts where cards will take so much of it, the last of them on a day.
///
/// Until the last card as much is used as the cards say, or as the rate says where that is more; what is left then goes on at the rate. Where
/// nothing is left it ends with the last card, whatever the rate is: without one, `week_g` and `weeks` are nothing.
#[must_use]
pub fn lasts_with(
    cards: Option<(Mass, Day)>,
    store: Mass,
    used: &[(Day, Mass)],
    since: Day,
    today: Day,
) -> Option<Lasts> {
    let by_rate = lasts(store, used, since, today);
    let Some((carded, last)) = cards.filter(|_| store.is_positive()) else {
        return by_rate;
    };
    let last = last.max(today);
    let left = store.minus(carded).ok()?;
    if !left.is_positive() {
        return Some(Lasts {
            week_g: by_rate.map_or(Mass::ZERO, |rate| rate.week_g),
            weeks: by_rate.map_or(0, |rate| rate.weeks),
            day: last,
            earliest: last,
            latest: last,
        });
    }
    let (rate, after) = (by_rate?, lasts(left, used, since, today)?);
    let wait = last.since(today);
    let day = |rate: Day, after: Day| rate.min(after.plus(wait)).max(last);
    Some(Lasts {
        day: day(rate.day, after.day),
        earliest: day(rate.earliest, after.earliest),
        latest: day(rate.latest, after.latest),
        ..rate
    })
}

/// Days, rounded up but for the error of floating point; none beyond what is said.
#[expect(
    clippy::cast_possible_truncation,
    clippy::as_conversions,
    reason = "checked to be finite and small"
)]
fn whole_days(days: f64) -> Option<i64> {
    (0.0..=MOST_DAYS)
        .contains(&days)
        .then(|| (days - 1e-6).ceil() as i64)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::as_conversions,
    reason = "checked to be finite and small"
)]
fn nearest_gram(grams: f64) -> Option<Mass> {
    let small = (0.0..1e12).contains(&grams);
    small.then(|| Mass::from_grams(grams.round() as i64).ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        text.parse().unwrap()
    }

    fn kilograms(kg: i64) -> Mass {
        Mass::from_grams(kg * 1_000).unwrap()
    }

    /// Use on the last day of each of the last weeks, newest first.
    fn weekly(today: Day, use_kg: &[i64]) -> Vec<(Day, Mass)> {
        (0..)
            .zip(use_kg)
            .map(|(n, kg)| (today.plus(-7 * n), kilograms(*kg)))
            .collect()
    }

    #[test]
    fn the_same_every_week_leaves_no_doubt() {
        let today = day("2026-11-25");
        let used = weekly(today, &[20; 8]);
        let found = lasts(kilograms(100), &used, day("2026-01-01"), today).unwrap();
        assert_eq!((found.week_g, found.weeks), (kilograms(20), 8));
        // 100 kg at 20 kg a week: five weeks.
        assert_eq!(
            [found.earliest, found.day, found.latest],
            [day("2026-12-30"); 3]
        );
    }

    /// By hand: use 10, 30, 10, 30 kg: m = 20, s = √(400/3) = 11.547. For 80 kg n = 4 weeks; z s = 14.798; √(14.798² + 4·20·80) = 81.357;
    /// ((81.357 − 14.798) / 40)² = 2.7688 weeks = 19.4 days, ((81.357 + 14.798) / 40)² = 5.7786 weeks = 40.5 days.
    #[test]
    fn uneven_weeks_make_a_range() {
        let today = day("2026-11-25");
        let used = weekly(today, &[10, 30, 10, 30]);
        let found = lasts(kilograms(80), &used, day("2026-10-29"), today).unwrap();
        assert_eq!(found.weeks, 4);
        let range = [found.earliest, found.day, found.latest].map(|day| day.since(today));
        assert_eq!(range, [20, 28, 41]);
    }

    /// By hand, at 20 kg a week: 100 kg are five weeks.
    #[test]
    fn cards_take_their_part() {
        let today = day("2026-11-25");
        let used = weekly(today, &[20; 8]);
        let until = |cards: Option<(i64, i64)>, kg: i64, used: &[(Day, Mass)]| {
            let cards = cards.map(|(kg, days)| (kilograms(kg), today.plus(days)));
            let found = lasts_with(cards, kilograms(kg), used, day("2026-01-01"), today)?;
            Some(found.day.since(today))
        };
        assert_eq!(until(None, 100, &used), Some(35));
        // The week's cards take what a week takes: nothing changes.
        assert_eq!(until(Some((20, 7)), 100, &used), Some(35));
        // They take twice that: 60 kg are left after a week, three more.
        assert_eq!(until(Some((40, 7)), 100, &used), Some(28));
        // A small card far off is within what is used anyhow.
        assert_eq!(until(Some((5, 14)), 100, &used), Some(35));
        // All of it stands on tomorrow's card, or more than all; also of a lot that was not used before.
        for cards in [100, 110] {
            assert_eq!(until(Some((cards, 1)), 100, &used), Some(1));
            assert_eq!(until(Some((cards, 1)), 100, &[]), Some(1));
        }
        // The last card keeps its green though the rate alone would have used it before.
        assert_eq!(until(Some((10, 9)), 20, &used), Some(9));
        assert_eq!(until(Some((10, 1)), 0, &used), None);
    }

    #[test]
    fn nothing_is_said_too_early_or_of_what_is_not_used() {
        let today = day("2026-11-25");
        let used = weekly(today, &[5]);
        assert_eq!(lasts(kilograms(80), &used, day("2026-11-20"), today), None);
        assert_eq!(lasts(kilograms(80), &[], day("2026-01-01"), today), None);
        assert_eq!(lasts(Mass::ZERO, &used, day("2026-01-01"), today), None);
        assert_eq!(lasts(kilograms(80), &used, today.plus(30), today), None);
        let little = vec![(today, Mass::from_grams(1).unwrap())];
        assert_eq!(
            lasts(kilograms(80), &little, day("2026-01-01"), today),
            None
        );
    }
}
