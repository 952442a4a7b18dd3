//! What a period did to a lot, by what was done.

use serde::Serialize;

use uuid::Uuid;

use super::{beyond, words};
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::ids::{LotId, StoreroomId};
use crate::mass::{Mass, MassRange};
use crate::store::{Flow, LotFlow, StoreError};

/// What a period did to a lot, each less what was undone.
///
/// Opening + received - returned + blended in - blended out + moved + count difference - charged - sampled - wasted - dried - sent = closing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Sums {
    /// Came from the supplier.
    pub received_g: Mass,
    /// Went back to the supplier.
    pub returned_g: Mass,
    /// Made up from other lots, where this one is a blend.
    pub blended_in_g: Mass,
    /// Went into a blend lot.
    pub blended_out_g: Mass,
    /// Came from other storerooms, less what went there: nothing where all storerooms are one.
    pub moved_g: Mass,
    /// Found by counts, or missing where negative.
    pub difference_g: Mass,
    /// Weighed in for batches.
    pub charged_g: Mass,
    /// Drawn from the storerooms as samples.
    pub sampled_g: Mass,
    /// Spilled in the storerooms.
    pub wasted_g: Mass,
    /// Dried in the storerooms.
    pub dried_g: Mass,
    /// Sent to other sites, less what came from there.
    pub sent_g: Mass,
    /// Roasted coffee that batches gave.
    pub roasted_g: Mass,
    /// Lost in roasting.
    pub roasting_loss_g: Mass,
    /// Samples of batches, before and after roasting.
    pub batch_sampled_g: Mass,
    /// Waste of batches: scrapped, spilled or sorted out.
    pub batch_wasted_g: Mass,
    /// Packed in bags.
    pub packed_g: Mass,
    /// Shipped.
    pub shipped_g: Mass,
    /// Roasted coffee and bags found by counts, or missing where negative.
    pub roasted_difference_g: Mass,
}

fn add(sum: &mut Mass, mass: Mass) -> Result<(), StoreError> {
    *sum = sum.plus(mass).map_err(beyond)?;
    Ok(())
}

impl Sums {
    /// Adds a line: what it did to the green in store, and the place on its other side.
    pub(super) fn add_line(
        &mut self,
        lot: LotId,
        done: Kind,
        other: Place,
        change: Mass,
    ) -> Result<(), StoreError> {
        let left = Mass::ZERO.minus(change).map_err(beyond)?;
        if done == Kind::Correct && other != Place::Variance {
            return self.add_correction(other, left);
        }
        match other {
            Place::Supplier(_) if done == Kind::Return => add(&mut self.returned_g, left),
            Place::Supplier(_) => add(&mut self.received_g, change),
            Place::Blended(blend) if blend == lot => add(&mut self.blended_in_g, change),
            Place::Blended(_) => add(&mut self.blended_out_g, left),
            Place::Variance => add(&mut self.difference_g, change),
            Place::Sample => add(&mut self.sampled_g, left),
            Place::Waste => add(&mut self.wasted_g, left),
            Place::Air => add(&mut self.dried_g, left),
            Place::Transit(_) => add(&mut self.sent_g, left),
            Place::Store(_) => add(&mut self.moved_g, change),
            Place::Batch(_) | Place::Roasted(_) | Place::Packed(_) | Place::Shipped(_) => {
                add(&mut self.charged_g, left)
            }
        }
    }

    /// Adds what a correction took from the store, or brought back, for a batch: straight to where the batch's coffee had gone on to.
    fn add_correction(&mut self, other: Place, left: Mass) -> Result<(), StoreError> {
        let went_on: &mut [&mut Mass] = match other {
            Place::Air => &mut [&mut self.roasting_loss_g],
            Place::Sample => &mut [&mut self.batch_sampled_g],
            Place::Waste => &mut [&mut self.batch_wasted_g],
            Place::Roasted(_) => &mut [&mut self.roasted_g],
            Place::Packed(_) => &mut [&mut self.roasted_g, &mut self.packed_g],
            Place::Shipped(_) => {
                &mut [&mut self.roasted_g, &mut self.packed_g, &mut self.shipped_g]
            }
            _ => &mut [],
        };
        for sum in went_on {
            add(sum, left)?;
        }
        add(&mut self.charged_g, left)
    }

    /// Adds what moved between places other than storerooms.
    pub(super) fn add_flows(&mut self, flows: &[Flow]) -> Result<(), StoreError> {
        for flow in flows {
            let back = Mass::ZERO.minus(flow.mass).map_err(beyond)?;
            match (flow.from.as_str(), flow.to.as_str()) {
                ("batch", "roasted") => add(&mut self.roasted_g, flow.mass)?,
                ("roasted", "batch") => add(&mut self.roasted_g, back)?,
                ("batch", "air") => add(&mut self.roasting_loss_g, flow.mass)?,
                ("air", "batch") => add(&mut self.roasting_loss_g, back)?,
                (_, "sample") => add(&mut self.batch_sampled_g, flow.mass)?,
                ("sample", _) => add(&mut self.batch_sampled_g, back)?,
                (_, "waste") => add(&mut self.batch_wasted_g, flow.mass)?,
                ("waste", _) => add(&mut self.batch_wasted_g, back)?,
                ("roasted", "packed") => add(&mut self.packed_g, flow.mass)?,
                ("packed", "roasted") => add(&mut self.packed_g, back)?,
                ("packed", "shipped") => add(&mut self.shipped_g, flow.mass)?,
                ("shipped", "packed") => add(&mut self.shipped_g, back)?,
                ("variance", _) => add(&mut self.roasted_difference_g, flow.mass)?,
                (_, "variance") => add(&mut self.roasted_difference_g, back)?,
                _ => {}
            }
        }
        Ok(())
    }

    /// Adds what went from one kind of place to another, as many lots' statements have it: of one storeroom, or of all.
    pub(super) fn add_lot_flow(
        &mut self,
        room: Option<StoreroomId>,
        flow: &LotFlow,
        mass: Mass,
    ) -> Result<(), StoreError> {
        let inside = |word: &str, key| word == "store" && room.is_none_or(|room| room.0 == key);
        let done = words::kind(&flow.kind)?;
        let place = |word: &str, key: Uuid| {
            // The sums look at what kind of place it is, and at a blend's lot.
            let key = if key.is_nil() { flow.lot.0 } else { key };
            Place::new(word, key)
                .or_else(|| Place::new(word, Uuid::nil()))
                .ok_or_else(|| StoreError::Damaged(format!("no place: {word}")))
        };
        match (
            inside(&flow.from, flow.from_key),
            inside(&flow.to, flow.to_key),
        ) {
            (true, false) => {
                let left = Mass::ZERO.minus(mass).map_err(beyond)?;
                self.add_line(flow.lot, done, place(&flow.to, flow.to_key)?, left)
            }
            (false, true) => self.add_line(flow.lot, done, place(&flow.from, flow.from_key)?, mass),
            (false, false) if room.is_none() => self.add_flows(&[Flow {
                from: flow.from.clone(),
                to: flow.to.clone(),
                mass,
            }]),
            (true, true) | (false, false) => Ok(()),
        }
    }

    /// All of them by name, in order.
    #[must_use]
    pub const fn all(&self) -> [(&'static str, Mass); 18] {
        [
            ("received_g", self.received_g),
            ("returned_g", self.returned_g),
            ("blended_in_g", self.blended_in_g),
            ("blended_out_g", self.blended_out_g),
            ("moved_g", self.moved_g),
            ("difference_g", self.difference_g),
            ("charged_g", self.charged_g),
            ("sampled_g", self.sampled_g),
            ("wasted_g", self.wasted_g),
            ("dried_g", self.dried_g),
            ("sent_g", self.sent_g),
            ("roasted_g", self.roasted_g),
            ("roasting_loss_g", self.roasting_loss_g),
            ("batch_sampled_g", self.batch_sampled_g),
            ("batch_wasted_g", self.batch_wasted_g),
            ("packed_g", self.packed_g),
            ("shipped_g", self.shipped_g),
            ("roasted_difference_g", self.roasted_difference_g),
        ]
    }

    const fn all_mut(&mut self) -> [&mut Mass; 18] {
        [
            &mut self.received_g,
            &mut self.returned_g,
            &mut self.blended_in_g,
            &mut self.blended_out_g,
            &mut self.moved_g,
            &mut self.difference_g,
            &mut self.charged_g,
            &mut self.sampled_g,
            &mut self.wasted_g,
            &mut self.dried_g,
            &mut self.sent_g,
            &mut self.roasted_g,
            &mut self.roasting_loss_g,
            &mut self.batch_sampled_g,
            &mut self.batch_wasted_g,
            &mut self.packed_g,
            &mut self.shipped_g,
            &mut self.roasted_difference_g,
        ]
    }

    /// Adds another lot's sums.
    pub(crate) fn add_sums(&mut self, other: &Self) -> Result<(), StoreError> {
        for (sum, more) in self.all_mut().into_iter().zip(other.all()) {
            add(sum, more.1)?;
        }
        Ok(())
    }

    /// What it all did to the green in store.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn in_store(&self) -> Result<Mass, MassRange> {
        let came = Mass::sum([
            self.received_g,
            self.blended_in_g,
            self.moved_g,
            self.difference_g,
        ])?;
        let went = Mass::sum([
            self.returned_g,
            self.blended_out_g,
            self.charged_g,
            self.sampled_g,
            self.wasted_g,
            self.dried_g,
            self.sent_g,
        ])?;
        came.minus(went)
    }
}
