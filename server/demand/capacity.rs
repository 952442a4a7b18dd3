//! The packing bench fills so many bags an hour, and the carrier comes at an hour: when bags must be packed, and so by when their coffee must
//! be roasted. Pure.
//!
//! Backwards, the latest packing day first: bags stand in the day they can wait for longest, and what stays fresh longest gives way to the
//! days before. On the ship day itself only the hours before the carrier count.

use std::collections::BTreeMap;

use crate::day::{Day, TimeOfDay};
use crate::setup::{DayHours, PackingHours};

/// Bags to pack for a ship day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Job {
    /// The first day on which there is coffee for them.
    pub from: Day,
    /// When they leave.
    pub ship_day: Day,
    /// The day by whose end they are packed.
    pub packing_day: Day,
    /// When the carrier comes.
    pub carrier_at: TimeOfDay,
    /// How many.
    pub bags: u32,
    /// Whether all others go before them.
    pub last: bool,
    /// For how many days their coffee may wait: those with more give way.
    pub slack: i64,
}

/// When the bags of a job are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packed {
    /// The first day on which some of them are; none where none can be.
    pub from: Option<Day>,
    /// How many can be packed in time.
    pub bags: u32,
}

/// Bags that the bench takes on one day.
#[derive(Default, Clone, Copy)]
struct Taken {
    all: u32,
    before_carrier: u32,
}

/// When the bags of each job are packed.
#[must_use]
pub fn packed(hours: &PackingHours, jobs: &[Job]) -> Vec<Packed> {
    let mut order: Vec<usize> = (0..jobs.len()).collect();
    order.sort_by_key(|n| {
        let job = &jobs[*n];
        (job.last, std::cmp::Reverse(job.packing_day), job.slack, *n)
    });
    let mut taken: BTreeMap<Day, Taken> = BTreeMap::new();
    let mut packed = vec![
        Packed {
            from: None,
            bags: 0
        };
        jobs.len()
    ];
    for n in order {
        let job = &jobs[n];
        let mut day = job.packing_day.min(job.ship_day);
        while packed[n].bags < job.bags && day >= job.from {
            let free = hours.free(day, job, taken.get(&day).copied().unwrap_or_default());
            let bags = free.min(job.bags - packed[n].bags);
            if bags > 0 {
                let there = taken.entry(day).or_default();
                there.all += bags;
                there.before_carrier += if day == job.ship_day { bags } else { 0 };
                packed[n].bags += bags;
                packed[n].from = Some(day);
            }
            day = day.plus(-1);
        }
    }
    packed
}

impl PackingHours {
    /// Bags that the bench can still take of a job on a day.
    fn free(&self, day: Day, job: &Job, taken: Taken) -> u32 {
        let Some(hours) = self.hours[day.weekday()] else {
            return 0;
        };
        let free = self.bags_in(hours).saturating_sub(taken.all);
        if day < job.ship_day {
            return free;
        }
        let early = DayHours {
            to: hours.to.min(job.carrier_at),
            ..hours
        };
        let early = self.bags_in(early).saturating_sub(taken.before_carrier);
        free.min(early)
    }

    fn bags_in(&self, hours: DayHours) -> u32 {
        let bags = u64::from(self.bags_per_hour) * u64::from(hours.minutes()) / 60;
        u32::try_from(bags).unwrap_or(u32::MAX)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Weekdays from 08:00 to 12:00, 60 bags an hour: 240 bags a day.
    fn bench() -> PackingHours {
        let open = serde_json::json!({"from": "08:00", "to": "12:00"});
        serde_json::from_value(serde_json::json!({"bags_per_hour": 60, "hours": [open, open, open, open, open, null, null]})).unwrap()
    }

    fn day(text: &str) -> Day {
        text.parse().unwrap()
    }

    fn job(ship: &str, pack: &str, carrier: &str, bags: u32, slack: i64) -> Job {
        Job {
            from: day("2026-11-25"),
            ship_day: day(ship),
            packing_day: day(pack),
            carrier_at: carrier.parse().unwrap(),
            bags,
            last: false,
            slack,
        }
    }

    fn days(jobs: &[Job]) -> Vec<(Option<String>, u32)> {
        packed(&bench(), jobs)
            .into_iter()
            .map(|packed| (packed.from.map(|day| day.to_string()), packed.bags))
            .collect()
    }

    #[test]
    fn what_one_day_does_not_take_goes_to_the_day_before() {
        // Tuesday 1 December takes 240; the rest is packed on Monday; the weekend takes none, so more goes to Friday.
        let one = |bags| days(&[job("2026-12-02", "2026-12-01", "15:00", bags, 0)]);
        assert_eq!(one(240), [(Some("2026-12-01".to_owned()), 240)]);
        assert_eq!(one(241), [(Some("2026-11-30".to_owned()), 241)]);
        assert_eq!(one(481), [(Some("2026-11-27".to_owned()), 481)]);
        // Wednesday 25 November to Friday are three days, Monday and Tuesday two more: 1,200 bags.
        assert_eq!(one(1_300), [(Some("2026-11-25".to_owned()), 1_200)]);
    }

    #[test]
    fn the_carriers_hour_ends_the_ship_day() {
        let jobs = [job("2026-12-02", "2026-12-02", "09:30", 100, 0)];
        assert_eq!(
            days(&jobs),
            [(Some("2026-12-01".to_owned()), 100)],
            "90 before the carrier, ten the day before"
        );
        let jobs = [
            job("2026-12-02", "2026-12-02", "09:30", 90, 0),
            job("2026-12-03", "2026-12-02", "09:00", 150, 0),
        ];
        assert_eq!(
            days(&jobs)[0].0.as_deref(),
            Some("2026-12-02"),
            "what leaves later is packed after the carrier"
        );
    }

    #[test]
    fn what_stays_fresh_longest_gives_way() {
        let jobs = [
            job("2026-12-02", "2026-12-01", "15:00", 200, 20),
            job("2026-12-02", "2026-12-01", "15:00", 200, 3),
        ];
        let found = days(&jobs);
        assert_eq!(
            (found[0].0.as_deref(), found[1].0.as_deref()),
            (Some("2026-11-30"), Some("2026-12-01"))
        );
    }

    proptest! {
        /// No day takes more than the bench, nothing is packed after its day or before the first, and no more than was asked for; where the
        /// bench takes all bags of all jobs of any last days, all are packed.
        #[test]
        fn no_day_takes_more_than_the_bench(jobs in prop::collection::vec((0i64..12, 0i64..3, 0u32..400, 0i64..9), 1..12)) {
            let from = day("2026-11-25");
            let jobs: Vec<Job> = jobs.iter().map(|(ahead, before, bags, slack)| Job {
                from, ship_day: from.plus(*ahead + 2), packing_day: from.plus(*ahead + 2 - *before), carrier_at: "15:00".parse().unwrap(), bags: *bags, last: false, slack: *slack,
            }).collect();
            let found = packed(&bench(), &jobs);
            let open = |from: Day, to: Day| (0..=to.since(from)).filter(|n| from.plus(*n).weekday() < 5).count();
            for (job, packed) in jobs.iter().zip(&found) {
                prop_assert!(packed.bags <= job.bags);
                prop_assert!(packed.from.is_none_or(|day| day >= from && day <= job.packing_day && day.weekday() < 5));
                // All that is packed by its day fits the days there are.
                let by: u32 = jobs.iter().zip(&found).filter(|(other, _)| other.packing_day <= job.packing_day).map(|(_, packed)| packed.bags).sum();
                prop_assert!(u64::from(by) <= 240 * open(from, job.packing_day) as u64);
            }
            let fits = jobs.iter().all(|job| {
                let by: u64 = jobs.iter().filter(|other| other.packing_day <= job.packing_day).map(|other| u64::from(other.bags)).sum();
                by <= 240 * open(from, job.packing_day) as u64
            });
            if fits {
                prop_assert!(jobs.iter().zip(&found).all(|(job, packed)| job.bags == packed.bags));
            }
        }
    }
}
