//! What leaves say that cannot be, whatever the tables hold: nothing moves from where it is not, and a closing's totals are those of
//! the movements.

use std::collections::{BTreeMap, HashMap};

use crate::book::leaf::{Closing, Leaf, Posting, Total};
use crate::book::place::Place;
use crate::day::Day;
use crate::ids::{LotId, PostingId};

/// What the leaves so far have moved.
#[derive(Default)]
pub(in crate::audit) struct Sound {
    balances: HashMap<(LotId, Place), i64>,
    days: BTreeMap<(LotId, &'static str), BTreeMap<Day, i64>>,
    /// How many movements each posting has.
    postings: HashMap<PostingId, usize>,
}

impl Sound {
    /// Adds a leaf; answers what it says that cannot be.
    pub fn add(&mut self, leaf: &Leaf) -> Vec<String> {
        match leaf {
            Leaf::Posting(posting) => self.posting(posting),
            Leaf::Closing(closing) if closing.reopens.is_none() => {
                let wrong = self.totals(closing.to_day) != closing.totals;
                let what = "its totals are not those of the movements before it";
                wrong.then(|| what.to_owned()).into_iter().collect()
            }
            Leaf::Entry(_) | Leaf::Closing(Closing { .. }) => Vec::new(),
        }
    }

    fn posting(&mut self, posting: &Posting) -> Vec<String> {
        let mut wrong: Vec<String> = posting.fault().into_iter().collect();
        for m in &posting.movements {
            for (place, change) in [(m.from, -m.mass_mg), (m.to, m.mass_mg)] {
                *self.balances.entry((m.lot, place)).or_default() += change;
                let days = self.days.entry((m.lot, place.word())).or_default();
                *days.entry(posting.day).or_default() += change;
            }
        }
        let short = posting.movements.iter().find(|m| {
            let left = self.balances.get(&(m.lot, m.from)).copied();
            !m.from.may_owe() && left.unwrap_or(0) < 0
        });
        wrong.extend(short.map(|m| {
            let place = m.from.label();
            format!("it takes more of lot {} ({place}) than is there", m.lot)
        }));
        let moved = posting.movements.len();
        match posting.reverses.map(|id| self.postings.get(&id)) {
            Some(None) => wrong.push("it undoes a posting that is not there".to_owned()),
            Some(Some(undone)) if *undone != moved => {
                wrong.push("it does not undo all that was moved".to_owned());
            }
            _ => {}
        }
        self.postings.insert(posting.id, moved);
        wrong
    }

    /// What stood at each kind of place at the end of a day.
    fn totals(&self, day: Day) -> Vec<Total> {
        let total = |((lot, place), days): (&(LotId, &'static str), &BTreeMap<Day, i64>)| Total {
            lot: *lot,
            place: (*place).to_owned(),
            mass_mg: days.range(..=day).map(|(_, mg)| mg).sum(),
        };
        let totals = self.days.iter().map(total);
        totals.filter(|total| total.mass_mg != 0).collect()
    }
}
