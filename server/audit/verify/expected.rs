//! What the leaves so far say the tables must hold.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use serde_json::{Value, json};
use uuid::Uuid;

use super::batches::row_of;
use crate::book::leaf::{Act, Closing, Entry, Kind, Leaf, Posting};
use crate::book::{canonical, settled_how};
use crate::counting::session;
use crate::floor::batch;
use crate::store::BatchRow;

/// An account: lot, place and key.
pub(in crate::audit) type Account = (Uuid, String, Uuid);

/// What monthly flows are kept by: lot, what was done, from with its key, to with its key, and month.
pub(super) type Flow = (Uuid, String, String, Uuid, String, Uuid, String);

/// A record as the last leaf about it has it.
pub(in crate::audit) struct Written {
    /// Its kind.
    pub kind: String,
    /// Its body, canonical.
    pub body: String,
    /// How often it was written.
    pub revision: i64,
}

/// What the leaves so far say.
#[derive(Default)]
pub(in crate::audit) struct Expected {
    /// Milligrams by account and month.
    pub months: BTreeMap<Account, BTreeMap<String, i64>>,
    /// Milligrams that went from one kind of place to another.
    pub flows: BTreeMap<Flow, i64>,
    /// What postings did.
    kinds: HashMap<Uuid, Kind>,
    /// Steps by count.
    pub counts: HashMap<Uuid, Vec<Value>>,
    /// Records by id.
    pub records: HashMap<Uuid, Written>,
    /// The closing table's rows.
    pub closings: Vec<Value>,
    /// Steps by batch, as the floor's entries and postings give them.
    pub steps: HashMap<Uuid, Vec<Value>>,
    /// The row that a batch had before something of it was undone: what stays when all is.
    pub undone: HashMap<Uuid, BatchRow>,
    /// Digests by posting: a command of that id booked it.
    pub postings: HashMap<Uuid, String>,
    /// Digests of other commands that are in the log.
    pub digests: HashSet<String>,
    /// The unsettled table's rows.
    pub unsettled: Vec<Value>,
    /// When the last leaf was recorded.
    pub recorded_at: i64,
}

impl Expected {
    /// Adds what a leaf says.
    pub fn add(&mut self, leaf: &Leaf) {
        self.recorded_at = leaf.head().recorded_at;
        match leaf {
            Leaf::Posting(posting) => self.add_posting(posting),
            Leaf::Entry(entry) => self.add_entry(entry),
            Leaf::Closing(closing) => self.add_closing(closing),
        }
        batch::follow(&mut self.steps, leaf);
        session::follow(&mut self.counts, leaf);
    }

    /// How many lots moved.
    pub fn lots(&self) -> usize {
        let lots: BTreeSet<_> = self.months.keys().map(|(lot, ..)| lot).collect();
        lots.len()
    }

    fn add_posting(&mut self, posting: &Posting) {
        let month = posting.day.month();
        self.kinds.insert(posting.id.0, posting.kind);
        let undone = posting.reverses.and_then(|id| self.kinds.get(&id.0));
        let done = undone.copied().unwrap_or(posting.kind);
        for movement in &posting.movements {
            let (from, to) = (movement.from, movement.to);
            let flow = (
                movement.lot.0,
                done.word().to_owned(),
                from.word().to_owned(),
                from.flow_key(),
                to.word().to_owned(),
                to.flow_key(),
                month.clone(),
            );
            *self.flows.entry(flow).or_default() += movement.mass_mg;
            for (place, change) in [
                (movement.from, -movement.mass_mg),
                (movement.to, movement.mass_mg),
            ] {
                let account = (movement.lot.0, place.word().to_owned(), place.key());
                let months = self.months.entry(account).or_default();
                *months.entry(month.clone()).or_default() += change;
            }
        }
        if session::is_of(posting) {
            // Its id is not its command's: one command of a count books several.
            self.digests.insert(posting.digest.clone());
        } else {
            self.postings.insert(posting.id.0, posting.digest.clone());
        }
        for batch in posting.facts["undone"].as_array().into_iter().flatten() {
            let batch = serde_json::from_value::<Uuid>(batch.clone());
            let row = batch.ok().and_then(|id| {
                let steps = self.steps.get(&id)?;
                Some((id, row_of(id, steps, self.undone.get(&id))?))
            });
            self.undone.extend(row);
        }
    }

    fn add_entry(&mut self, entry: &Entry) {
        match entry.act {
            Act::Put => {
                let before = self.records.get(&entry.subject);
                let revision = before.map_or(0, |written| written.revision) + 1;
                let written = Written {
                    kind: entry.kind.clone(),
                    body: canonical::text(&entry.after),
                    revision,
                };
                self.records.insert(entry.subject, written);
            }
            Act::Keep => self.unsettled.push(json!({
                "id": entry.subject, "command": entry.after["command"], "person": entry.head.person, "device": entry.head.device,
                "received_at": entry.head.recorded_at, "body": canonical::text(&entry.after["body"]),
                "problem": canonical::text(&entry.after["problem"]), "settled_at": null, "settled_how": null,
            })),
            Act::Settle => {
                let how = settled_how(&entry.after["by"], entry.reason.as_deref());
                for row in &mut self.unsettled {
                    if row["id"] == json!(entry.subject) {
                        row["settled_at"] = json!(entry.head.recorded_at);
                        row["settled_how"] = json!(how);
                    }
                }
                self.digests.extend(entry.digest.clone());
            }
            _ => self.digests.extend(entry.digest.clone()),
        }
    }

    fn add_closing(&mut self, closing: &Closing) {
        self.digests.insert(closing.digest.clone());
        match closing.reopens {
            None => self.closings.push(json!({
                "id": closing.id, "position": closing.head.position, "from_day": closing.from_day, "to_day": closing.to_day,
                "reopened": 0,
            })),
            Some(reopened) => self
                .closings
                .iter_mut()
                .filter(|row| row["id"] == json!(reopened))
                .for_each(|row| row["reopened"] = json!(1)),
        }
    }
}
