//! A weight or the lot of a batch is put right, at any age: one posting that books the difference along the whole chain.
//!
//! A green mass changes what was taken from the store and what the air got; a roasted mass changes what the air got and what lies
//! roasted. Where bags hold more than there then was, the count difference stands in. A lot changes hands with everything that came
//! of it: what lies roasted, in bags, is shipped, sampled, wasted or in the air is given back to the wrong lot's store and taken
//! from the right one's.

use async_trait::async_trait;
use serde_json::json;
use uuid::Uuid;

use super::batch::{Batch, State, Step};
use super::{BatchPosted, Taken, fact, movement, view};
use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::ids::{BatchId, LotId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Lot};

command! {
    /// A batch's green or roasted mass, or its lot, was put right.
    Correction {
        /// The batch.
        batch: BatchId,
        /// The green that really went in.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        green_g: Option<Mass>,
        /// The roasted coffee that really came out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        roasted_g: Option<Mass>,
        /// The lot that it really was.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lot: Option<LotId>,
    }
}

#[async_trait]
impl Command for Correction {
    const NAME: &'static str = "corrections";
    type Answer = BatchPosted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<BatchPosted> {
        let site = book.site();
        let reason = self
            .common()
            .why()
            .ok_or_else(|| Refusal::field("/reason", "say why, in a few words"))?;
        let mut taken = Taken::up(book, self.batch).await?;
        self.check(&taken.batch)?;
        let mut chain = Chain::of(&taken.batch)?;
        if let Some(lot) = self.lot.filter(|lot| *lot != chain.lot) {
            let right = setup::named::<Lot>(book.tx(), site, "/lot", lot).await?;
            chain.change_lot(book, lot, right.fields.storeroom).await?;
        }
        if let Some(green) = self.green_g {
            chain.change_green(taken.batch.charged(), green)?;
        }
        if let Some(roasted) = self.roasted_g {
            chain.change_roasted(taken.batch.roasted().unwrap_or(Mass::ZERO), roasted)?;
        }
        if chain.movements.is_empty() {
            return Err(Refusal::conflict(
                "this is what the book says already: there is nothing to correct",
            ));
        }
        let beyond = chain.cover(book).await?;
        self.ask(beyond)?;
        let step = Step::Corrected {
            by: id.into(),
            green_g: self.green_g,
            roasted_g: self.roasted_g,
            lot: self.lot,
            reason: reason.clone(),
        };
        let mut facts = json!({ "steps": [fact(self.batch, &step)] });
        if beyond.is_positive() {
            facts["beyond_book_g"] = json!(beyond);
        }
        let draft = Draft {
            id: id.into(),
            kind: Kind::Correct,
            happened_at: taken.at(book, self.happened_at),
            reason: Some(reason),
            card: None,
            reverses: None,
            facts,
            movements: chain.movements,
            weighings: Vec::new(),
        };
        let posting = book.post(draft).await?;
        taken.step(book, step).await?;
        Ok(BatchPosted {
            posting: (&posting).into(),
            batch: view::one(book.tx(), site, &taken.batch).await?,
        })
    }
}

impl Correction {
    fn check(&self, batch: &Batch) -> Outcome<()> {
        if self.green_g.is_none() && self.roasted_g.is_none() && self.lot.is_none() {
            return Err(Refusal::field(
                "",
                "say what was wrong: green_g, roasted_g or lot",
            ));
        }
        for (pointer, mass) in [("/green_g", self.green_g), ("/roasted_g", self.roasted_g)] {
            if mass.is_some_and(|mass| !mass.is_positive()) {
                return Err(Refusal::field(
                    pointer,
                    "more than nothing; scrap the batch if nothing came of it",
                ));
            }
        }
        if batch.state() == State::Scrapped {
            return Err(Refusal::conflict(
                "this batch was scrapped: undo that first, then correct it",
            ));
        }
        if batch.weighed_in().is_none() {
            return Err(Refusal::conflict(
                "the weigh-in of this batch was undone: there is nothing to correct",
            ));
        }
        if self.roasted_g.is_some() && batch.roasted().is_none() {
            return Err(Refusal::conflict(
                "this batch has not been weighed out: there is no roasted mass to correct",
            ));
        }
        Ok(())
    }

    fn ask(&self, beyond: Mass) -> Outcome<()> {
        if !beyond.is_positive() || self.common().confirms(Confirm::BeyondBook) {
            return Ok(());
        }
        Err(Refusal::beyond_book(
            beyond,
            format!(
                "with this the book is {beyond} short, and a count difference stands in for it"
            ),
        ))
    }
}

/// What became of a batch's coffee, and the movements that put it right.
struct Chain {
    batch: BatchId,
    lot: LotId,
    store: Place,
    weighed_out: bool,
    movements: Vec<Movement>,
}

impl Chain {
    fn of(batch: &Batch) -> Outcome<Self> {
        let first = batch
            .weighed_in()
            .ok_or_else(|| Refusal::conflict("nothing was weighed in"))?;
        Ok(Self {
            batch: batch.id,
            lot: batch.lot().unwrap_or(first.lot),
            store: Place::Store(first.storeroom),
            weighed_out: batch.weighed_out().is_some(),
            movements: Vec::new(),
        })
    }

    fn add(&mut self, from: Place, to: Place, mass: Mass) {
        self.movements.extend(movement(self.lot, from, to, mass));
    }

    /// Adds a movement, the other way round where the mass is less than nothing: the air gave more than it got.
    fn add_either_way(&mut self, from: Place, to: Place, mass: Mass) -> Outcome<()> {
        self.add(from, to, mass);
        self.add(to, from, Mass::ZERO.minus(mass)?);
        Ok(())
    }

    /// More green in: more from the store, and more to the air once it is roasted; less green: the other way.
    fn change_green(&mut self, was: Mass, right: Mass) -> Outcome<()> {
        let batch = Place::Batch(self.batch);
        let (more, less) = (right.minus(was)?, was.minus(right)?);
        if self.weighed_out {
            self.add(Place::Air, batch, less);
        }
        self.add(batch, self.store, less);
        self.add(self.store, batch, more);
        if self.weighed_out {
            self.add(batch, Place::Air, more);
        }
        Ok(())
    }

    /// More roasted out: less to the air; less roasted: the other way.
    fn change_roasted(&mut self, was: Mass, right: Mass) -> Outcome<()> {
        let (batch, roasted) = (Place::Batch(self.batch), Place::Roasted(self.batch));
        let (more, less) = (right.minus(was)?, was.minus(right)?);
        self.add(Place::Air, batch, more);
        self.add(batch, roasted, more);
        self.add(roasted, batch, less);
        self.add(batch, Place::Air, less);
        Ok(())
    }

    /// Gives everything that came of the batch back to the wrong lot's store and takes it from the right one's.
    async fn change_lot(
        &mut self,
        book: &mut Book,
        right: LotId,
        storeroom: StoreroomId,
    ) -> Outcome<()> {
        let whereabouts = self.whereabouts(book).await?;
        for (place, mass) in &whereabouts {
            self.add_either_way(*place, self.store, *mass)?;
        }
        self.lot = right;
        self.store = Place::Store(storeroom);
        for (place, mass) in whereabouts {
            self.add_either_way(self.store, place, mass)?;
        }
        Ok(())
    }

    /// Where the coffee of the batch is: in bags and shipments as far as they took from it.
    async fn whereabouts(&self, book: &mut Book) -> Outcome<Vec<(Place, Mass)>> {
        let site = book.site();
        let mut found = Vec::new();
        for place in [Place::Batch(self.batch), Place::Roasted(self.batch)] {
            let left = book.tx().balance(site, self.lot, place).await?;
            found.extend(left.is_positive().then_some((place, left)));
            for (to, mass) in book.tx().counterparts(site, self.lot, place).await? {
                match to {
                    Place::Air | Place::Sample | Place::Waste | Place::Variance
                        if mass != Mass::ZERO =>
                    {
                        found.push((to, mass));
                    }
                    Place::Packed(_) if mass.is_positive() => {
                        found.extend(self.bagged(book, to, mass).await?);
                    }
                    _ => {}
                }
            }
        }
        Ok(found)
    }

    /// What of a packing is still there, and for the rest the shipments it went with.
    async fn bagged(
        &self,
        book: &mut Book,
        packed: Place,
        mass: Mass,
    ) -> Outcome<Vec<(Place, Mass)>> {
        let site = book.site();
        let there = book.tx().balance(site, self.lot, packed).await?.min(mass);
        let mut found = vec![(packed, there)];
        let mut rest = mass.minus(there)?;
        for (to, gone) in book.tx().counterparts(site, self.lot, packed).await? {
            let part = gone.min(rest);
            if part.is_positive() {
                found.push((to, part));
                rest = rest.minus(part)?;
            }
        }
        Ok(found)
    }

    /// Lets the count difference stand in where a place would fall below nothing; answers how much.
    async fn cover(&mut self, book: &mut Book) -> Outcome<Mass> {
        let site = book.site();
        let mut covered = Mass::ZERO;
        let mut stand_ins = Vec::new();
        let mut places: Vec<(LotId, Place)> = self
            .movements
            .iter()
            .map(|m| (m.lot, m.from))
            .filter(|(_, place)| !place.may_owe())
            .collect();
        places.sort_unstable();
        places.dedup();
        for (lot, place) in places {
            let mut left = book.tx().balance(site, lot, place).await?;
            for m in self.movements.iter().filter(|m| m.lot == lot) {
                let mass = Mass::from_mg(m.mass_mg)?;
                left = if m.from == place {
                    left.minus(mass)?
                } else if m.to == place {
                    left.plus(mass)?
                } else {
                    left
                };
            }
            let missing = Mass::ZERO.minus(left)?;
            stand_ins.extend(movement(lot, Place::Variance, place, missing));
            covered = covered.plus(missing.max(Mass::ZERO))?;
        }
        stand_ins.append(&mut self.movements);
        self.movements = stand_ins;
        Ok(covered)
    }
}
