//! What a period did to a lot, by what was done.

use serde::Serialize;

use super::beyond;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::ids::LotId;
use crate::mass::{Mass, MassRange};
use crate::store::{Flow, StoreError};

/// What a period did to a lot, each less what was undone.
///
/// Opening + received - returned + blended in - blended out + count difference - charged - sampled - wasted - dried - sent = closing.
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
            Place::Store(_) => Ok(()),
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

    /// What it all did to the green in store.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn in_store(&self) -> Result<Mass, MassRange> {
        let came = Mass::sum([self.received_g, self.blended_in_g, self.difference_g])?;
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
