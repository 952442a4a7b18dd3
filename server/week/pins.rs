//! Which batches a plan keeps: the released cards of its days and what a person has set, as far as they still fit.

use std::collections::{BTreeSet, HashMap};

use super::facts::Facts;
use super::instance::{green, limits, outlook, roaster_of};
use super::{Asked, Pin};
use crate::day::Day;
use crate::ids::{LotId, OrderId, RoasterId, StyleId};
use crate::mass::Mass;

/// Pins that a plan keeps, and those that no longer fit, each with why.
#[derive(Debug, Default)]
pub struct Pins {
    /// Kept, in order of day.
    pub kept: Vec<Pin>,
    /// Dropped.
    pub dropped: Vec<(Pin, String)>,
}

/// What a person has set goes before what cards say, and a card that feeds weightier orders before others.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Weight {
    Card(u16),
    Set,
}

impl Pins {
    /// Chooses the pins of a plan. A pin that names a card stands for it; the other cards of the plan's days are kept where they are, unless
    /// it is made freely.
    pub fn choose(facts: &Facts, asked: &Asked) -> Self {
        let mut pins: Vec<(Weight, Pin)> = asked
            .pinned
            .iter()
            .map(|pin| (Weight::Set, pin.clone()))
            .collect();
        let named: BTreeSet<_> = asked.pinned.iter().filter_map(|pin| pin.card).collect();
        if !asked.freely {
            let priorities: HashMap<OrderId, u16> = facts
                .wants
                .iter()
                .map(|want| (want.order, want.priority))
                .collect();
            for (id, card) in facts.cards.iter().filter(|(id, _)| !named.contains(id)) {
                let weights = card.feeds.iter().map(|feed| priorities.get(&feed.order));
                let weight = weights.flatten().copied().max().unwrap_or(0);
                let pin = Pin {
                    card: Some(*id),
                    roaster: card.roaster,
                    day: card.day,
                    lot: card.lot,
                    style: card.style,
                    charge_g: card.charge_g,
                };
                pins.push((Weight::Card(weight), pin));
            }
        }
        // Heaviest first, so that the lightest are dropped; else in the order given.
        pins.sort_by_key(|(weight, _)| std::cmp::Reverse(*weight));
        let mut chosen = Self::default();
        for (_, pin) in pins {
            match chosen.misfit(facts, &pin) {
                None => chosen.kept.push(pin),
                Some(why) => chosen.dropped.push((pin, why)),
            }
        }
        chosen.kept.sort_by_key(|pin| (pin.day, pin.roaster));
        chosen
    }

    /// Why a pin does not fit beside those kept so far.
    fn misfit(&self, facts: &Facts, pin: &Pin) -> Option<String> {
        let Some(roaster) = roaster_of(facts, pin.roaster) else {
            return Some("its roaster is not in use".to_owned());
        };
        let Some(lot) = facts.lots.get(&pin.lot) else {
            return Some("there is no such lot".to_owned());
        };
        let name = &lot.fields.name;
        if pin.day < facts.from || pin.day > facts.last() {
            return Some(format!(
                "{} is not one of the days planned",
                pin.day.short()
            ));
        }
        if let Some(why) = lot.barred() {
            return Some(format!("{name} may not be used: {why}"));
        }
        if lot.from > pin.day {
            return Some(format!("{name} is expected on {} only", lot.from.short()));
        }
        if !roaster.fields.roasts(pin.style)
            || outlook(
                facts,
                (pin.lot, pin.style),
                roaster,
                pin.charge_g.whole_grams(),
            )
            .is_none()
        {
            return Some(format!("{} does not roast this style", roaster.fields.name));
        }
        let charge = pin.charge_g.whole_grams();
        let step = roaster.fields.step_g.whole_grams().max(1);
        let legal = limits(roaster, pin.lot, lot)
            .is_some_and(|(least, most)| (least..=most).contains(&charge));
        if !legal || charge % step != 0 || pin.charge_g.mg() % 1_000 != 0 {
            return Some(format!(
                "{} is no charge for {name} on {}",
                pin.charge_g, roaster.fields.name
            ));
        }
        let available = green(facts, pin.lot, lot);
        if self.charged(pin.lot) + charge > available {
            let there = Mass::from_grams(available).unwrap_or_default();
            return Some(format!("there is not enough {name}: {there} may be used"));
        }
        let shift = roaster.shifts.iter().find(|shift| shift.day == pin.day);
        let minutes = shift.map_or(0, |shift| i64::from(shift.minutes));
        let used = self.minutes(facts, pin);
        if used > minutes {
            let (name, day) = (&roaster.fields.name, pin.day.short());
            return Some(match minutes {
                0 => format!("{name} is closed on {day}"),
                _ => format!("{name} has {minutes} minutes on {day}, and this makes it {used}"),
            });
        }
        self.tires(facts, pin, used)
    }

    /// Whether the people have too few minutes for a pin on its day, its roaster then taking `used`.
    fn tires(&self, facts: &Facts, pin: &Pin, used: i64) -> Option<String> {
        let place = usize::try_from(pin.day.since(facts.from)).ok()?;
        let there = i64::from(*facts.crew.as_ref()?.get(place)?);
        let others = facts.roasters.iter().filter(|r| r.id != pin.roaster);
        let of_others = others.map(|roaster| {
            let at = (roaster.id, pin.day);
            let kept = self.kept.iter().filter(|pin| (pin.roaster, pin.day) == at);
            minutes_of(facts, at, kept)
        });
        let all = used + of_others.sum::<i64>();
        (all > there).then(|| {
            let day = pin.day.short();
            format!("the people have {there} minutes on {day}, and this makes it {all}")
        })
    }

    fn charged(&self, lot: LotId) -> i64 {
        let charges = self.kept.iter().filter(|pin| pin.lot == lot);
        charges.map(|pin| pin.charge_g.whole_grams()).sum()
    }

    /// Minutes of a pin's roaster on its day with this pin.
    fn minutes(&self, facts: &Facts, pin: &Pin) -> i64 {
        let at = (pin.roaster, pin.day);
        let kept = self.kept.iter().filter(|pin| (pin.roaster, pin.day) == at);
        minutes_of(facts, at, kept.chain([pin]))
    }
}

/// Minutes that pins take on their roaster's day.
fn minutes_of<'a>(facts: &Facts, at: (RoasterId, Day), pins: impl Iterator<Item = &'a Pin>) -> i64 {
    let pins: Vec<&Pin> = pins.collect();
    let streams: BTreeSet<(LotId, StyleId)> = pins.iter().map(|pin| (pin.lot, pin.style)).collect();
    minutes(facts, at, pins.len(), streams.len())
}

/// Minutes that batches of so many streams take on a roaster's day.
pub fn minutes(
    facts: &Facts,
    (roaster, day): (RoasterId, Day),
    batches: usize,
    streams: usize,
) -> i64 {
    let Some(roaster) = roaster_of(facts, roaster).filter(|_| batches > 0) else {
        return 0;
    };
    let count = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
    let cold = !(roaster.hot && day == facts.from);
    count(batches) * i64::from(roaster.fields.cycle_min)
        + count(streams) * i64::from(roaster.fields.changeover_min)
        + if cold {
            i64::from(roaster.fields.startup_min)
        } else {
            0
        }
}
