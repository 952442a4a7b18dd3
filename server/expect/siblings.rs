//! Lots of one delivery whose yields do not fit one another.

use std::collections::BTreeMap;

use super::Questions;
use super::overview::seen;
use crate::ids::{BatchId, LotId, RoasterId, StyleId};
use crate::mass::Mass;
use crate::setup::{Kept, Lot};

/// How many batches each of two siblings must have been learned from before they are compared.
const LEAST: usize = 3;

/// Two lots of one delivery beside each other, in one style on one roaster.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// The lot.
    pub lot: LotId,
    /// Its sibling.
    pub sibling: LotId,
    /// The style.
    pub style: StyleId,
    /// The roaster.
    pub roaster: RoasterId,
    /// The last batch of the lot.
    pub last: BatchId,
    /// The lot's loss less its sibling's, beyond what moisture explains.
    pub difference: f64,
    /// The size of that in standard deviations of how siblings differ and of what is not known of them.
    pub z: f64,
}

impl Questions {
    /// All pairs of siblings that can be compared.
    #[must_use]
    pub fn siblings(&self, lots: &[Kept<Lot>]) -> Vec<Apart> {
        let deliveries: BTreeMap<LotId, _> = lots
            .iter()
            .map(|lot| (LotId(lot.id), lot.fields.delivery))
            .collect();
        let known = seen(self.learner());
        let known: Vec<_> = known
            .iter()
            .filter(|(_, seen)| seen.learned >= LEAST)
            .collect();
        let mut pairs = Vec::new();
        for (i, ((first, style, roaster), a)) in known.iter().enumerate() {
            for ((second, other_style, other_roaster), b) in &known[i + 1..] {
                let together = (style, roaster) == (other_style, other_roaster)
                    && deliveries.contains_key(first)
                    && deliveries.get(first) == deliveries.get(second);
                if together {
                    let charge = a.last_charge.max(b.last_charge);
                    let both = [*first, *second];
                    pairs.extend(self.apart(both, *style, *roaster, charge, b.last));
                }
            }
        }
        pairs
    }

    fn apart(
        &self,
        [sibling, lot]: [LotId; 2],
        style: StyleId,
        roaster: RoasterId,
        charge_g: f64,
        last: Option<BatchId>,
    ) -> Option<Apart> {
        let charge = super::nearest_gram(charge_g).unwrap_or(Mass::GRAM);
        let first = self.question(sibling, style, roaster, charge)?;
        let second = self.question(lot, style, roaster, charge)?;
        let learner = self.learner();
        let effects = [&first, &second].map(|question| learner.reasons(question));
        let difference = effects[1].lot - effects[0].lot;
        let level = 1.0 - effects[1].loss;
        let usual = level * learner.spreads().lot;
        let doubt = learner.contrast(&first, &second).sd;
        let sd = (2.0 * usual * usual + doubt * doubt).sqrt();
        Some(Apart {
            lot,
            sibling,
            style,
            roaster,
            last: last?,
            difference,
            z: (difference / sd).abs(),
        })
    }
}
