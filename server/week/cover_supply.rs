//! What a coffee of a dispatch can be roasted from: its green, what is roasted or on cards, less what others are promised before it.

use std::collections::{BTreeMap, BTreeSet};

use super::cover::Basis;
use super::facts::RoasterFacts;
use super::instance::{grams, limits, outlook};
use crate::demand::coverage::{Charges, Green, Made, Promise, Roasting, Supply, Wanted, keep};
use crate::ids::{CoffeeId, LotId, StyleId};
use crate::mass::Mass;

impl Basis {
    /// What there is of a coffee: green, roasted and on cards, less what others are promised that leave no later, and the rest of the
    /// dispatch before it.
    pub(super) fn supply(
        &self,
        coffee: CoffeeId,
        wanted: &Wanted,
        before: &BTreeMap<StyleId, i64>,
    ) -> Supply {
        let facts = &self.facts;
        // What is too old for the dispatch is there for those before it.
        let (ours, older): (Vec<Made>, Vec<Made>) = self
            .made(coffee)
            .into_iter()
            .partition(|made| made.day >= self.roast.0);
        let mut promises = self.promises(coffee);
        keep(&mut promises, older);
        let mut supply = Supply {
            promised: before.clone(),
            ..Supply::default()
        };
        for promise in promises {
            *supply.promised.entry(promise.style).or_default() += promise.grams;
        }
        for made in ours {
            *supply.roasted.entry(made.style).or_default() += made.grams;
        }
        let styles: BTreeSet<StyleId> = wanted
            .bags
            .keys()
            .chain(supply.promised.keys())
            .copied()
            .collect();
        let mut lots: Vec<_> = facts
            .lots
            .iter()
            .filter(|(id, lot)| self.is_of(coffee, **id) && lot.from <= self.roast.1)
            .collect();
        lots.sort_by_key(|(id, lot)| (lot.fields.use_rank, **id));
        supply.lots = lots
            .into_iter()
            .map(|(id, _)| Green {
                lot: *id,
                free_g: self.free(*id).whole_grams(),
                roastings: styles
                    .iter()
                    .filter_map(|style| self.roasting(*id, *style))
                    .collect(),
            })
            .collect();
        supply
    }

    fn is_of(&self, coffee: CoffeeId, lot: LotId) -> bool {
        let lot = self.facts.lots.get(&lot);
        lot.is_some_and(|lot| lot.fields.coffee == coffee)
    }

    /// Coffee that is roasted, or that cards will give.
    fn made(&self, coffee: CoffeeId) -> Vec<Made> {
        let facts = &self.facts;
        let ready = facts.supplies.iter().map(|there| Made {
            lot: there.lot,
            style: there.style,
            day: there.day,
            grams: there.mass.whole_grams(),
        });
        let carded = facts.cards.iter().filter_map(|(_, card)| {
            let mass = facts.expected(card.lot, card.style, card.roaster, card.charge_g)?;
            Some(Made {
                lot: card.lot,
                style: card.style,
                day: card.day,
                grams: mass.whole_grams(),
            })
        });
        let all = ready.chain(carded);
        all.filter(|made| self.is_of(coffee, made.lot)).collect()
    }

    /// What others that leave no later are promised of a coffee.
    fn promises(&self, coffee: CoffeeId) -> Vec<Promise> {
        let wants = self.facts.wants.iter();
        let before = wants
            .filter(|want| want.ship_day <= self.dispatch.ship_day && !self.is_ours(want.dispatch));
        before
            .flat_map(|want| {
                let parts = want.parts.iter().filter(|(part, _)| *part == coffee);
                parts.map(|(_, share)| Promise {
                    style: want.style,
                    grams: grams(want.bags, want.bag, *share),
                    window: want.window,
                    lots: want.lots.clone(),
                })
            })
            .collect()
    }

    /// Green of a lot that no card takes.
    pub(super) fn free(&self, lot: LotId) -> Mass {
        let facts = &self.facts;
        let mut free = facts.lots.get(&lot).map_or(Mass::ZERO, |lot| lot.green);
        let elsewhere = facts.elsewhere.get(&lot).copied().unwrap_or_default();
        let cards = facts.cards.iter().filter(|(_, card)| card.lot == lot);
        for taken in cards.map(|(_, card)| card.charge_g).chain([elsewhere]) {
            free = free.minus(taken).unwrap_or_default();
        }
        free.max(Mass::ZERO)
    }

    /// How a lot is roasted in a style: on the largest roaster that takes it.
    fn roasting(&self, lot: LotId, style: StyleId) -> Option<Roasting> {
        let (roaster, charges) = self.roaster(lot, style)?;
        let (_, outlook) = outlook(&self.facts, (lot, style), roaster, charges.max_g)?;
        Some(Roasting {
            style,
            charges,
            outlook,
        })
    }

    pub(super) fn roaster(&self, lot: LotId, style: StyleId) -> Option<(&RoasterFacts, Charges)> {
        let facts = self.facts.lots.get(&lot)?;
        let able = self
            .facts
            .roasters
            .iter()
            .filter(|roaster| roaster.fields.roasts(style));
        let charges = able.filter_map(|roaster| {
            let (min_g, max_g) = limits(roaster, lot, facts)?;
            let step_g = roaster.fields.step_g.whole_grams().max(1);
            let charges = Charges {
                min_g,
                max_g,
                step_g,
            };
            Some((roaster, charges))
        });
        charges.max_by_key(|(roaster, charges)| (charges.max_g, roaster.id))
    }
}
