//! The minutes that a roaster has on each day: its hours, less what has passed of today, less the batches that stand ready.

use crate::day::{Day, TimeOfDay};
use crate::setup::Roaster;

/// A roaster's time on one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shift {
    /// The day.
    pub day: Day,
    /// When the next batch may begin; none where closed or over.
    pub opens: Option<TimeOfDay>,
    /// Minutes from then on, without those in which it is cleaned.
    pub minutes: u32,
}

/// What a roaster is at now.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Busy {
    /// When the drum is empty again, if something is in it.
    pub until: Option<TimeOfDay>,
    /// How many batches stand weighed in for it.
    pub waiting: usize,
    /// Whether it has roasted today, so that it needs no heating up.
    pub hot: bool,
}

/// A roaster's shifts from today to a day, and the days on which the batches that stand ready will be roasted.
pub fn shifts(
    roaster: &Roaster,
    (today, now): (Day, TimeOfDay),
    last: Day,
    busy: Busy,
) -> (Vec<Shift>, Vec<Day>) {
    let days = 0..=last.since(today).max(0);
    let mut shifts: Vec<Shift> = days
        .map(|n| {
            let day = today.plus(n);
            let earliest = if n == 0 {
                now.max(busy.until.unwrap_or(now))
            } else {
                TimeOfDay::from_minutes(0)
            };
            shift(roaster, day, earliest)
        })
        .collect();
    let cycle = roaster.cycle_min;
    let ready = (0..busy.waiting)
        .map(|_| {
            let Some(shift) = shifts.iter_mut().find(|shift| shift.minutes >= cycle) else {
                return today;
            };
            shift.minutes -= cycle;
            shift.opens = shift
                .opens
                .map(|opens| TimeOfDay::from_minutes(opens.minutes() + cycle));
            shift.day
        })
        .collect();
    (shifts, ready)
}

/// The people's minutes on a day; of today the part that is left of the longest roaster day.
pub fn crew<'a>(
    a_day: u32,
    roasters: impl Iterator<Item = &'a Roaster>,
    (today, now): (Day, TimeOfDay),
    day: Day,
) -> u32 {
    if day != today {
        return a_day;
    }
    let (mut whole, mut left) = (0, 0);
    for hours in roasters.filter_map(|roaster| roaster.hours_on(day)) {
        let begins = hours.from.max(now).minutes();
        whole = whole.max(hours.minutes());
        left = left.max(hours.to.minutes().saturating_sub(begins));
    }
    a_day.saturating_mul(left) / whole.max(1)
}

fn shift(roaster: &Roaster, day: Day, earliest: TimeOfDay) -> Shift {
    let hours = roaster.hours_on(day);
    let opens = hours
        .map(|hours| hours.from.max(earliest))
        .filter(|opens| hours.is_some_and(|hours| *opens < hours.to));
    let minutes = hours.zip(opens).map_or(0, |(hours, opens)| {
        hours.to.minutes().saturating_sub(opens.minutes())
    });
    Shift {
        day,
        opens,
        minutes: minutes - pauses(roaster, minutes),
    }
}

/// Minutes of cleaning in a time that is full of batches.
fn pauses(roaster: &Roaster, minutes: u32) -> u32 {
    let Some(cleaning) = roaster.cleaning else {
        return 0;
    };
    let (mut cleaned, mut batches) = (0, 0);
    loop {
        let before = cleaned + cleaning.before(batches);
        batches += 1;
        if before + batches * roaster.cycle_min > minutes {
            return cleaned;
        }
        cleaned = before;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::Cleaning;

    /// Open from 07:00 to 09:00 on weekdays, closed on the public holiday of Tuesday 8 December 2026; 30 minutes a batch.
    fn roaster() -> Roaster {
        let open = serde_json::json!({"from": "07:00", "to": "09:00"});
        let id = "0190b8a0-0000-7000-8000-000000000000";
        serde_json::from_value(serde_json::json!({
            "name": "Drum", "min_charge_g": 4000, "max_charge_g": 12000, "step_g": 100, "cycle_min": 30, "changeover_min": 5,
            "startup_min": 30, "hours": [open, open, open, open, open, null, null],
            "exceptions": [{"day": "2026-12-08", "hours": null}], "weighs": "after_destoner", "green_scale": id,
            "roasted_scale": id, "charge_limits": []
        }))
        .unwrap()
    }

    fn minutes(now: &str, busy: Busy) -> Vec<u32> {
        // A Friday to the Wednesday after.
        let today = "2026-12-04".parse().unwrap();
        let (shifts, _) = shifts(
            &roaster(),
            (today, now.parse().unwrap()),
            today.plus(5),
            busy,
        );
        shifts.iter().map(|shift| shift.minutes).collect()
    }

    #[test]
    fn hours_weekends_and_holidays() {
        assert_eq!(minutes("06:00", Busy::default()), [120, 0, 0, 120, 0, 120]);
    }

    #[test]
    fn what_has_passed_of_today_is_gone() {
        assert_eq!(minutes("08:10", Busy::default())[0], 50);
        assert_eq!(minutes("09:00", Busy::default())[0], 0);
        let drum = Busy {
            until: Some("08:25".parse().unwrap()),
            ..Busy::default()
        };
        assert_eq!(minutes("08:10", drum)[0], 35);
    }

    /// 120 minutes hold four batches, but only three with 20 minutes of cleaning after every two.
    #[test]
    fn cleaning_takes_its_minutes() {
        let mut roaster = roaster();
        let of = |roaster: &Roaster| {
            let now = ("2026-12-04".parse().unwrap(), "06:00".parse().unwrap());
            shifts(roaster, now, now.0, Busy::default()).0[0].minutes
        };
        for (batches, minutes, left) in [(2, 20, 100), (3, 30, 120), (3, 29, 120), (1, 10, 100)] {
            roaster.cleaning = Some(Cleaning { batches, minutes });
            assert_eq!(
                of(&roaster),
                left,
                "{minutes} minutes after every {batches}"
            );
        }
    }

    #[test]
    fn the_people_have_what_is_left_of_the_day() {
        let today: Day = "2026-12-04".parse().unwrap();
        let of = |now: &str, day| {
            let now = (today, now.parse().unwrap());
            crew(100, [roaster()].iter(), now, day)
        };
        assert_eq!(of("06:00", today), 100);
        assert_eq!(of("08:30", today), 25);
        assert_eq!(of("09:30", today), 0);
        assert_eq!(of("09:30", today.plus(3)), 100);
    }

    #[test]
    fn batches_that_stand_ready_take_the_first_time_there_is() {
        let today: Day = "2026-12-04".parse().unwrap();
        let busy = Busy {
            waiting: 3,
            ..Busy::default()
        };
        let (shifts, days) = shifts(
            &roaster(),
            (today, "08:00".parse().unwrap()),
            today.plus(5),
            busy,
        );
        assert_eq!(days, [today, today, today.plus(3)]);
        assert_eq!((shifts[0].minutes, shifts[3].minutes), (0, 90));
        assert_eq!(shifts[3].opens.unwrap().to_string(), "07:30");
    }
}
